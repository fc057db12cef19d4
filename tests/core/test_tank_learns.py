"""TANK: the true output, learned from fill notes and from running dry, against a simulated truth.

The truth here is arithmetic: what runs out is hours times the true output, and a keeper notes it with
an error of up to 3 %. It shares nothing with the filter that is judged.
"""

from __future__ import annotations

import random
from math import inf, nan
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core import filling, tank, tank_model
from controller.core.effect import EffectMemory
from controller.core.tank import Since, TankLimits, TankMemory
from controller.core.tank_model import Learned
from tests.core.helpers import DAY_S, HOUR_S, Rig, off, quick, through_json

TANK_L, PLATE = 4.0, 0.4
LIMITS = TankLimits(tank_l=TANK_L, output_l_per_h=PLATE)
FACTORS = [0.7, 1.0, 1.3]


class Life:
    """A tank that truly loses ``factor`` nameplates, and the memory that only hears of hours and notes."""

    def __init__(self, factor: float, seed: int = 0) -> None:
        self.factor, self.rng = factor, random.Random(seed)
        self.t, self.true_l = 1000.0, TANK_L
        self.memory = TankMemory()
        self.words = ""
        self.note(None)

    def run(self, hours: float) -> Life:
        """Until so many hours of running are over, or nothing is left."""
        hours = min(hours, self.true_l / (PLATE * self.factor))
        self.true_l = max(self.true_l - hours * PLATE * self.factor, 0.0)
        return self.idle_on(hours)

    def idle_on(self, hours: float) -> Life:
        """On, over a dry tank or not: the hours are all that the memory sees."""
        steps = max(round(hours * 60), 1)
        for _ in range(steps):
            self.t += hours * HOUR_S / steps
            self.memory = tank.advance(self.memory, self.t, hours * HOUR_S / steps, LIMITS)
        return self

    def note(
        self, litres: float | None, on_since_s: float = 0.0, ago_s: float = 0.0, full: bool = False
    ) -> Life:
        at_t = filling.filled_at(self.memory, self.t - ago_s)
        noted = filling.filled(self.memory, self.t, litres, at_t, on_since_s, LIMITS, full)
        self.memory, self.words = noted.memory, noted.words + noted.more
        return self

    def refill(self, error: float | None = None) -> Life:
        """To the top, with its litres, as a keeper tells both."""
        put_l, self.true_l = TANK_L - self.true_l, TANK_L
        error = self.rng.uniform(-0.03, 0.03) if error is None else error
        self.note(put_l * (1.0 + error))
        self.t += 60.0
        return self.note(None)

    @property
    def known(self) -> Learned:
        return tank.learned(self.memory, LIMITS)

    @property
    def off(self) -> float:
        """Of the believed output from the true one."""
        return self.known.ratio / self.factor - 1.0


def taught(factor: float, seed: int = 0, refills: int = 5) -> Life:
    life = Life(factor, seed)
    for _ in range(refills):
        life.run(life.rng.uniform(5.0, 8.0)).refill()
    return life


# --- what teaches ---


@pytest.mark.parametrize("factor", FACTORS)
def test_five_refills_with_litres_teach_the_output_within_three_per_cent(factor: float) -> None:
    lives = [taught(factor, seed) for seed in range(60)]
    assert max(abs(life.off) for life in lives) <= 0.03
    assert all(life.known.counts == 5 for life in lives)
    honest = sum(abs(life.off) <= 2.0 * life.known.sd for life in lives)
    assert honest >= 57  # 95 % of 60
    assert max(life.known.sd for life in lives) <= 0.04  # and not so by saying nothing


@pytest.mark.parametrize("factor", FACTORS)
def test_its_deviation_is_honest_after_each_refill(factor: float) -> None:
    """As good a keeper as the reading of a top allows: 2 % of the tank, and 3 % of the litres."""
    inside = seen = 0
    for seed in range(40):
        life = Life(factor, seed)
        for _ in range(4):
            life.run(life.rng.uniform(5.0, 8.0))
            slack_l = life.rng.gauss(0.0, 0.02 * TANK_L)
            put_l, life.true_l = TANK_L + slack_l - life.true_l, TANK_L + slack_l
            life.note(min(put_l * life.rng.gauss(1.0, 0.03), TANK_L)).note(None)
            seen += 1
            inside += abs(life.off) <= 2.0 * life.known.sd
    assert inside >= 0.9 * seen


def test_to_the_top_alone_teaches_nothing_and_asks_for_the_litres() -> None:
    life = Life(1.3)
    for _ in range(5):
        life.run(6.0)
        life.true_l = TANK_L
        life.note(None)
    assert (life.known.ratio, life.known.counts) == (1.0, 0)
    assert life.words.endswith(
        "say how many litres it took (--litres, with --full), and the output is learned"
    )


def test_litres_alone_teach_nothing_and_ask_for_the_rest() -> None:
    life = Life(1.3).run(6.0).note(2.0)
    assert (life.known.ratio, life.known.counts) == (1.0, 0)
    assert "is it full now?" in life.words
    assert life.memory.since == Since(TANK_L, pytest.approx(6.0 * HOUR_S), 2.0)


def test_one_note_that_says_both_teaches_what_two_do() -> None:
    in_one, in_two = Life(1.3).run(6.0), Life(1.3).run(6.0)
    in_one.note(TANK_L - in_one.true_l, full=True)
    in_two.refill(error=0.0)
    assert in_one.known.counts == 1
    assert in_one.known.ratio == pytest.approx(in_two.known.ratio)
    assert in_one.memory.level_l == TANK_L
    assert in_one.memory.since.level_l == TANK_L
    assert "Its output is about" in in_one.words


def test_a_note_that_says_both_and_comes_late() -> None:
    life = Life(1.0).run(6.0)
    life.run(2.0).note(1.2)
    life.note(0.5, on_since_s=4.0 * HOUR_S, ago_s=4.0 * HOUR_S, full=True)
    assert life.memory.level_l == pytest.approx(3.6)  # full, less four hours of 0.4 L, and 1.2 more


def test_without_a_cut_out_a_full_tank_is_never_taken_to_last_longer_than_the_settings_say() -> None:
    """Nothing else keeps that humidifier from running dry; a forgotten note must not."""
    learned = Learned(PLATE, 0.6, 0.05, 3)
    with_one = TankLimits(tank_l=TANK_L, output_l_per_h=PLATE)
    without = TankLimits(tank_l=TANK_L, output_l_per_h=PLATE, dry_cutout=False)
    left = [
        tank.advance(TankMemory(level_l=TANK_L, learned=learned), HOUR_S, HOUR_S, limits).level_l
        for limits in (with_one, without)
    ]
    assert left == [pytest.approx(TANK_L - 0.6 * PLATE), pytest.approx(TANK_L - PLATE)]
    fast = tank.advance(
        TankMemory(level_l=TANK_L, learned=learned._replace(ratio=1.5)), HOUR_S, HOUR_S, without
    )
    assert fast.level_l == pytest.approx(TANK_L - 1.5 * PLATE)


def test_a_late_filling_told_again_is_one() -> None:
    life = Life(1.0).run(6.0)
    life.run(2.0).note(1.2)
    for _ in range(3):
        life.note(0.5, on_since_s=4.0 * HOUR_S, ago_s=4.0 * HOUR_S)
        assert life.memory.level_l == pytest.approx(2.5)
    assert "the same filling" in life.words


def test_litres_on_the_way_are_counted_with_those_that_reach_the_top() -> None:
    life = Life(1.3).run(3.0).note(1.0)
    life.true_l += 1.0
    life.run(4.0).refill(error=0.0)
    assert life.known.counts == 1
    assert abs(life.off) < 0.05


@pytest.mark.parametrize("notes", [(2.6, None), (None, 2.6), (2.0, None, 2.6), (2.6, 2.6, None, None)])
def test_both_notes_of_a_filling_teach_in_any_order_and_once(notes: tuple[float | None, ...]) -> None:
    life = Life(1.3).run(5.0)
    life.true_l = TANK_L
    for litres in notes:
        life.note(litres)
        life.t += 300.0
    assert life.known.counts == 1
    assert life.known.ratio == pytest.approx(tank_model_once(2.6, 5.0), rel=1e-9)
    assert life.memory.level_l == TANK_L
    assert "L an hour" in life.words


def tank_model_once(litres: float, hours: float) -> float:
    life = Life(1.0).idle_on(hours).note(litres).note(None)
    return life.known.ratio


def test_small_top_ups_are_counted_together() -> None:
    life = Life(1.3)
    for _ in range(6):
        life.run(1.0).refill(error=0.0)
        life.t += HOUR_S
    assert life.known.counts >= 1
    assert abs(life.off) < 0.06
    assert life.memory.level_l == TANK_L


@pytest.mark.parametrize("lag_h", [0.62, 0.72])  # until the missing rise is sure, in simulated rooms
@pytest.mark.parametrize("factor", [1.2, 1.4, 1.6])
def test_the_moment_of_running_dry_teaches(factor: float, lag_h: float) -> None:
    life = Life(factor).run(100.0).idle_on(lag_h)
    assert tank.empty(life.memory) is False  # by estimate there would be water
    life.memory = tank.seen_dry(life.memory, life.t, LIMITS)
    assert life.memory.level_l == 0.0
    assert life.known.counts == 1
    assert abs(life.off) <= 2.0 * life.known.sd < 0.25
    assert abs(life.off) < 0.1


def test_from_dry_to_the_top_on_known_litres() -> None:
    life = Life(1.3).run(100.0).idle_on(0.67)
    life.memory = tank.seen_dry(life.memory, life.t, LIMITS)
    life.true_l = 3.0
    life.note(3.0).run(5.0).refill(error=0.0)
    assert life.known.counts == 2
    assert abs(life.off) < 0.05


def test_scale_that_grows_for_months_is_followed() -> None:
    life = taught(1.0)
    for _ in range(100):
        life.factor *= 0.8 ** (1 / 100)
        life.run(7.0).refill()
        assert abs(life.off) < 0.05
    assert life.factor == pytest.approx(0.8)


# --- what must do no harm ---


@pytest.mark.parametrize("factor", FACTORS)
def test_a_forgotten_note_is_doubt_and_no_fact(factor: float) -> None:
    life = taught(factor)
    before = life.known
    life.run(7.0)
    life.true_l = TANK_L  # and nobody said so
    life.run(7.0).refill()
    assert life.known.ratio == before.ratio
    assert life.known.sd > before.sd
    assert "was a filling not noted" in life.words
    assert life.memory.level_l == TANK_L
    life.run(7.0).refill()
    assert abs(life.off) <= 0.03
    assert life.known.odd is None


@pytest.mark.parametrize("factor", FACTORS)
def test_a_forgotten_note_at_the_very_beginning_is_got_over(factor: float) -> None:
    life = Life(factor).run(6.0)
    life.true_l = TANK_L
    life.run(6.0).refill()
    for _ in range(5):
        life.run(6.0).refill()
    assert abs(life.off) <= 0.03


def test_a_note_told_twice_an_hour_apart_is_set_aside() -> None:
    life = taught(1.3)
    before = life.known
    life.run(6.0).refill(error=0.0)
    learned = life.known
    life.run(1.0).note(3.1)  # nothing like that can have gone in an hour
    assert life.known.ratio == learned.ratio
    assert "noted twice?" in life.words
    assert life.memory.since.level_l is None  # nothing is counted from a level that may be wrong
    life.note(None)
    life.true_l = TANK_L
    assert life.known.ratio == learned.ratio
    life.run(6.0).refill()
    assert abs(life.off) <= 0.03
    assert before.counts < life.known.counts


@pytest.mark.parametrize("litres", [0.25, 0.01, 4.0])
def test_litres_that_make_no_sense_teach_nothing(litres: float) -> None:
    life = taught(1.0)
    before = life.known
    life.run(6.0)
    life.true_l = TANK_L
    life.note(litres).note(None)
    assert life.known.ratio == before.ratio
    assert "do not fit" in life.words
    life.run(6.0).refill()
    assert abs(life.off) <= 0.03


def test_mist_that_fails_for_another_reason_teaches_nothing() -> None:
    life = taught(1.0).run(3.0)
    before = life.known
    life.memory = tank.seen_dry(life.memory, life.t, LIMITS)  # unplugged: the tank is three quarters full
    assert life.known.ratio == before.ratio
    assert life.memory.level_l == 0.0  # trial pulses look, as ever
    assert life.memory.since == Since()
    life.run(4.0).refill()  # it was plugged in again; no certain level before it
    assert life.known.ratio == before.ratio
    life.run(4.0).refill()
    assert abs(life.off) <= 0.03


def found_water(life: Life) -> Life:
    life.memory = tank.watch_trial(life.memory, life.memory.next_trial_t, True, 24.0, 50.0, LIMITS)
    life.memory = tank.watch_trial(life.memory, life.memory.next_trial_t, True, 24.0, 55.0, LIMITS)
    assert life.memory.level_l is None
    return life


def leaked() -> Life:
    """Four litres went in 7.7 h of running, by a leak that was mended: so it looks like 1.3 nameplates."""
    life = Life(1.3).run(100.0).idle_on(0.67)
    life.memory = tank.seen_dry(life.memory, life.t, LIMITS)
    assert life.known.ratio == pytest.approx(1.3, rel=0.1)
    life.factor, life.true_l = 1.0, TANK_L
    return life.note(None)


def test_what_a_leak_taught_is_taken_back_by_water_in_an_empty_tank() -> None:
    life = leaked().run(8.5)
    assert tank.empty(life.memory)
    assert found_water(life).known == Learned(PLATE)
    assert life.memory.since.level_l == TANK_L  # the hours since the top still count
    life.run(0.5).refill(error=0.0)
    assert abs(life.off) < 0.03


def test_what_litres_taught_is_not() -> None:
    life = taught(1.0)
    before = life.known
    life.idle_on(11.0)  # somebody filled it meanwhile, and told nobody
    assert tank.empty(life.memory)
    assert found_water(life).known == before


def test_water_in_a_tank_seen_dry_says_that_somebody_filled_it() -> None:
    life = Life(1.3).run(100.0).idle_on(0.67)
    life.memory = tank.seen_dry(life.memory, life.t, LIMITS)
    before = life.known
    assert found_water(life).known == before
    assert life.memory.since == Since()


def test_two_odd_dry_tanks_that_agree_are_believed_and_can_be_taken_back() -> None:
    life = taught(1.0)
    for _ in range(2):
        life.factor, life.true_l = 1.4, TANK_L
        life.note(None).run(100.0).idle_on(0.67)
        life.memory = tank.seen_dry(life.memory, life.t, LIMITS)
        life.t += HOUR_S
    assert life.known.ratio == pytest.approx(1.4, rel=0.1)
    life.true_l = TANK_L
    life.note(None).idle_on(12.0)
    assert found_water(life).known == Learned(PLATE)


def test_a_dial_that_was_turned_is_believed_the_second_time() -> None:
    life = taught(1.0)
    life.factor = 0.6
    life.run(8.0).refill()
    assert life.known.ratio == pytest.approx(1.0, abs=0.03)
    assert life.known.odd is not None
    life.run(8.0).refill()
    assert abs(life.off) < 0.05
    assert "A second filling says so" in life.words


def test_another_nameplate_begins_anew() -> None:
    life = taught(1.3)
    other = TankLimits(tank_l=TANK_L, output_l_per_h=0.5)
    assert tank.learned(life.memory, other) == Learned(0.5)
    assert tank.rate_l_per_h(life.memory, other) == 0.5
    assert tank.rate_l_per_h(life.memory, LIMITS) == pytest.approx(0.52, rel=0.03)


def test_a_filling_told_after_a_later_one_takes_back_what_that_one_taught() -> None:
    life = taught(1.0)
    before = life.known
    life.run(4.0)
    life.true_l = TANK_L
    at_t = life.t  # filled, and told only later
    life.run(5.0).refill(error=0.0)
    life.note(None, on_since_s=5.0 * HOUR_S, ago_s=life.t - at_t)
    assert life.known == before
    assert life.memory.level_l == TANK_L
    assert "a later filling was noted before" in life.words


@pytest.mark.parametrize(("late", "level_l"), [(None, 3.6), (0.5, 2.5)])
def test_a_late_note_before_one_by_litres(late: float | None, level_l: float) -> None:
    life = Life(1.0).run(6.0)  # 1.6 L left
    life.run(2.0).note(1.2)  # 0.8 and 1.2
    assert life.memory.level_l == pytest.approx(2.0)
    life.note(late, on_since_s=4.0 * HOUR_S, ago_s=4.0 * HOUR_S)
    assert life.memory.level_l == pytest.approx(level_l)  # full, less 1.6, and 1.2 more; or half a litre more
    assert life.memory.since.level_l is None


def test_a_late_note_of_a_level_that_is_not_known() -> None:
    life = Life(1.0)
    life.memory = life.memory._replace(level_l=None, fill_litres=1.0)
    life.note(0.5, on_since_s=0.0, ago_s=5 * HOUR_S)
    assert life.memory.level_l is None
    assert "is not known" in life.words


# --- whatever happens ---

ODD = st.sampled_from([nan, inf, -inf, 1e300, -1e300, -1.0, 0.0, 1e-300])
FIGURE = st.one_of(st.floats(0.0, 1e6), ODD)
COUNT = st.integers(-2, 9)
LITRES = st.one_of(st.none(), st.floats(1e-6, 4.2), st.sampled_from([1e-300, 4.2]))


@st.composite
def some_memory(draw: st.DrawFn) -> TankMemory:
    def since() -> Since:
        return Since(draw(st.one_of(st.none(), FIGURE)), draw(FIGURE), draw(FIGURE))

    def learned() -> Learned:
        plate = draw(st.sampled_from([PLATE, 0.5, nan]))
        return Learned(plate, draw(FIGURE), draw(FIGURE), draw(COUNT), draw(COUNT), draw(FIGURE))

    return TankMemory(
        draw(st.one_of(st.none(), st.floats(0.0, TANK_L))), draw(FIGURE), draw(st.one_of(st.none(), FIGURE)),
        draw(st.one_of(st.none(), FIGURE)), learned=learned(), since=since(), fill_since=since(),
        fill_learned=learned(), fill_full=draw(st.booleans()),
    )  # fmt: skip


@given(
    st.one_of(st.just(TankMemory()), some_memory()),
    st.lists(st.tuples(st.sampled_from("runrunfdt"), st.floats(0.0, 40 * HOUR_S), LITRES), max_size=25),
)
def test_the_output_stays_in_bounds_and_the_level_in_the_tank(
    memory: TankMemory, events: list[tuple[str, float, float | None]]
) -> None:
    t = 1e6
    for what, seconds, litres in events:
        if what in "run":
            t += seconds
            memory = tank.advance(memory, t, seconds, LIMITS)
        elif what == "f":
            at_t = filling.filled_at(memory, t - min(seconds, DAY_S))
            memory = filling.filled(memory, t, litres, at_t, min(seconds, t - at_t, DAY_S), LIMITS).memory
        elif what == "d":
            memory = tank.seen_dry(memory, t, LIMITS)
        else:
            memory = tank.watch_trial(memory, t, True, 24.0, 20.0 + seconds / HOUR_S, LIMITS)
        known = tank.learned(memory, LIMITS)
        assert tank_model.LEAST <= known.ratio <= tank_model.MOST
        assert 0.0 < known.sd <= tank_model.PRIOR_SD
        assert tank_model.LEAST * PLATE <= tank.rate_l_per_h(memory, LIMITS) <= tank_model.MOST * PLATE
        assert memory.level_l is None or 0.0 <= memory.level_l <= TANK_L
        assert 0.0 <= tank.doubt_l(memory, LIMITS) <= TANK_L


# --- through the whole core ---


def running(**tank_groups: Any) -> Rig:
    rules = quick(
        tank={"tank_l": TANK_L, "output_l_per_h": PLATE} | tank_groups,
        runtime={"cap_hours_in_any_24": 24}, target={"band_low_rh_pct": 45}, keeper={"cleaning_days": 0},
    )  # fmt: skip
    rig = Rig(rules)
    rig.lift_rh_pct = 2.0
    rig.run(30)
    rig.ask("refilled")
    return rig


def pass_h(rig: Rig, hours: float, rh_pct: float = 50.0) -> None:
    """This room's air is no air, so that what mist does to it is unlearned every half hour."""
    while hours > 1e-9:
        rig.run(min(hours, 0.5) * HOUR_S, rh_pct, tick_s=60.0)
        rig.controller._state = rig.state._replace(effect=EffectMemory())
        hours -= 0.5


def learned_rig(factor: float) -> Rig:
    rig = running()
    for _ in range(3):
        pass_h(rig, 5.0)
        pass_h(rig, 3.0, 75.0)
        rig.ask("refilled", litres=5.0 * PLATE * factor, full=True)
    return rig


@pytest.mark.parametrize("factor", [0.7, 1.3])
def test_the_level_the_warning_and_the_end_go_by_the_learned_output(factor: float) -> None:
    rig = learned_rig(factor)
    water = rig.step().water
    assert water is not None
    assert water.rate_l_per_h == pytest.approx(factor * PLATE, rel=0.03)
    assert water.counts == 3
    while not (decision := rig.step()).notices:
        pass_h(rig, 0.1)
        pass_h(rig, 0.05, 75.0)
    assert [notice.code for notice in decision.notices] == ["tank_low"]
    assert decision.tank_l == pytest.approx(2.0 * factor * PLATE, rel=0.06)  # two hours of mist
    left_s = rig.until(lambda decision: decision.tank_l == 0.0, most_s=3 * HOUR_S, tick_s=60.0)
    assert left_s == pytest.approx(2.0 * HOUR_S, abs=900.0)  # by the learned output, not by the plate's


def test_a_trial_that_finds_water_keeps_what_was_learned_and_the_hours_since_the_top() -> None:
    rig = running()
    rig.until(off, most_s=11 * HOUR_S, tick_s=60.0)  # empty by estimate: the true output is a third smaller
    rig.until(lambda decision: decision.relay_on, most_s=2 * HOUR_S)
    rig.run(60)
    assert rig.run(60, 52.5)[-1].tank_l is None
    ran_h = rig.state.tank.since.on_s / HOUR_S
    assert ran_h > 10.0
    rig.ask("refilled", litres=0.7 * PLATE * ran_h)
    decision = rig.ask("refilled")
    assert decision.tank_l == pytest.approx(TANK_L, abs=0.01)
    assert decision.water is not None
    assert decision.water.rate_l_per_h == pytest.approx(0.7 * PLATE, rel=0.05)


def test_what_was_learned_outlives_a_restart() -> None:
    rig = learned_rig(1.3)
    assert through_json(rig.state).tank == rig.state.tank
    water = rig.restarted(HOUR_S).step().water
    assert water is not None
    assert water.rate_l_per_h == pytest.approx(1.3 * PLATE, rel=0.03)


def test_the_answer_says_when_to_refill_once_a_day_is_on_record() -> None:
    rig = running()
    assert "empty at about" not in rig.ask("refilled").answers[0].words
    for _ in range(26):  # twenty minutes of every hour
        pass_h(rig, 1 / 3)
        pass_h(rig, 2 / 3, 75.0)
    words = rig.ask("refilled", 75.0, litres=1.0).answers[0].words
    assert "empty at about tomorrow" in words
    assert " (between " in words
    cut = rig.restarted(6 * HOUR_S)  # a power cut: the last day is not on record
    cut.run(60, 75.0)
    assert "empty at about" not in cut.ask("refilled", 75.0).answers[0].words


def test_a_notice_says_when_it_is_empty() -> None:
    rig = running(tank_l=6.0)
    for _ in range(50):
        pass_h(rig, 1 / 3)
        pass_h(rig, 2 / 3, 75.0)
        decision = rig.step(75.0)
        if decision.notices:
            break
    (notice,) = decision.notices
    # two hours of mist, at twenty minutes an hour
    hours = int(notice.detail[-5:-3]) + int(notice.detail[-2:]) / 60 - notice.since.hour
    assert hours % 24.0 == pytest.approx(6.0, abs=1.0)
