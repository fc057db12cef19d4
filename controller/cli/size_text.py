"""What a sizing found, as text and JSON.

In:    a Sizing, the settings, the weather.
Out:   some 30 lines of at most 96 columns that a keeper understands; the same figures as JSON.
Never: judges beyond the figures.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable, Iterable, Sequence
from typing import Any

from controller.settings import Settings
from controller.simulator.sizing import Day, Load, Month, Sizing
from controller.simulator.weather import Weather

WIDTH = 96
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
STEADY = (
    "Each hour taken as steady, without people, plants or dishes. What walls and substrate take up and "
    "give back shifts hours, not the year's sum."
)


def as_text(sizing: Sizing, settings: Settings, weather: Weather) -> str:
    cap_h = settings.runtime.cap_hours_in_any_24
    takes = f"{sizing.mist_w:.0f} W while it runs" if sizing.mist_w else "no heat (mist_cools = false)"
    name = textwrap.shorten(weather.name, 60, placeholder=" ...")
    lines = [
        f"Sizing of {settings.bench.room.volume_m3:g} m³ for {_span(sizing, weather)}: {name}.",
        f"At hand: {sizing.output_l_per_h:.3g} L/h, a tank of {settings.tank.tank_l:g} L, "
        f"{cap_h:g} h in any 24. Its mist takes {takes}.",
        "",
        *_loads(sizing, cap_h),
        f"Without any humidifier: {sizing.unaided_above_target_h} h at the target or above, "
        f"{sizing.unaided_above_ceiling_h} h above the ceiling of {settings.ceiling.highest_rh_pct:g} %RH.",
        "",
        *_walls(sizing),
        "",
        " ".join(verdict(sizing, settings)),
        STEADY,
    ]
    return "\n".join(part for line in lines for part in _wrapped(line))


def _wrapped(line: str) -> list[str]:
    return textwrap.wrap(line, WIDTH) if len(line) > WIDTH else [line]


def _span(sizing: Sizing, weather: Weather) -> str:
    if weather.start is None:
        return "a day" if sizing.days == 1 else f"{sizing.days} days"
    return "a year" if 364 <= sizing.days <= 367 else f"{sizing.days} days (no year)"


def _loads(sizing: Sizing, cap_h: float) -> Iterable[str]:
    loads = (sizing.tight, sizing.as_set, sizing.leaky)

    def row(name: str, of: Callable[[Load], str]) -> str:
        return f"{name:<30}" + "".join(f"{of(load):>22}" for load in loads)

    def days(name: str, of: Callable[[Day], float], places: int) -> str:
        return row(
            name,
            lambda load: _three((of(load.design_day), of(load.worst_day), of(load.mean_day)), places),
        )

    names = ("tight", "as set", "leaky")
    yield f"{'Air changes an hour':<30}" + "".join(
        f"{f'{name} {load.air_changes_per_h:g}':>22}" for name, load in zip(names, loads, strict=True)
    )
    yield f"{'design: 99 % need no more':<30}" + f"{'design / worst / mean':>22}" * 3
    yield row("Output needed, L/h", lambda a: _three((a.design_l_per_h, a.worst_l_per_h, a.mean_l_per_h), 2))
    yield days("Water, L a day", lambda day: day.litres, 1)
    yield days("Runs, h a day", lambda day: day.run_h, 1)
    yield days("Tank fillings a day", lambda day: day.tank_fills, 1)
    yield days("Heat the mist takes, kWh a day", lambda day: day.mist_kwh, 1)
    yield row("Water in all, L", lambda a: f"{a.total_l:.0f}")
    yield row("Hours the output is too little", lambda a: f"{a.too_weak_h} of {24 * sizing.days}")
    yield row("Hours the cap is used up", lambda a: f"{a.capped_h} of {24 * sizing.days}")
    yield row(f"Days that need over {cap_h:g} h", lambda a: f"{a.days_over_cap} of {sizing.days}")


def _three(values: Sequence[float], places: int) -> str:
    return " / ".join(f"{value:.{places if value < 100 else 0}f}" for value in values)


def _walls(sizing: Sizing) -> Iterable[str]:
    source = "not set, so DIN 4108-2's least" if sizing.frsi_assumed else "as set"
    yield (
        f"Coldest wall (ISO 13788): fRsi {sizing.frsi:g}, {source}; "
        f"{sizing.surface_rh_pct:g} %RH on it; ! = too little"
    )

    def row(name: str, of: Callable[[Month], str]) -> str:
        return f"{name:<24}" + "".join(f"{of(month):>6}" for month in sizing.months)

    if sizing.months[0].month is not None:
        yield row("", _name)
    yield row("outdoors, °C", lambda m: f"{m.outdoor_c:.1f}")
    yield row("the target, %RH", lambda m: f"{m.target_rh_pct:.0f}")
    yield row("the wall allows, %RH", lambda m: f"{m.wall.highest_rh_pct:.0f}{'!' * m.wall.says_no}")
    yield row("the wall is wet at, %RH", lambda m: f"{m.wall.condensing_rh_pct:.0f}")
    yield (
        f"On the coldest day, {sizing.coldest_day_c:.1f} °C in the mean, it is wet at "
        f"{sizing.coldest_day_condensing_rh_pct:.0f} %RH."
    )


def _name(month: Month) -> str:
    return "" if month.month is None else MONTHS[month.month - 1]


def verdict(sizing: Sizing, settings: Settings) -> list[str]:
    """A sentence on the humidifier, one on the wall, and one between where the air itself is too humid."""
    said = [_humidifier_words(sizing, settings.runtime.cap_hours_in_any_24), _wall_words(sizing)]
    if sizing.unaided_above_ceiling_h > 0.01 * 24 * sizing.days:
        said.insert(1, "Above the ceiling only drying helps.")
    return said


def _humidifier_words(sizing: Sizing, cap_h: float) -> str:
    if sizing.leaky.total_l == 0.0:
        return "It holds without any humidifier."
    if sizing.leaky.verdict == "holds":
        return "It holds, also if leaky."
    words = _judged(sizing.as_set, sizing, cap_h)
    if sizing.as_set.verdict != "holds":
        words += f"; if tight {_judged(sizing.tight, sizing, cap_h)}"
    return f"{words[0].upper()}{words[1:]}; if leaky {_judged(sizing.leaky, sizing, cap_h)}."


def _judged(load: Load, sizing: Sizing, cap_h: float) -> str:
    if load.verdict == "holds":
        return "it holds"
    if load.verdict == "holds_except":
        return f"it holds except {load.not_held_h} of {24 * sizing.days} hours"
    by_cap = load.short_by > 1.001 * load.design_l_per_h / sizing.output_l_per_h  # a tie is the output's
    under = f" under the cap of {cap_h:g} h" if by_cap else ""
    return f"it is too small by a factor of {load.short_by:.2f}{under}"


def _wall_words(sizing: Sizing) -> str:
    refusing = [month for month in sizing.months if month.wall.says_no]
    if not refusing:
        return "The coldest wall bears the target."
    worst = min(refusing, key=lambda month: month.wall.highest_rh_pct)
    needed = [month.wall.frsi_needed for month in refusing]
    known = [frsi for frsi in needed if frsi is not None]
    bears = (
        f"a wall of fRsi {max(known):.2f} would bear it"
        if len(known) == len(needed)
        else "no wall would bear it"
    )
    when = ", ".join(_name(month) for month in refusing)
    if worst.month is None:
        return f"The coldest wall says no: it allows {worst.wall.highest_rh_pct:.0f} %RH; {bears}."
    if len(refusing) == len(sizing.months) == 12:
        when = "every month"
    return (
        f"The coldest wall says no in {when}: it allows {worst.wall.highest_rh_pct:.0f} %RH "
        f"in {_name(worst)}; {bears}."
    )


def as_json(sizing: Sizing, settings: Settings, weather: Weather) -> dict[str, Any]:
    loads = {"tight": sizing.tight, "as_set": sizing.as_set, "leaky": sizing.leaky}
    plain: dict[str, Any] = sizing._asdict()
    plain |= {name: _load_json(load) for name, load in loads.items()}
    plain["months"] = [{**month._asdict(), "wall": month.wall._asdict()} for month in sizing.months]
    return {
        "weather": weather.name,
        "weather_invented": weather.invented,
        "volume_m3": settings.bench.room.volume_m3,
        "tank_l": settings.tank.tank_l,
        "cap_hours_in_any_24": settings.runtime.cap_hours_in_any_24,
        **plain,
        "verdict": verdict(sizing, settings),
    }


def _load_json(load: Load) -> dict[str, Any]:
    days = ("design_day", "worst_day", "mean_day")
    return {**load._asdict(), **{day: getattr(load, day)._asdict() for day in days}}
