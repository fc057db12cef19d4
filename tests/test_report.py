import csv
import json
import random
from collections import Counter
from collections.abc import Iterator
from datetime import UTC, date, datetime, timedelta, timezone
from io import StringIO
from typing import Any, NamedTuple
from zoneinfo import ZoneInfo

import pytest

from controller.history import SqliteHistory
from controller.ports import Sample
from controller.reporting.days_text import as_text
from controller.reporting.figures import DayFigures, by_month, totals
from controller.reporting.plain import as_csv, days_json
from tests.reported import day_figures

BERLIN = ZoneInfo("Europe/Berlin")
MIDNIGHT_S = datetime(2026, 5, 28, tzinfo=UTC).timestamp()
BASE = Sample(MIDNIGHT_S, True, 60.0, 24.0, 61.0, 24.2, None, None, 60.0, True, 0.0, None, None, "enough")


class Switched(NamedTuple):
    at_s: float
    on: bool


class Noted(NamedTuple):
    at_s: float
    happened_at_s: float | None = None
    kind: str = "refilled"
    done: bool = True


def minute(n: int, **changes: Any) -> Sample:
    """The minute that ends n minutes after midnight."""
    return BASE._replace(at_s=MIDNIGHT_S + 60.0 * n)._replace(**changes)


def figures(samples: Any, switchings: Any = (), notes: Any = (), **more: Any) -> list[DayFigures]:
    wanted = {"band_low_rh_pct": 55.0, "band_high_rh_pct": 65.0, "tz": UTC, **more}
    return day_figures(samples, switchings, notes, **wanted)


def test_one_day_counted_by_hand() -> None:
    """Six minutes each of: too dry by day, on the band's edges, too humid, unknown, and two by night."""
    rows = [
        *(minute(n, rh_pct=50.0, on_s=60.0, reason="") for n in range(1, 7)),
        *(minute(n, rh_pct=55.0, on_s=30.0, reason="shortest_off") for n in range(7, 10)),
        *(minute(n, rh_pct=65.0) for n in range(10, 13)),
        *(minute(n, rh_pct=70.0) for n in range(13, 19)),
        *(minute(n, rh_pct=None, reason="untrusted", clock_trusted=False) for n in range(19, 25)),
        *(minute(n, rh_pct=54.9, is_day=False) for n in range(25, 31)),
        *(minute(n, rh_pct=65.1, is_day=False) for n in range(31, 37)),
        *(minute(n, rh_pct=60.0, is_day=False) for n in range(37, 43)),
    ]
    switchings = [Switched(MIDNIGHT_S + s, s % 120 == 0) for s in range(0, 600, 60)]
    notes = [Noted(MIDNIGHT_S + 5), Noted(MIDNIGHT_S + 6, done=False), Noted(MIDNIGHT_S + 7, kind="pause")]
    (day,) = figures(iter(rows), iter(switchings), iter(notes), output_l_per_h=0.4)
    expected: dict[str, Any] = dict(
        date=date(2026, 5, 28),
        minutes=42,
        clock_doubtful_minutes=6,
        band_low_rh_pct=55.0,
        band_high_rh_pct=65.0,
        day_below_h=pytest.approx(0.1),
        day_in_h=pytest.approx(0.1),
        day_above_h=pytest.approx(0.1),
        night_below_h=pytest.approx(0.1),
        night_in_h=pytest.approx(0.1),
        night_above_h=pytest.approx(0.1),
        unknown_h=pytest.approx(0.1),
        lowest_rh_pct=50.0,
        # six minutes each of 50, 60 (in the mean), 70, 54.9, 65.1 and 60 %: 360 / 6
        mean_rh_pct=pytest.approx(60.0),
        highest_rh_pct=70.0,
        run_h=pytest.approx(7.5 / 60),
        switchings=5,
        used_l=pytest.approx(0.05),
        refills=1,
        reasons_h=(
            ("enough", pytest.approx(27 / 60)),
            ("untrusted", pytest.approx(0.1)),
            ("shortest_off", pytest.approx(0.05)),
        ),
    )
    assert {name: value for name, value in day._asdict().items() if name in expected} == expected
    assert set(day._asdict()) - set(expected) == {"day_air", "night_air"}
    assert day.longest_reason[0] == "enough"
    assert day.longest_reason[1] == pytest.approx(0.45)


def test_the_last_minute_of_a_day_ends_at_midnight() -> None:
    days = figures([minute(0), minute(1), minute(1440), minute(1441)])
    assert [(day.date.day, day.minutes) for day in days] == [(27, 1), (28, 2), (29, 1)]


# Directive 2000/84/EC, articles 2 and 3: summer time runs from 01:00 UTC on the last Sunday of March to 01:00
# UTC on the last Sunday of October, so that those local days last 23 and 25 hours.
@pytest.mark.parametrize(
    ("first", "hours"),
    [
        (datetime(2026, 3, 27, 23, tzinfo=UTC), [24, 23, 24]),
        (datetime(2026, 10, 23, 22, tzinfo=UTC), [24, 25, 24]),
    ],
)
def test_days_on_which_the_clocks_change(first: datetime, hours: list[int]) -> None:
    rows = [BASE._replace(at_s=first.timestamp() + 60 * n) for n in range(1, 60 * sum(hours) + 1)]
    switchings = [Switched(row.at_s - 60, True) for row in rows]
    days = figures(rows, switchings, tz=BERLIN)
    start = (first + timedelta(hours=2)).date()
    assert [day.date for day in days] == [start + timedelta(days=n) for n in range(3)]
    assert [day.minutes for day in days] == [60 * h for h in hours]
    assert [day.day_in_h for day in days] == hours
    assert [day.switchings for day in days] == [60 * h for h in hours]


@pytest.mark.parametrize(
    ("zone", "instant", "day"),
    [
        # tz database: midnight of 2026-04-24 does not exist in Cairo, that of 2026-09-06 neither in Santiago.
        ("Africa/Cairo", datetime(2026, 4, 23, 22, 0, tzinfo=UTC), date(2026, 4, 24)),
        ("Africa/Cairo", datetime(2026, 4, 23, 21, 59, tzinfo=UTC), date(2026, 4, 23)),
        ("America/Santiago", datetime(2026, 9, 6, 4, 0, tzinfo=UTC), date(2026, 9, 6)),
        ("America/Santiago", datetime(2026, 9, 6, 3, 59, tzinfo=UTC), date(2026, 9, 5)),
    ],
)
def test_midnights_that_do_not_exist(zone: str, instant: datetime, day: date) -> None:
    tz = ZoneInfo(zone)
    assert instant.astimezone(tz).date() == day
    begun_before = instant.timestamp() - 7200
    got = figures([], [Switched(begun_before, True), Switched(instant.timestamp(), True)], tz=tz)
    by_date = Counter(datetime.fromtimestamp(s, tz).date() for s in (begun_before, instant.timestamp()))
    assert {d.date: d.switchings for d in got} == by_date


def test_a_clock_that_steps_back_adds_to_the_day_it_says() -> None:
    days = figures([minute(n) for n in (10, 11, 2000, 12, 13, 2001)])
    assert [(day.date.day, day.minutes) for day in days] == [(28, 4), (29, 2)]


def test_a_refill_counts_on_the_day_it_happened() -> None:
    days = figures([], [], [Noted(MIDNIGHT_S + 3600, MIDNIGHT_S - 3600), Noted(MIDNIGHT_S + 3600)])
    assert [(day.date.day, day.refills, day.minutes) for day in days] == [(27, 1, 0), (28, 1, 0)]


def test_water_is_what_the_tank_fell_by_where_no_output_is_given() -> None:
    left_l = [5.0, 4.9, None, 4.7, 6.0, 5.75]  # refilled between the fourth and the fifth
    rows = [minute(1438 + n, tank_l=tank_l) for n, tank_l in enumerate(left_l)]
    first, second = figures(rows)
    assert first.used_l == pytest.approx(0.1)  # minutes 1438, 1439 and 1440
    assert second.used_l == pytest.approx(0.2 + 0.25)  # the fall over midnight counts where it is seen
    (unknown,) = figures([minute(1)])
    assert unknown.used_l is None


def test_figures_are_what_plain_sql_says() -> None:
    rng = random.Random(20260528)
    history = SqliteHistory.in_memory()
    for n in range(1, 3001):
        history.sample(
            minute(
                n,
                rh_pct=None if rng.random() < 0.05 else rng.uniform(45, 75),
                is_day=rng.random() < 0.5,
                on_s=rng.choice([0.0, 17.0, 60.0]),
                reason=rng.choice(["", "enough", "ceiling", "shortest_off"]),
                clock_trusted=rng.random() < 0.9,
            )
        )
    reader = history.reader()
    days = figures(reader.minutes(), output_l_per_h=0.3)
    query = """SELECT date(at_s - 60, 'unixepoch'), count(*), sum(NOT clock_trusted),
      sum(is_day AND rh_pct < 55) / 60.0, sum(is_day AND rh_pct BETWEEN 55 AND 65) / 60.0,
      sum(is_day AND rh_pct > 65) / 60.0, sum(NOT is_day AND rh_pct < 55) / 60.0,
      sum(NOT is_day AND rh_pct BETWEEN 55 AND 65) / 60.0, sum(NOT is_day AND rh_pct > 65) / 60.0,
      sum(rh_pct IS NULL) / 60.0, min(rh_pct), avg(rh_pct), max(rh_pct),
      sum(on_s) / 3600, sum(on_s) / 3600 * 0.3, sum(reason = 'ceiling') / 60.0
      FROM sample GROUP BY 1 ORDER BY 1"""
    assert history._db is not None
    plain = history._db.execute(query).fetchall()
    ours = [
        (str(d.date), *d[1:3], *d[5:12], *d[12:15], d.run_h, d.used_l, dict(d.reasons_h)["ceiling"])
        for d in days
    ]
    assert len(plain) == len(ours) == 3
    for sql_row, our_row in zip(plain, ours, strict=True):
        assert our_row[0] == sql_row[0]
        assert our_row[1:] == pytest.approx(sql_row[1:], rel=1e-9)
    seconds = reader.reason_seconds()
    assert dict(totals(days).reasons_h) == pytest.approx({code: s / 3600 for code, s in seconds.items()})
    (mean,) = history._db.execute("SELECT avg(rh_pct) FROM sample").fetchone()
    assert totals(days).mean_rh_pct == pytest.approx(mean, rel=1e-9)


# ASHRAE Handbook Fundamentals 2017, chapter 1, equation 6, by psychrolib 2.5.0: at 24 °C and 60 %RH the
# vapour pressure is 1791.1 Pa and the dew point 15.763 °C, at 20 °C and 50 %RH 1169.4 Pa and 9.272 °C;
# saturated: 2985.13 and 2338.80 Pa.
def test_the_air_by_day_and_by_night() -> None:
    rows = [
        *(minute(n, rh_pct=60.0, temp_c=24.0) for n in range(1, 31)),
        *(minute(n, rh_pct=50.0, temp_c=20.0, is_day=False) for n in range(31, 91)),
        minute(91, rh_pct=60.0, temp_c=None),
        minute(92, rh_pct=None),
        minute(93, rh_pct=60.0, temp_c=99.0),  # no room's: not reckoned with
    ]
    (day,) = figures(rows)
    assert day.day_air is not None
    assert day.night_air is not None
    assert (day.day_air.hours, day.night_air.hours) == (0.5, 1.0)
    assert day.day_air[1:] == pytest.approx((60.0, 24.0, 1.7911, 2.98513 - 1.7911), rel=1e-4)
    assert day.night_air[1:] == pytest.approx((50.0, 20.0, 1.1694, 2.33880 - 1.1694), rel=1e-4)
    assert day.day_air.dew_c == pytest.approx(15.763, abs=0.01)
    assert day.night_air.dew_c == pytest.approx(9.272, abs=0.01)
    (item,) = days_json([day])
    assert item["night_dew_c"] == day.night_air.dew_c
    assert item["day_vpd_kpa"] == day.day_air.vpd_kpa
    (nothing,) = figures([minute(1, temp_c=None)])
    assert (nothing.day_air, nothing.night_air) == (None, None)
    assert days_json([nothing])[0]["day_dew_c"] is None


def test_days_together_have_the_means_of_all_their_minutes() -> None:
    rows = [minute(n, rh_pct=60.0, temp_c=24.0) for n in range(1, 1441)]
    rows += [minute(n, rh_pct=50.0, temp_c=20.0) for n in range(1441, 1441 + 480)]
    both = totals(figures(rows)).day_air
    assert both is not None
    assert both.hours == pytest.approx(32.0)
    assert (both.rh_pct, both.temp_c) == pytest.approx((57.5, 23.0))
    assert both.vapour_kpa == pytest.approx((3 * 1.7911 + 1.1694) / 4, rel=1e-4)


def test_months() -> None:
    rows = [minute(1440 * n + 60, rh_pct=50.0 + n) for n in range(10)]  # from 28 May to 6 June
    may, june = by_month(figures(rows))
    assert (may.date, june.date) == (date(2026, 5, 1), date(2026, 6, 1))
    assert (may.minutes, june.minutes) == (4, 6)
    assert (may.mean_rh_pct, june.mean_rh_pct) == pytest.approx((51.5, 56.5))
    assert as_text([may, june], monthly=True).splitlines()[6].startswith("2026-05 ")
    assert by_month([]) == []


def test_totals() -> None:
    rows = [minute(n, rh_pct=50.0, on_s=60.0) for n in range(1, 1441)]
    rows += [minute(n, rh_pct=62.0, reason="ceiling") for n in range(1441, 1561)]
    notes = [Noted(MIDNIGHT_S), Noted(MIDNIGHT_S + 86400)]
    total = totals(figures(rows, [], notes, output_l_per_h=0.5))
    assert (total.minutes, total.refills, total.run_h, total.used_l) == (1560, 2, 24.0, 12.0)
    assert (total.lowest_rh_pct, total.highest_rh_pct) == (50.0, 62.0)
    assert total.mean_rh_pct == pytest.approx((50 * 1440 + 62 * 120) / 1560)
    assert total.reasons_h == (("enough", 24.0), ("ceiling", 2.0))
    nothing_known = totals(figures([minute(1, rh_pct=None)]))
    assert nothing_known[12:15] == (None, None, None)
    assert nothing_known.used_l is None
    with pytest.raises(ValueError, match="no day"):
        totals([])


def busy_year() -> list[DayFigures]:
    rows = (
        minute(n, on_s=60.0, rh_pct=100.0, reason="a_reason_with_a_long_name", tank_l=0.0)
        for n in range(1, 1441)
    )
    (day,) = figures(rows, [], [Noted(MIDNIGHT_S)] * 3)
    day = day._replace(switchings=144, used_l=12.0, clock_doubtful_minutes=1)
    return [day._replace(date=day.date + timedelta(days=n)) for n in range(366)]


def test_the_table_fits_100_columns_even_for_a_busy_year() -> None:
    lines = as_text(busy_year()).splitlines()
    assert max(map(len, lines)) <= 100
    assert len([line for line in lines if line[:4] in ("2026", "2027")]) == 366
    assert lines[-1].startswith("* ")


def test_no_reason_is_cut_off() -> None:
    days = [day._replace(reasons_h=(("shortest_off", 14.2),)) for day in busy_year()[:3]]
    text = as_text(days)
    assert max(map(len, text.splitlines())) <= 100
    assert " ".join(text.split()).count("rest between runs") == 4  # three days and all


def test_the_table_says_the_figures() -> None:
    rows = [minute(n, rh_pct=50.4, on_s=6.0, tank_l=5.0 - n / 1000) for n in range(1, 1441)]
    rows += [minute(n, rh_pct=None, reason="untrusted") for n in range(1441, 1501)]
    text = as_text(figures(rows, [Switched(MIDNIGHT_S, True)], [Noted(MIDNIGHT_S)]))
    head, days = text.split("\n\n")
    assert "55 to 65 % RH" in head
    lines = days.splitlines()
    assert lines[1].split() == (
        "date h low in high low in high RH min mean max h on l fill h, reason".split()  # noqa: SIM905
    )
    none = ["0.0", "0.0", "0.0"]
    assert lines[3].split() == [
        *("2026-05-28", "24.0", "24.0", "0.0", "0.0", *none, "0.0", "50", "50", "50", "2.4", "1", "1.4", "1"),
        *("24.0", "humid", "enough"),
    ]
    assert lines[4].split() == [
        *(
            "2026-05-29",
            "1.0",
            *none,
            *none,
            "1.0",
            "-",
            "-",
            "-",
            "0.0",
            "0",
            "-",
            "0",
            "1.0",
            "probe",
            "doubted",
        ),
    ]
    assert lines[6].split()[:4] == ["all", "25.0", "24.0", "0.0"]
    assert "*" not in text


def test_no_minute_recorded() -> None:
    assert as_text([]) == "No minute is recorded in that time.\n"
    assert days_json([]) == []
    assert len(as_csv([]).splitlines()) == 1


def test_csv_and_json_carry_the_same_unrounded_figures() -> None:
    rows = [minute(n, rh_pct=50 + n / 7 if n < 100 else None) for n in range(1, 1500)]
    days = figures(rows, output_l_per_h=1 / 3)
    from_csv = list(csv.DictReader(StringIO(as_csv(days))))
    from_json = json.loads(json.dumps(days_json(days)))
    assert len(from_csv) == len(from_json) == 2
    for day, row, item in zip(days, from_csv, from_json, strict=True):
        assert item["date"] == row["date"] == day.date.isoformat()
        assert item["mean_rh_pct"] == day.mean_rh_pct
        assert row["mean_rh_pct"] == ("" if day.mean_rh_pct is None else repr(day.mean_rh_pct))
        assert float(row["used_l"]) == item["used_l"] == day.used_l
        assert item["reasons_h"] == dict(day.reasons_h)
        assert (row["longest_reason"], float(row["longest_reason_h"])) == day.longest_reason
        assert set(item) - {"reasons_h"} == set(row) - {"longest_reason", "longest_reason_h"}


def test_samples_are_taken_one_at_a_time() -> None:
    """A year is never held: each row is asked for once, and let go before the next."""
    alive = 0
    most = 0

    class Watched(tuple):  # type: ignore[type-arg]
        def __del__(self) -> None:
            nonlocal alive
            alive -= 1

    def stream() -> Iterator[Any]:
        nonlocal alive, most
        for n in range(1, 2000):
            alive += 1
            most = max(most, alive)
            row = Sample(*minute(n))
            yield type("Row", (Watched,), {name: value for name, value in row._asdict().items()})()

    figures(stream())
    assert most <= 3


def test_a_zone_with_a_fixed_offset_and_days_far_apart() -> None:
    tz = timezone(timedelta(hours=-11))
    days = figures([minute(1), minute(60 * 24 * 400)], tz=tz)
    assert [day.date for day in days] == [date(2026, 5, 27), date(2027, 7, 1)]
