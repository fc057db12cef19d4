"""What a rehearsal found, as text, JSON and rows.

In:    a Summary, the settings, the weather, the witness's trace.
Out:   words a keeper understands; the same figures as JSON; CSV.
Never: judges beyond the figures.
"""

from __future__ import annotations

import csv
import io
from collections.abc import Iterable
from pathlib import Path
from typing import Any

from controller.core.keeper import duration_words
from controller.core.words import reason_name
from controller.files import write_whole
from controller.rehearsal import Hours, Summary, Witness
from controller.settings import Settings
from controller.simulator.weather import Weather
from controller.verdict import judge


def as_text(summary: Summary, settings: Settings, weather: Weather, took_s: float) -> str:
    target = settings.target
    lines = [
        f"Rehearsed {summary.days:.3g} day{'' if summary.days == 1 else 's'} from "
        f"{settings.bench.starts:%Y-%m-%d} in {took_s:.1f} s: "
        f"{settings.demand.method}, weather {weather.name}.",
        "A simulated room: it shows what these settings do, not what your room does.",
        *_repeated(summary, weather),
        "",
        f"Hours with the room's true air against the band {target.band_low_rh_pct:g} to "
        f"{target.band_high_rh_pct:g} %RH",
        f"{'':<8}{'below':>9}{'in':>9}{'above':>9}",
        _hours("day", summary.day),
        _hours("night", summary.night),
        *_enclosures(summary),
        "",
        _row("Lowest / mean / highest", f"{summary.lowest_rh_pct:.1f} / {summary.mean_rh_pct:.1f} / "
             f"{summary.highest_rh_pct:.1f} %RH; above the ceiling {summary.above_ceiling_h:.1f} h"),
        _row("Near the target", _near(summary)),
        _row("Humidifier", f"{summary.run_h_per_day:.1f} h and "
             f"{summary.switchings_per_day / 2:.0f} runs a day"),
        _row("Water", f"{summary.litres_per_day:.1f} L a day, {_counted(summary.fillings, 'filling')} in all"
             + _dry(summary, settings)),
        _row("Heating", f"{summary.heat_kwh_per_day:.1f} kWh a day, the cooling by mist included; "
             f"room {summary.coldest_c:.1f} to {summary.warmest_c:.1f} °C"),
        *([_row("Coldest surface", f"{summary.wall_wet_kg:.1f} L of water ran down it")]
          if summary.wall_wet_kg >= 0.05 else []),
        "",
        *_refusals(summary),
        *(["", "Learned of the room by the end", *(f"  {line}" for line in summary.learned)]
          if summary.learned else []),
    ]  # fmt: skip
    return "\n".join(lines)


def _repeated(summary: Summary, weather: Weather) -> Iterable[str]:
    if summary.days * 24 > weather.hours + 2:
        yield f"The weather lasts {weather.hours} h and was repeated."


def _counted(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _hours(name: str, hours: Hours) -> str:
    return f"{name:<8}{hours.below:>7.1f} h{hours.within:>7.1f} h{hours.above:>7.1f} h"


def _enclosures(summary: Summary) -> Iterable[str]:
    if summary.enclosures is not None:
        yield _hours("inside", summary.enclosures) + (
            f"   in the enclosures, {summary.enclosures_mean_rh_pct:.1f} %RH in the mean"
        )


def _row(name: str, words: str) -> str:
    return f"{name:<24}{words}"


def _dry(summary: Summary, settings: Settings) -> str:
    if summary.dry_h < 0.05:
        return ""
    stopped = settings.bench.humidifier.dry_cutout
    return f"; ran dry {summary.dry_h:.1f} h" + ("" if stopped else " with no cut-out to stop it")


def _near(summary: Summary) -> str:
    if summary.controllable_h < 1.0:
        return "no hour in which the humidifier could bring it there"
    share = 100.0 * summary.near_target_h / summary.controllable_h
    return f"within 3 %RH in {share:.1f} % of the {summary.controllable_h:.0f} h in which it could be"


def _refusals(summary: Summary) -> Iterable[str]:
    refused = sorted(
        ((hours, code) for code, hours in summary.refused_h.items() if hours >= 0.005), reverse=True
    )
    if not refused:
        return ["No guard refused mist that was wanted."]
    return [
        "Mist was wanted but refused (hours; several reasons may hold at once)",
        *(f"  {reason_name(code):<22}{hours:>7.2f} h" for hours, code in refused),
    ]


def verdict_words(summary: Summary, settings: Settings) -> str:
    """The last line of a rehearsal; before it, what a scenario expected if that is something else."""
    verdict = judge(summary).text
    expected = getattr(settings, "expect", "")
    other = f"Expected: {expected}\n" if expected not in ("", verdict) else ""
    dry_h = summary.dry_because_h.get("climb", 0.0)
    began = ""
    if dry_h > 0.0 and "dry:climb" not in judge(summary).codes:
        took = duration_words(dry_h * 3600.0)
        began = f"It began dry: the mist took {took} to bring it into the band, which counts as no trouble.\n"
    return f"\n{other}{began}Verdict: {verdict}"


def as_json(summary: Summary, settings: Settings, weather: Weather) -> dict[str, Any]:
    plain, verdict = summary._asdict(), judge(summary)
    plain["day"], plain["night"] = summary.day._asdict(), summary.night._asdict()
    plain["enclosures"] = None if summary.enclosures is None else summary.enclosures._asdict()
    return {
        "simulated": True,
        "weather": weather.name,
        "weather_invented": weather.invented,
        "method": settings.demand.method,
        "seed": settings.bench.seed,
        "tick_s": settings.loop.tick_s,
        **plain,
        "verdict": verdict.text,
        "verdict_codes": sorted(verdict.codes),
    }


def write_rows(path: Path, witness: Witness) -> None:
    """One row a minute; an empty field is a figure nobody had."""
    trace = witness.trace
    assert trace is not None
    text = io.StringIO()
    writer = csv.writer(text, lineterminator="\n")
    writer.writerow(trace._fields)
    for row in zip(*trace, strict=True):
        writer.writerow("" if value != value else f"{value:.4f}".rstrip("0").rstrip(".") for value in row)
    write_whole(path, text.getvalue(), durable=False)
