"""JUDGE: what answers and figures mean. Pure: no talk, no time, no relay.

In:    what was answered about the outlet; what the probe gave, second by second.
Out:   a ``Finding``: a code, and words that say what to do.

**How much mist can do.** A litre an hour, mixed into the whole room with nothing lost, raises humidity by
    100 R T / (V pws) %RH for each kg of water, with pws the saturation pressure at room temperature
(ideal gas; R = 461.5 J/(kg K) for water vapour). It is the most a room can show, and what follows is shares
of it. The shares are common practice, no source:

- *A jump*: more than three times that within a minute, and 1 %RH for the probe's own scatter. Three, because
  cold mist also cools the air it goes into: where nothing at all gives heat, RH at 24 °C and 60 % rises 2.6
  times as fast (at constant enthalpy). Faster is no mixed air: it is the plume.
- *A rise*: at least 0.15 of it, and at least 1 %RH. Walls and substrate take a share, mist is late, a wick
  gives less in damp air. Less must not do: one person in the room gives 30 to 50 g an hour (ASHRAE, from
  memory), a tenth of a small humidifier, and a room drifts by some tenths by itself.
  A room that was losing more than 1.5 %RH in ten minutes before the mist, as after airing, can hide it: then
  it is not known. (1.5 is 2.8 standard errors of that slope, from two minutes of looks each 5 s, where one
  look scatters by 0.15 %RH.)
- *A breath*: 5 %RH. Breath is nearly saturated and warmer than the room, so a probe in it rises by tens of
  %RH; the scatter of one is a few tenths, and a whole room does not change by that in a minute and a half.
"""

from __future__ import annotations

from collections.abc import Sequence
from itertools import combinations, pairwise
from statistics import median
from typing import NamedTuple

from controller.core import air

WATER_VAPOUR_J_PER_KG_K = 461.5
"""Gas constant of water vapour: that of dry air over 0.621945 (ASHRAE HoF 2017 ch.1)."""
KELVIN = 273.15
BREATH_RH_PCT = 5.0
JUMP_S = 60.0
JUMP_TIMES = 3.0
SCATTER_RH_PCT = 1.0
RISE_SHARE = 0.15
LEAST_RISE_RH_PCT = 1.0
STEPS = 1.5
"""A rise must be more than one step of a coarse probe, which noise alone can make it take."""
DRYING_RH_PCT_PER_S = -1.5 / 600.0
LEAST_BASELINE_S = 60.0
SEEN_TIMES = 3.0
"""Where not even so much could come, what walls and substrate leave of it may be too little to see."""
LEAST_ON_S = 180.0
MEAN_S = 60.0

FINE, LIT, NEVER_ON, STAYS_ON, CONFUSED = "fine", "lit at off", "never on", "stays on", "confused"
PLUME, NO_MIST, DRYING, TOO_SHORT, NO_FIGURES = "plume", "no mist", "drying", "too short", "no figures"


class Finding(NamedTuple):
    code: str
    words: str

    @property
    def fine(self) -> bool:
        return self.code == FINE


class Sample(NamedTuple):
    """One look: seconds, whether mist was commanded from then on, what one probe gave (raw)."""

    t_s: float
    on: bool
    rh_pct: float | None
    temp_c: float | None


class Room(NamedTuple):
    """What the settings say of humidifier and room."""

    output_l_per_h: float
    volume_m3: float
    described: bool  # False: the volume is the built-in one, nobody gave it

    def most_rh_pct_per_min(self, temp_c: float) -> float:
        """The module's head says how. %RH a minute."""
        gas_pa_m3 = WATER_VAPOUR_J_PER_KG_K * (temp_c + KELVIN)
        kg_per_min = self.output_l_per_h / 60.0  # a litre of water taken as 1 kg
        return 100.0 * kg_per_min * gas_pa_m3 / (self.volume_m3 * air.saturation_pressure_pa(temp_c))

    def jump_rh_pct(self, temp_c: float) -> float:
        return JUMP_TIMES * self.most_rh_pct_per_min(temp_c) * JUMP_S / 60.0 + SCATTER_RH_PCT

    def rise_rh_pct(self, temp_c: float, on_s: float) -> float:
        return max(RISE_SHARE * self.most_rh_pct_per_min(temp_c) * on_s / 60.0, LEAST_RISE_RH_PCT)

    @property
    def words(self) -> str:
        taken = "" if self.described else " (taken, because the settings do not say)"
        return f"{self.output_l_per_h:.2f} L an hour into {self.volume_m3:g} m³{taken}"


def lit_at_off(active_high: bool) -> Finding:
    """The line is driven off, and the lamp is lit. Which of three it is, only the next try tells."""
    low = (
        " It will then switch on at a low line: such an input can be on while no program runs. Better is one "
        "that switches on at a high line. And if the load hangs on the relay's other (normally closed) "
        "contact, have an electrician put it on the normally open one instead, and leave active_high alone."
    )
    return Finding(
        LIT,
        "on while the line is driven OFF. Unplug it now. Then, one after the other, and with the lamp:\n"
        "    1. Is the lamp in an outlet that is not switched, or the outlet's own switch at HAND? Put that "
        "right, and begin again.\n"
        "    2. Else the relay works the other way round. Change the line under [relay] to\n"
        f"      active_high = {str(not active_high).lower()}\n"
        f"    and begin again.{low if active_high else ''}\n"
        "    3. Is it lit with that as well? Then put the line back as it was: the contact is welded, or the "
        "pin is the wrong one. Do not use this relay until that is found",
    )


def confused() -> Finding:
    return Finding(
        CONFUSED,
        "these answers fit no relay. Was it looked at in time? A loose wire does that as well. Begin again",
    )


def outlet(on: bool, off_again: bool) -> Finding:
    """What the answers after a good first one say: is it on? is it off again?"""
    if on and off_again:
        return Finding(FINE, "the outlet does what it is told")
    if on:
        return Finding(
            STAYS_ON,
            "it goes on and does not go off again: a contact that welds or sticks, or an input that does not "
            "let go at this board's level. Unplug it now, and do not use this relay",
        )
    if off_again:
        return Finding(
            NEVER_ON,
            "never on. Is it the right outlet, has it power, is the lamp itself good and switched on? Then: "
            "the wrong relay.pin or relay.chip, or the control wire (ground as well). Unplug before you look",
        )
    return confused()


def breath(before: Sequence[float], after: Sequence[float]) -> float | None:
    """How far the probe rose above where it was, %RH; None while there is nothing to compare."""
    if not before or not after:
        return None
    return max(after) - sum(before) / len(before)


def mist(room: Room, probes: Sequence[Sequence[Sample]], names: Sequence[str], why_off: str) -> Finding:
    """What ten minutes say. One row of samples a probe; ``why_off``: the last reason it was held off."""
    findings = [_of_one(room, samples, name, why_off) for samples, name in zip(probes, names, strict=True)]
    for code in (PLUME, NO_FIGURES, TOO_SHORT, NO_MIST, DRYING):
        for finding in findings:
            if finding.code == code:
                return finding
    return findings[0]._replace(words="; ".join(finding.words for finding in findings))


def jumped(room: Room, samples: Sequence[Sample]) -> tuple[float, float] | None:
    """(rise within a minute, the most it could be) in %RH, where a rise since mist began is more; or None."""
    since_s = next((sample.t_s for sample in samples if sample.on), None)
    if since_s is None:
        return None
    figures = _middle_of_three([sample for sample in samples if sample.t_s >= since_s])
    for number, (t_s, rh_pct, temp_c) in enumerate(figures):
        most = room.jump_rh_pct(temp_c)
        for then_s, then_rh_pct, _ in figures[:number]:
            if t_s - then_s <= JUMP_S and rh_pct - then_rh_pct > most:
                return rh_pct - then_rh_pct, most
    return None


def _middle_of_three(samples: Sequence[Sample]) -> list[tuple[float, float, float]]:
    """(seconds, RH, temperature), each RH the middle one of three looks: a single wild one is no jump."""
    figures = [
        (sample.t_s, sample.rh_pct, sample.temp_c)
        for sample in samples
        if sample.rh_pct is not None and sample.temp_c is not None
    ]
    return [
        (now[0], sorted((before[1], now[1], after[1]))[1], now[2])
        for before, now, after in zip(figures, figures[1:], figures[2:], strict=False)
    ]


def on_s(samples: Sequence[Sample]) -> float:
    """Seconds for which mist was commanded."""
    return sum(after.t_s - one.t_s for one, after in pairwise(samples) if one.on)


def _of_one(room: Room, samples: Sequence[Sample], name: str, why_off: str) -> Finding:
    jump = jumped(room, samples)
    if jump is not None:
        return Finding(PLUME, _plume_words(room, name, *jump, _mean_temp(samples)))
    ran_s = on_s(samples)
    rise = _rise(samples)
    if ran_s < LEAST_ON_S:
        return Finding(TOO_SHORT, f"mist ran for {ran_s / 60:.1f} min only. {why_off}")
    if rise is None:
        return Finding(NO_FIGURES, f"{name} gave too few figures to compare. {why_off}")
    least = max(room.rise_rh_pct(_mean_temp(samples), ran_s), STEPS * _step(samples))
    seen = f"{name} rose by {rise:.1f} %RH in {ran_s / 60:.0f} min of mist (at least {least:.1f} is needed)"
    if rise >= least:
        return Finding(FINE, seen)
    slope = _slope_before(samples)
    if slope is not None and slope < DRYING_RH_PCT_PER_S:
        return Finding(
            DRYING,
            f"{seen}, but the room was drying by itself, by {-600.0 * slope:.1f} %RH in ten minutes: whether "
            "mist came is not known. Close door and window, and try again when its figure stands still",
        )
    return Finding(NO_MIST, f"{seen}. {_no_mist_words(room, _mean_temp(samples), ran_s)}")


def _plume_words(room: Room, name: str, jump: float, most: float, temp_c: float) -> str:
    rate = room.most_rh_pct_per_min(temp_c)
    words = (
        f"{name} rose by {jump:.1f} %RH within a minute. {room.words}, mixed into all of its air and with "
        f"nothing lost, makes {rate:.1f} %RH a minute; three times that and {SCATTER_RH_PCT:g} %RH for the "
        f"probe's own scatter is {most:.1f}. Faster than that is no room air: the probe stands in the plume. "
        "Move probe or humidifier (two metres apart, not above it, no fan between), and begin again"
    )
    if not room.described:
        words += ". If the room is much smaller than that, write its volume_m3 under [bench.room]"
    return words


def _no_mist_words(room: Room, temp_c: float, ran_s: float) -> str:
    most = room.most_rh_pct_per_min(temp_c) * ran_s / 60.0
    words = (
        "No mist arrived. Did you see any? If not: water in the tank, its own switch and dial, the high "
        "limit, and whether it goes on by itself when its outlet has power again. If yes: a probe far from "
        "it, an open window"
    )
    if most < SEEN_TIMES * LEAST_RISE_RH_PCT:
        words += (
            f", or a humidifier too small to be seen: {room.words} makes {most:.1f} %RH at the most in that "
            "time (`hygrohold size`)"
        )
    return words


def _rise(samples: Sequence[Sample]) -> float | None:
    """Of the water in the air, in %RH at the room's temperature: warming or cooling alone is no rise.

    From the last minute before mist to the last minute of it or the minute after.
    """
    first = next((number for number, sample in enumerate(samples) if sample.on), None)
    if first is None:
        return None
    began_s = samples[first].t_s
    last_s = max(after.t_s for one, after in zip(samples, (*samples[1:], samples[-1]), strict=True) if one.on)
    before = [sample for sample in samples if began_s - MEAN_S <= sample.t_s <= began_s]
    after = [sample for sample in samples if last_s - MEAN_S <= sample.t_s <= last_s + MEAN_S]
    then, now = _vapour_pa(before), _vapour_pa(after)
    if then is None or now is None:
        return None
    return 100.0 * (now - then) / air.saturation_pressure_pa(_mean_temp(samples))


def _slope_before(samples: Sequence[Sample]) -> float | None:
    """%RH a second before mist; None where it was not looked at long enough.

    The median of the slopes between all pairs (Theil 1950, Sen 1968): what is left of a breath on the probe
    at the beginning does not count.
    """
    first = next((number for number, sample in enumerate(samples) if sample.on), 0)
    figures = [(sample.t_s, sample.rh_pct) for sample in samples[: first + 1] if sample.rh_pct is not None]
    if not figures or figures[-1][0] - figures[0][0] < LEAST_BASELINE_S:
        return None
    return median((now - then) / (t_s - then_s) for (then_s, then), (t_s, now) in combinations(figures, 2))


def _step(samples: Sequence[Sample]) -> float:
    """The smallest change the probe has shown, %RH; 0 where it has shown none."""
    figures = [sample.rh_pct for sample in samples if sample.rh_pct is not None]
    return min((abs(now - then) for then, now in pairwise(figures) if now != then), default=0.0)


def _vapour_pa(samples: Sequence[Sample]) -> float | None:
    figures = [
        air.vapour_pressure_pa(sample.temp_c, sample.rh_pct)
        for sample in samples
        if sample.rh_pct is not None and sample.temp_c is not None
    ]
    return sum(figures) / len(figures) if figures else None


def _mean_temp(samples: Sequence[Sample]) -> float:
    temps = [sample.temp_c for sample in samples if sample.temp_c is not None]
    return sum(temps) / len(temps) if temps else 24.0
