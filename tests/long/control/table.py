"""What was lived, as tables: each room and way, and the means over rooms beside the plans.

In:    scores by room and way; the days.
Out:   lines of Markdown.
Never: drops a room without saying so.
"""

from __future__ import annotations

from collections.abc import Mapping
from math import exp, log
from typing import NamedTuple

from tests.long.control.live import SETTLING_DAYS, Scores
from tests.long.control.rooms import ROOMS
from tests.long.control.ways import PLAN_ERROR, PLAN_HOURS, Lived

PLAIN = "deadband 3"
PLAIN_WAYS = ("timer", "deadband 3", "deadband 5", "simple-pid")
WORSE = 1.02
"""Than the best plain way, of each room: so much more is too much."""
Results = Mapping[str, Mapping[str, Lived]]
DECIDED_SHARE = 1e-3
LEAST_H = 1.0
HOW = f"""Means are geometric, over rooms, of a way's figure over that of the plan with the same aim (hours
out of the band: `{PLAN_HOURS}`; RMS: `{PLAN_ERROR}`). Below 1 the way did better than the plan, which is a
heuristic with a real relay and not the optimum. Switchings are set beside both. Hours below {LEAST_H:g} count
as {LEAST_H:g}. A room in which the plans and every way but the timer are out of the band for less than
{100 * DECIDED_SHARE:g} % of the time says nothing about hours and is left out of their mean, but for the
timer's. RMS is against the setpoint with its ramp; everything is by the true air, not by the probe."""


def pages(results: Results, days: float) -> list[str]:
    lines = [HOW, ""]
    for title, tuned in (("Rooms never tuned on", False), ("Rooms tuned on", True)):
        half = {room: ways for room, ways in results.items() if ROOMS[room].tuned_on == tuned}
        if half:
            lines += [f"## {title}", "", *_means(half, days), "", *_aims(half, days), ""]
            lines += [*_remainder(half, days), ""]
    for room, ways in results.items():
        lines += [f"## {room}", "", f"{ROOMS[room].about}.", "", *_room(ways), ""]
    return lines[:-1]


def _room(ways: Mapping[str, Lived]) -> list[str]:
    lines = [
        "| way | below h | above h | RMS %RH | peak %RH | switchings a day | litres | dry h | past cap s "
        "| over ceiling h |",
        "|---|---|---|---|---|---|---|---|---|---|",
    ]
    for way, lived in ways.items():
        s = lived.scores
        lines.append(
            f"| {way} | {s.below_h:.1f} | {s.above_h:.1f} | {s.rms_rh_pct:.2f} | {s.peak_rh_pct:.1f} | "
            f"{s.switchings_a_day:.0f} | {s.litres:.0f} | {s.dry_h:.1f} | {s.over_cap_s:.0f} | "
            f"{s.over_ceiling_h:.1f} |"
        )
    remarks = [f"{way}: {lived.remark}." for way, lived in ways.items() if lived.remark]
    return [*lines, "", *remarks] if remarks else lines


def decided(ways: Mapping[str, Lived], days: float) -> bool:
    """Whether hours out of the band differ at all in this room. The timer is out of every band."""
    least_h = DECIDED_SHARE * max(days - SETTLING_DAYS, 0.0) * 24.0
    return any(lived.scores.out_h >= least_h for way, lived in ways.items() if way != "timer")


def ratios(ways: Mapping[str, Lived], way: str) -> tuple[float, float, float, float]:
    """Hours, RMS, switchings over those of the plan of hours, and over those of the plan of error."""
    mine, hours, error = (ways[name].scores for name in (way, PLAN_HOURS, PLAN_ERROR))

    def switchings(plan: Scores) -> float:
        return max(mine.switchings_a_day, 0.1) / max(plan.switchings_a_day, 0.1)

    return (
        max(mine.out_h, LEAST_H) / max(hours.out_h, LEAST_H),
        mine.rms_rh_pct / error.rms_rh_pct,
        switchings(hours),
        switchings(error),
    )


def mean(values: list[float]) -> float | None:
    return exp(sum(log(value) for value in values) / len(values)) if values else None


def _means(half: Results, days: float) -> list[str]:
    for_hours = [room for room, ways in half.items() if decided(ways, days)]
    lines = [
        "| way | hours out / plan | RMS / plan | switchings / plan of hours | switchings / plan of error |",
        "|---|---|---|---|---|",
    ]
    for way in next(iter(half.values())):
        of = {room: ratios(ways, way) for room, ways in half.items()}
        hours = [of[room][0] for room in (half if way == "timer" else for_hours)]
        columns = [hours, *([row[place] for row in of.values()] for place in (1, 2, 3))]
        said = ("-" if (value := mean(column)) is None else f"{value:.2f}" for column in columns)
        lines.append(f"| {way} | {' | '.join(said)} |")
    left_out = [room for room in half if room not in for_hours]
    lines += ["", f"Hours over {len(for_hours)} of {len(half)} rooms"
              + (f"; not decided by control: {', '.join(left_out)}." if left_out else ".")]  # fmt: skip
    return lines


class Aimed(NamedTuple):
    """What one way is for: a figure of the scores, and what it and the switchings may be of the plan's."""

    way: str
    what: str
    place: int  # in ``ratios``
    most: float
    switchings_place: int
    most_switchings: float

    def figure(self, scores: Scores) -> float:
        return max(scores.out_h, LEAST_H) if self.place == 0 else scores.rms_rh_pct


AIMED = (
    Aimed("keep-hours", "hours out", 0, 1.30, 2, 0.75),
    Aimed("keep-error", "RMS", 1, 1.30, 3, 2.00),
)


def _aims(half: Results, days: float) -> list[str]:
    """How the two ways of foresight stand beside what was wanted of them."""
    lines = ["| aim | wanted | found |", "|---|---|---|"]
    for aimed in AIMED:
        rooms = {room: ways for room, ways in half.items() if aimed.way in ways and PLAIN in ways}
        if not rooms:
            return []
        of_it = {room: ways for room, ways in rooms.items() if aimed.place or decided(ways, days)}
        for what, place, most, over in (
            (aimed.what, aimed.place, aimed.most, of_it),
            ("switchings", aimed.switchings_place, aimed.most_switchings, rooms),
        ):
            found = mean([ratios(ways, aimed.way)[place] for ways in over.values()])
            said = "-" if found is None else f"{found:.2f}"
            lines.append(f"| {aimed.way}: {what} / plan | at most {most:.2f} | {said} |")
        worse, above, past_s = [], [], 0.0
        for room, ways in rooms.items():
            mine, plain = ways[aimed.way].scores, [ways[way].scores for way in PLAIN_WAYS if way in ways]
            figure, best = aimed.figure(mine), min(map(aimed.figure, plain))
            if figure > WORSE * best:
                worse.append(f"{room} ({figure:.2f}, {best:.2f})")
            least_h = min(scores.over_ceiling_h for scores in plain)
            if mine.over_ceiling_h > least_h + 0.05:
                above.append(f"{room} ({mine.over_ceiling_h:.1f} h, {least_h:.1f})")
            past_s = max(past_s, mine.over_cap_s)
        for what, wanted, found_words in (
            (
                f"{aimed.what} worse than the best plain way by 2 %",
                "in no room",
                ", ".join(worse) or "in none",
            ),
            ("past the cap", "0 s", f"{past_s:.0f} s"),
            ("longer above the ceiling than the best plain way", "in no room", ", ".join(above) or "in none"),
        ):
            lines.append(f"| {aimed.way}: {what} | {wanted} | {found_words} |")
    return lines


def _remainder(half: Results, days: float) -> list[str]:
    """Of what the hours of keep-hours beside the plan's consist, room by room."""
    way = AIMED[0].way
    rooms = {room: ways for room, ways in half.items() if way in ways and decided(ways, days)}
    if not rooms:
        return []
    lines = [
        f"What {way} leaves beside the plan of hours: each room's factor; their geometric mean is above.",
        "", "| room | below h: plan | " + way + " | above h: plan | " + way + " | factor |",
        "|---|---|---|---|---|---|",
    ]  # fmt: skip
    for room, ways in rooms.items():
        plan, mine = ways[PLAN_HOURS].scores, ways[way].scores
        lines.append(
            f"| {room} | {plan.below_h:.1f} | {mine.below_h:.1f} | {plan.above_h:.1f} | {mine.above_h:.1f} | "
            f"{ratios(ways, way)[0]:.2f} |"
        )
    return lines


def parts(results: Results, days: float) -> list[str]:
    """Each part of foresight alone, beside the plain deadband of the same rooms."""
    if not results:
        return []
    lines = [
        "", "## Each part alone", "",
        f"{days:g} days from January on, over the figures of `{PLAIN}`, which has none of them. Means are "
        f"geometric, over the rooms {', '.join(results)}. Hours below {LEAST_H:g} count as {LEAST_H:g}.",
        "", "| way | hours out | RMS | switchings |", "|---|---|---|---|",
    ]  # fmt: skip
    for way in next(iter(results.values())):
        pairs = [(ways[way].scores, ways[PLAIN].scores) for ways in results.values()]
        shares = (
            mean([max(mine.out_h, LEAST_H) / max(plain.out_h, LEAST_H) for mine, plain in pairs]),
            mean([mine.rms_rh_pct / plain.rms_rh_pct for mine, plain in pairs]),
            mean([mine.switchings_a_day / max(plain.switchings_a_day, 0.1) for mine, plain in pairs]),
        )
        lines.append(f"| {way} | {' | '.join(f'{share:.2f}' for share in shares)} |")
    return lines
