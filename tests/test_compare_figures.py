"""Table, sentence and JSON of a comparison from figures set by hand; what the pictures share."""

from __future__ import annotations

import math
from datetime import datetime
from typing import Any

import pytest

from controller import picture_parts as parts
from controller.compare_text import ABOUT_CONTROL, COLUMN, NAME, WIDTH, as_json, as_text, reading, table
from controller.comparison import WAYS, Compared, hours_words
from controller.rehearsal import Hours, Summary
from controller.settings import Settings
from controller.simulator.weather import Outdoor, Weather
from controller.wiring import make_rehearsal

WEATHER = Weather.from_hourly([Outdoor(0.0, 0.003, 101325.0)] * 24, name="a still day", invented=True)

PLAIN = Summary(
    days=14.0, day=Hours(1.25, 180.0, 7.75), night=Hours(2.0, 140.0, 5.0),
    lowest_rh_pct=38.04, highest_rh_pct=81.26, mean_rh_pct=66.0, above_ceiling_h=3.5, controllable_h=300.0,
    near_target_h=290.0, rms_from_target_rh_pct=4.44, run_h_per_day=10.55, switchings_per_day=7.0,
    litres_per_day=4.21, fillings=27, dry_h=0.75, refused_h={}, heat_kwh_per_day=30.0,
)  # fmt: skip


def compared(*summaries: Summary) -> list[Compared]:
    found = summaries if len(summaries) == 4 else summaries * 4
    settings = Settings()
    return [Compared(way, settings, one, None) for way, one in zip(WAYS, found, strict=True)]


def spent(within_h: float, above_ceiling_h: float = 0.0) -> Summary:
    """A hundred hours, of which so many in the band."""
    return PLAIN._replace(
        day=Hours(0.0, within_h, 0.0),
        night=Hours(100.0 - within_h, 0.0, 0.0),
        above_ceiling_h=above_ceiling_h,
    )


def test_every_figure_is_in_its_row_and_under_its_way() -> None:
    rows = table(compared(*(PLAIN._replace(fillings=number) for number in (11, 22, 33, 44))))
    assert rows[0].split() == ["no", "control", "timer", "hysteresis", "pid"]
    told = {row[:NAME].strip(): row[NAME:].split() for row in rows[1:]}
    assert told["Day: hours below the band"] == ["1.2"] * 4
    assert told["hours in the band"] == ["140.0"] * 4  # of the night: the name stands twice
    assert told["Night: hours below the band"] == ["2.0"] * 4
    assert told["RMS distance from the target, %RH"] == ["4.4"] * 4
    assert told["Lowest / highest, %RH"] == ["38.0", "/", "81.3"] * 4
    assert told["Hours above the ceiling"] == ["3.5"] * 4
    assert told["Humidifier on, hours a day"] == ["10.6"] * 4
    assert told["Runs a day"] == ["3.5"] * 4  # a run is two switchings
    assert told["Water, litres a day"] == ["4.2"] * 4
    assert told["Fillings in all"] == ["11", "22", "33", "44"]
    assert told["Hours on over a dry tank"] == ["0.8"] * 4
    assert [row[NAME:].split()[0] for row in rows if "hours" in row and "band" in row] == [
        *("1.2", "180.0", "7.8"),
        *("2.0", "140.0", "5.0"),
    ]


def test_no_line_is_wider_than_the_page_with_the_widest_figures() -> None:
    years = PLAIN._replace(
        days=3700.0, day=Hours(44400.0, 44400.0, 44400.0), night=Hours(44400.0, 44400.0, 44400.0),
        lowest_rh_pct=100.0, highest_rh_pct=100.0, above_ceiling_h=88800.0, rms_from_target_rh_pct=100.0,
        run_h_per_day=24.0, switchings_per_day=43200.0, litres_per_day=1200.0, fillings=88800, dry_h=88800.0,
    )  # fmt: skip
    assert NAME + 4 * COLUMN <= WIDTH == 96
    found = compared(years)
    assert max(map(len, as_text(found, WEATHER, 1234.5).splitlines())) <= 96
    for row in table(found)[1:]:
        assert row[NAME - 1] == " "  # no figure runs into its name
        assert all(row[NAME + COLUMN * column] == " " for column in range(4))


def test_the_text_says_that_it_is_simulated_and_what_the_timer_does() -> None:
    text = " ".join(as_text(compared(PLAIN), WEATHER, 1.0).split())
    assert "A simulated room" in text
    assert "01:00 to 02:00, 03:00 to 04:00" in text
    assert "common practice, no source" in text
    assert "band 60 to 78 %RH" in text
    assert "a still day" in text


READINGS = [
    (
        (spent(0), spent(67.9, 74.2), spent(99.7), spent(99.1)),
        "Time in band: hysteresis and pid 99 %; timer 67 %, 74 h above the ceiling; no control 0 %.",
    ),
    (
        (spent(12), spent(34), spent(56), spent(78)),
        "Time in band: pid 78 %; hysteresis 56 %; timer 34 %; no control 12 %.",
    ),
    ((spent(100),) * 4, "Time in band: no control, timer, hysteresis and pid 100 %."),
    (
        (spent(90), spent(0, 100), spent(90, 0.25), spent(90)),
        "Time in band: no control, hysteresis and pid 90 %, hysteresis 0.2 h above the ceiling; "
        "timer 0 %, 100 h above the ceiling.",
    ),
    ((spent(50, 0.04),) * 4, "Time in band: no control, timer, hysteresis and pid 50 %."),
]


@pytest.mark.parametrize(("summaries", "told"), READINGS)
def test_the_reading(summaries: tuple[Summary, ...], told: str) -> None:
    found = compared(*summaries)
    assert reading(found) == told
    assert " ".join(told.split()) in " ".join(as_text(found, WEATHER, 1.0).split())


@pytest.mark.parametrize(
    ("within_h", "told"), [(0, 0), (0.9, 0), (29, 29), (58, 58), (99.99, 99), (100, 100)]
)
def test_a_share_is_cut_so_that_a_hundred_means_all_of_it(within_h: float, told: int) -> None:
    assert compared(spent(within_h))[0].in_band_pct == told


def test_a_rehearsal_without_a_whole_minute_was_never_in_the_band() -> None:
    assert compared(PLAIN._replace(day=Hours(0, 0, 0), night=Hours(0, 0, 0)))[0].in_band_pct == 0


def test_hours_in_words() -> None:
    assert [hours_words(hours) for hours in (0.0, 0.04, 9.94, 10.0, 74.4)] == [
        *("0.0 h", "0.0 h", "9.9 h", "10 h", "74 h")
    ]


def test_the_json_holds_every_figure_and_says_what_ran() -> None:
    plain = as_json(compared(PLAIN), WEATHER)
    assert plain["simulated"] is True
    assert list(plain["ways"]) == ["no_control", "timer", "hysteresis", "pid"]
    for key, way in plain["ways"].items():
        assert way["method"] == key
        assert set(Summary._fields) - set(way) <= ABOUT_CONTROL
        assert {"day", "night", "rms_from_target_rh_pct", "litres_per_day", "dry_h"} <= set(way)
    controlled, free = set(plain["ways"]["pid"]), set(plain["ways"]["timer"])
    assert set(Summary._fields) <= controlled
    assert "verdict" not in free  # nobody controlled, so no cause is blamed
    assert free == set(plain["ways"]["no_control"]) == controlled - ABOUT_CONTROL
    assert plain["ways"]["pid"]["rms_from_target_rh_pct"] == 4.44


def test_the_distance_from_the_target_is_the_root_of_the_mean_square() -> None:
    settings = Settings(bench={"days": 0.5}, loop={"tick_s": 60.0})
    rehearsal = make_rehearsal(settings, True)
    rehearsal.run()
    trace = rehearsal.witness.trace
    assert trace is not None
    off = [(rh - want) ** 2 for rh, want in zip(trace.true_rh_pct, trace.target_rh_pct, strict=True)]
    told = rehearsal.witness.summary().rms_from_target_rh_pct
    assert told == pytest.approx(math.sqrt(math.fsum(off) / len(off)), rel=1e-9)
    assert told > 1.0  # it begins far from it


# What the pictures share


def test_blocks() -> None:
    assert parts.blocks([1, 2, 3, 4, 5, 6, 7], 3) == [[1, 2, 3], [4, 5, 6]]
    assert parts.blocks([1, 2], 3) == [[1, 2]]


class Paper:
    """An axis that only notes what is shaded."""

    def __init__(self) -> None:
        self.spans: list[tuple[str, str]] = []

    def axvspan(self, begin: datetime, end: datetime, **look: Any) -> None:
        self.spans.append((f"{begin:%d %H:%M}", f"{end:%d %H:%M}"))


def shaded(starts: datetime, days: float, **groups: Any) -> list[tuple[str, str]]:
    settings = Settings(bench={"starts": starts, "days": days}, **groups)
    paper = Paper()
    hours = [minute / 60.0 for minute in range(int(days * 1440) + 1)]
    parts.nights([paper], parts.times_of(hours, settings), settings)
    return paper.spans


def test_nights_are_shaded_from_evening_to_morning_and_no_further_than_the_axis() -> None:
    assert shaded(datetime(2026, 1, 12), 2) == [  # noqa: DTZ001
        ("12 00:00", "12 07:30"),
        ("12 21:00", "13 07:30"),
        ("13 21:00", "14 00:00"),
    ]
    night_worker = {"target": {"day_starts": "20:00", "night_starts": "06:00"}}
    assert shaded(datetime(2026, 1, 12), 1, **night_worker) == [("12 06:00", "12 20:00")]  # noqa: DTZ001


def test_after_the_clocks_have_changed_nights_stay_where_the_room_had_them() -> None:
    """In Oslo 29 March 2026 has 23 hours: half past seven is six and a half hours after midnight."""
    spans = shaded(datetime(2026, 3, 29), 1, room={"timezone": "Europe/Oslo"})  # noqa: DTZ001
    assert spans == [("29 00:00", "29 06:30"), ("29 20:00", "30 00:00")]


def test_nights_of_half_a_year_are_left_out() -> None:
    assert shaded(datetime(2026, 1, 12), 180) == []  # noqa: DTZ001
