"""FINDINGS: what a rehearsal of the answers shows, and which answer would help.

In:    a rehearsal's summary and a sizing, the settings, the sizing's own verdict.
Out:   lines for the keeper.
Never: judges otherwise than ``verdict`` and ``sizing`` do.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from controller.first_setup.questions import NUMBERS
from controller.rehearsal import Summary
from controller.settings import Settings
from controller.simulator.sizing import Sizing
from controller.verdict import judge

HELPS = {
    "dry:cap": "more hours (answer {most_hours}), lower targets ({day_target}, {night_target}), "
    "or a humidifier that gives more ({tank_lasts})",
    "dry:small": "a humidifier that gives more (answer {tank_lasts}), a room that leaks less ({building}), "
    "or lower targets ({day_target}, {night_target})",
    "dry:tank": "looking at the tank more often (answer {visits}), or a bigger one ({tank})",
    "dry:cold": "a warmer room (answers {day_warmth}, {night_warmth})",
    "dry:climb": "patience: a dry room takes long to get damp, and a short rehearsal is mostly that",
    "wet:weather": "only drying: a humidifier cannot",
    "wet:misread": "a lower setting at the humidifier (answer {tank_lasts}): it gives more at once than a "
    "probe sees in time",
    "wet:overshoot": "a lower setting at the humidifier (answer {tank_lasts}), or lower targets "
    "({day_target}, {night_target})",
}
"""By the verdict's codes."""


def rehearsed(summary: Summary, settings: Settings) -> Iterator[str]:
    """What the stretch was like."""
    target, cap_h = settings.target, settings.runtime.cap_hours_in_any_24
    within, hours = summary.day.within + summary.night.within, summary.days * 24.0
    days = f"{summary.days:g} day{'' if summary.days == 1 else 's'}"
    yield (
        f"Rehearsed: {days} from {settings.bench.starts:%Y-%m-%d} in a simulated room. It shows what these "
        "answers do, not what your room does."
    )
    yield (
        f"  Air         {100.0 * within / hours:.0f} % of the time within {target.band_low_rh_pct:g} to "
        f"{target.band_high_rh_pct:g} %RH; lowest {summary.lowest_rh_pct:.0f}, highest "
        f"{summary.highest_rh_pct:.0f} %RH"
    )
    yield (
        f"  Humidifier  runs {summary.run_h_per_day:.1f} h a day, of {cap_h:g} in any 24; switched on "
        f"{summary.switchings_per_day / 2:.0f} times a day"
    )
    dry = f"; dry for {summary.dry_h:.1f} h in all" if summary.dry_h >= 0.05 else ""
    yield (
        f"  Water       {summary.litres_per_day:.1f} L a day: a full tank is used up in "
        f"{_lasts(summary, settings)}{dry}"
    )
    yield f"  Verdict     {judge(summary).text}"


def _lasts(summary: Summary, settings: Settings) -> str:
    if summary.litres_per_day < 0.05:
        return "weeks"
    hours = 24.0 * settings.tank.tank_l / summary.litres_per_day
    return f"{hours:.0f} h" if hours < 72.0 else f"{hours / 24.0:.0f} days"


def sized(sizing: Sizing, words: Sequence[str]) -> Iterator[str]:
    """A whole year, worked out. ``words``: a sentence on the humidifier, others after it."""
    yield f"  A year      Worked out hour by hour, for leaks half and twice as large, too. {words[0]}"
    for more in words[1:]:
        yield f"  {'Walls' if 'wall' in more else '':<10}  {more}"
    if sizing.frsi_assumed and "bears" not in words[-1]:
        yield f"{'':<14}By fRsi {sizing.frsi:g}, the least for a new wall. Look for damp behind furniture."


def advice(summary: Summary | None, sizing: Sizing) -> Iterator[str]:
    """Plainly, whether it holds; where not, what would help."""
    codes = sorted(judge(summary).codes) if summary is not None else []
    troubles = [code for code in codes if code.startswith(("dry:", "wet:"))]
    too_small = sizing.as_set.verdict == "too_small"
    if not troubles and not too_small:
        return
    when = "" if troubles else "OVER A YEAR "
    yield ""
    yield f"{when}THE TARGETS ARE NOT HELD with these answers."
    by_cap = sizing.as_set.not_held_h > sizing.as_set.too_weak_h
    endless = sizing.as_set.design_day.run_h > 24.0
    for code in troubles or ["dry:cap" if by_cap else "dry:small"]:
        if code == "dry:cap" and endless:
            code = "dry:small"  # no day has so many hours
        if code in HELPS:
            yield f"  What helps: {HELPS[code].format(**NUMBERS)}."
