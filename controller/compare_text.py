"""What a comparison found, as one table, one sentence and JSON.

In:    what each way gave, the weather.
Out:   text no wider than 96 columns; the same figures as JSON.
Never: judges beyond the figures.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from textwrap import fill
from typing import Any

from controller.bench_text import as_json as one_as_json
from controller.comparison import Compared, hours_words
from controller.rehearsal import Summary
from controller.simulator.weather import Weather

WIDTH = 96
NAME, COLUMN = 40, 14

ROWS: tuple[tuple[str, Callable[[Summary], str]], ...] = (
    ("Day: hours below the band", lambda s: f"{s.day.below:.1f}"),
    ("     hours in the band", lambda s: f"{s.day.within:.1f}"),
    ("     hours above the band", lambda s: f"{s.day.above:.1f}"),
    ("Night: hours below the band", lambda s: f"{s.night.below:.1f}"),
    ("       hours in the band", lambda s: f"{s.night.within:.1f}"),
    ("       hours above the band", lambda s: f"{s.night.above:.1f}"),
    ("RMS distance from the target, %RH", lambda s: f"{s.rms_from_target_rh_pct:.1f}"),
    ("Lowest / highest, %RH", lambda s: f"{s.lowest_rh_pct:.1f} / {s.highest_rh_pct:.1f}"),
    ("Hours above the ceiling", lambda s: f"{s.above_ceiling_h:.1f}"),
    ("Humidifier on, hours a day", lambda s: f"{s.run_h_per_day:.1f}"),
    ("Runs a day", lambda s: f"{s.switchings_per_day / 2:.1f}"),
    ("Water, litres a day", lambda s: f"{s.litres_per_day:.1f}"),
    ("Fillings in all", lambda s: f"{s.fillings}"),
    ("Hours on over a dry tank", lambda s: f"{s.dry_h:.1f}"),
)

ABOUT_CONTROL = {"verdict", "verdict_codes", "dry_because_h", "wet_because_h"}
"""What is found by asking why control failed means nothing where there is none."""


def as_text(found: Sequence[Compared], weather: Weather, took_s: float) -> str:
    settings = found[0].settings
    target, days = settings.target, settings.bench.days
    return "\n".join(
        [
            _wrapped(
                f"Compared over {days:g} days from {settings.bench.starts:%Y-%m-%d} in {took_s:.1f} s: the "
                f"same room, seed {settings.bench.seed} and weather each time, {weather.name}."
            ),
            "A simulated room: it shows what these settings do, not what your room does.",
            "",
            _wrapped(
                f"The room's true air; band {target.band_low_rh_pct:g} to {target.band_high_rh_pct:g} %RH, "
                f"target {target.day_rh_pct:g} by day and {target.night_rh_pct:g} by night, "
                f"ceiling {settings.ceiling.highest_rh_pct:g}"
            ),
            *table(found),
            "",
            _wrapped(reading(found)),
            "",
            *(_wrapped(f"{one.way.name}: {one.way.about}", "  ") for one in found),
            _wrapped(
                "The timer's hours are common practice, no source. No guard stands behind the first two: "
                "they know neither probe nor tank nor ceiling."
            ),
        ]
    )


def table(found: Sequence[Compared]) -> list[str]:
    head = f"{'':<{NAME}}" + "".join(f"{one.way.name:>{COLUMN}}" for one in found)
    return [
        head,
        *(
            f"{name:<{NAME}}" + "".join(f"{say(one.summary):>{COLUMN}}" for one in found)
            for name, say in ROWS
        ),
    ]


def reading(found: Sequence[Compared]) -> str:
    """The table in one line, best first."""
    names_at: dict[int, list[str]] = {}
    for one in found:
        names_at.setdefault(one.in_band_pct, []).append(one.way.name)
    above_h = {one.way.name: one.summary.above_ceiling_h for one in found}
    told = []
    for share, names in sorted(names_at.items(), reverse=True):
        wet = [f"{name} {hours_words(above_h[name])}" for name in names if above_h[name] >= 0.05]
        if wet and len(names) == 1:
            wet = [hours_words(above_h[names[0]])]
        told.append(f"{_listed(names)} {share} %" + (f", {_listed(wet)} above the ceiling" if wet else ""))
    return f"Time in band: {'; '.join(told)}."


def _listed(names: Sequence[str]) -> str:
    return " and ".join([", ".join(names[:-1]), names[-1]] if len(names) > 1 else names)


def _wrapped(words: str, indent: str = "") -> str:
    return fill(words, WIDTH, subsequent_indent=indent, break_long_words=False, break_on_hyphens=False)


def as_json(found: Sequence[Compared], weather: Weather) -> dict[str, Any]:
    """Each way holds what ``bench --json`` gives; ``method`` of the first two says what ran instead."""
    return {
        "simulated": True,
        "reading": reading(found),
        "ways": {one.way.key: _one_as_json(one, weather) for one in found},
    }


def _one_as_json(one: Compared, weather: Weather) -> dict[str, Any]:
    plain = one_as_json(one.summary, one.settings, weather)
    if one.way.rule is not None:
        plain = {key: value for key, value in plain.items() if key not in ABOUT_CONTROL}
    return {**plain, "method": one.way.key}
