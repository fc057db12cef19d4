"""SHEDS: a fortnight worked out by hand, what differs, and when it is too few to tell."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from itertools import permutations
from typing import Any

import pytest

from controller import sheds, sheds_text
from controller.history.read import Note
from controller.ports import Sample
from controller.sheds import DAYS, FEWEST, MINUTES, MOST, WINDOW_S, Fortnight, Shed
from controller.tally import row_of

END_S = datetime(2026, 1, 14, 12, tzinfo=UTC).timestamp()
DAY_S = 86400.0
BASE = Sample(0.0, True, 65.0, 25.0, 65.0, 25.0, None, None, 65.0, True, 0.0, None, None, "enough")


def minute(n: int, **changes: Any) -> Sample:
    """The n-th of the 20160 minutes, from 1; twelve hours of day, then twelve of night."""
    row = BASE._replace(at_s=END_S - WINDOW_S + 60.0 * n, is_day=(n - 1) % 1440 < 720)
    return row._replace(**changes)


def known_air() -> Iterator[Sample]:
    """65 % but for 2 h at 50 and half an hour at 55 by day, 5 h at 90 by night; an hour without water."""
    for n in range(1, MINUTES + 1):
        changes: dict[str, Any] = {}
        if n <= 120:
            changes["rh_pct"] = 50.0
        elif 720 < n <= 1020:
            changes["rh_pct"] = 90.0
        elif 1440 < n <= 1470:
            changes["rh_pct"] = 55.0
        if 2000 < n <= 2060:
            changes["reason"] = "tank"
        elif n > MINUTES - 120:
            changes["reason"] = ""
        yield minute(n, **changes)


def reckoned(rows: Any) -> Fortnight:
    return sheds.fortnight([[row_of(row) for row in rows]], END_S, 60.0, 78.0)


def test_a_fortnight_counted_by_hand() -> None:
    own = reckoned(known_air())
    assert own.enough
    assert (own.known, own.doubtful) == (1.0, 0.0)
    # 14 days of 12 h by day are 168 h, as many by night
    hours = own.day_below_h, own.day_in_h, own.day_above_h
    assert hours == pytest.approx((2.5, 165.5, 0.0))
    assert (own.night_below_h, own.night_in_h, own.night_above_h) == pytest.approx((0.0, 163.0, 5.0))
    # (120 * 50 + 30 * 55 + 300 * 90 + 19710 * 65) / 20160
    assert own.mean_rh_pct == pytest.approx(1_315_800 / 20160)
    assert own.lowest_rh_pct == 50.0
    assert own.dry_spell_h == pytest.approx(2.0)
    assert own.mean_temp_c == pytest.approx(25.0)
    # Water's saturation pressure at 25 °C is 3.169 kPa (steam tables, from memory); 100 - 65.268 % of it
    assert own.mean_vpd_kpa == pytest.approx(3.169 * (1 - 1_315_800 / 20160 / 100), rel=1e-3)
    assert [code for code, _ in own.off_h] == ["enough", "tank"]
    assert dict(own.off_h) == pytest.approx({"enough": 333.0, "tank": 1.0})


def test_the_limits_of_the_band_are_in_it() -> None:
    rows = [minute(n, rh_pct=60.0 if n % 2 else 78.0) for n in range(1, MINUTES + 1)]
    own = reckoned(rows)
    assert own.day_in_h + own.night_in_h == pytest.approx(336.0)


def test_missing_minutes_are_stood_for_by_the_known_ones() -> None:
    """Every twentieth minute is gone: all of an even air, 95 % known, the hours still those of 336."""
    own = reckoned(minute(n, rh_pct=50.0) for n in range(1, MINUTES + 1) if n % 20)
    assert own.known == pytest.approx(0.95)
    assert own.enough
    assert own.day_below_h + own.night_below_h == pytest.approx(336.0)
    # 19 minutes on end between two holes
    assert own.dry_spell_h == pytest.approx(19 / 60)
    assert dict(own.off_h) == pytest.approx({"enough": 336.0})


def test_a_minute_without_a_believed_reading_ends_a_spell_and_is_not_known() -> None:
    rows = [minute(n, rh_pct=None if n == 100 else 50.0, temp_c=None) for n in range(1, 301)]
    own = reckoned(rows)
    assert own.dry_spell_h == pytest.approx(200 / 60)
    assert own.known == pytest.approx(299 / MINUTES)
    assert (own.mean_temp_c, own.mean_vpd_kpa) == (None, None)
    assert not own.enough


def test_a_clock_that_steps_back_ends_a_spell() -> None:
    rows = [minute(n, rh_pct=50.0) for n in (1, 2, 3, 2, 3)]
    assert reckoned(rows).dry_spell_h == pytest.approx(3 / 60)


def test_nothing_on_record() -> None:
    own = reckoned([])
    assert (own.known, own.mean_rh_pct, own.lowest_rh_pct, own.off_h, own.enough) == (
        0.0,
        None,
        None,
        (),
        False,
    )


def test_time_that_was_not_sure() -> None:
    assert reckoned(minute(n, clock_trusted=n > 5) for n in range(1, 21)).doubtful == pytest.approx(0.25)


# --- which sheds ---


def noted(
    number: int, days_ago: float, animal: str = "Juno", outcome: str = "whole", kind: str = "shed"
) -> Note:
    at_s = END_S - days_ago * DAY_S
    return Note(at_s, True, kind, "", "", None, None, None, at_s, True, "", animal, outcome, "", None, number)


def test_the_sheds_of_each_animal_in_order() -> None:
    notes = [noted(1, 10, " JUNO", "pieces"), noted(2, 50), noted(3, 20, "Nox"), noted(4, 5, kind="opaque")]
    found = sheds.sheds_of(notes)
    assert {key: [shed.number for shed in own] for key, own in found.items()} == {"juno": [2, 1], "nox": [3]}
    assert [shed.whole for shed in found["juno"]] == [True, False]


def test_only_whole_ones_before_it_that_share_no_air() -> None:
    ago = {1: 120.0, 2: 90.0, 3: 89.0, 4: 60.0, 5: 30.0, 6: 13.9, 7: 0.0, 8: -5.0}
    found = sheds.sheds_of([noted(n, d, outcome="pieces" if n == 4 else "whole") for n, d in ago.items()])[
        "juno"
    ]
    this = next(shed for shed in found if shed.number == 7)
    # 6 is closer than 14 days, 2 is closer than 14 days to 3, 4 was in pieces, 8 came later
    assert [shed.number for shed in sheds.earlier_whole(this, found)] == [5, 3, 1]


def test_no_more_than_a_dozen_are_read() -> None:
    found = sheds.sheds_of([noted(n, 30.0 * n) for n in range(40)])["juno"]
    assert [shed.number for shed in sheds.earlier_whole(found[-1], found)] == list(range(1, MOST + 1))


# --- what differs ---

THIS = Shed("Juno", END_S, False, 9)


def air(**figures: Any) -> Fortnight:
    return Fortnight(END_S, 1.0, 0.0, **{"day_in_h": 168.0, "mean_rh_pct": 66.0, **figures})


def named(found: sheds.Comparison) -> dict[str, sheds.Beside]:
    return {each.name: each for each in found.figures}


def test_a_figure_outside_the_range_differs_and_one_within_does_not() -> None:
    earlier = [air(day_below_h=h, mean_temp_c=24.0 + h / 4) for h in (1.0, 4.0, 2.0, 9.0)]
    found = sheds.compare(THIS, air(day_below_h=41.0, mean_temp_c=25.0), earlier)
    below = named(found)["day_below_h"]
    # 1, 2, 4, 9: the two in the middle are 2 and 4
    assert (below.value, below.median, below.low, below.high, below.differs) == (41.0, 3.0, 1.0, 9.0, True)
    assert not named(found)["mean_temp_c"].differs
    assert [each.name for each in found.figures if each.differs] == ["day_below_h"]


@pytest.mark.parametrize(
    ("name", "others", "value", "differs"),
    [
        ("day_below_h", 0.0, 0.9, False),
        ("day_below_h", 0.0, 1.0, True),
        ("day_below_h", 3.0, 2.0, True),
        ("mean_rh_pct", 66.0, 65.1, False),
        ("mean_rh_pct", 66.0, 67.0, True),
        ("mean_temp_c", 24.0, 24.4, False),
        ("mean_temp_c", 24.0, 23.5, True),
        ("mean_vpd_kpa", 1.0, 1.04, False),
        ("mean_vpd_kpa", 1.0, 1.0625, True),
    ],
)
def test_what_no_probe_could_tell_is_no_difference(
    name: str, others: float, value: float, differs: bool
) -> None:
    found = sheds.compare(THIS, air(**{name: value}), [air(**{name: others})] * 3)
    assert named(found)[name].differs == differs


def test_hours_without_mist_by_reason_but_not_because_it_was_humid_enough() -> None:
    earlier = [air(off_h=(("enough", 300.0), ("ceiling", 2.0)))] * 3
    found = named(sheds.compare(THIS, air(off_h=(("tank", 20.0), ("enough", 10.0))), earlier))
    assert found["off:tank"].differs
    assert (found["off:tank"].low, found["off:tank"].high) == (0.0, 0.0)
    assert (found["off:ceiling"].value, found["off:ceiling"].differs) == (0.0, True)
    assert "off:enough" not in found


def test_a_figure_that_is_not_known_is_not_compared() -> None:
    found = named(sheds.compare(THIS, air(mean_temp_c=None), [air(mean_temp_c=24.0)] * 3))
    assert "mean_temp_c" not in found
    found = named(sheds.compare(THIS, air(mean_temp_c=24.0), [air(mean_temp_c=24.0)] * 2 + [air()]))
    assert "mean_temp_c" not in found


@pytest.mark.parametrize(("count", "too_few"), [(0, True), (1, True), (2, True), (3, False)])
def test_too_few_to_tell(count: int, too_few: bool) -> None:
    found = sheds.compare(THIS, air(), [air()] * count)
    assert found.too_few == too_few
    assert (found.figures == ()) == too_few


def test_a_fortnight_with_holes_is_no_witness() -> None:
    found = sheds.compare(THIS, air(), [air(), air(), air()._replace(known=0.89)])
    assert (found.too_few, found.left_out) == (True, 1)
    assert sheds.compare(THIS, air()._replace(known=0.89), [air()] * 5).figures == ()


@pytest.mark.parametrize("count", [3, 4, 6])
def test_the_odds_of_chance_alone(count: int) -> None:
    """Counted out: in how many of all orders the last one is the lowest or the highest."""
    orders = list(permutations(range(count + 1)))
    outside = sum(order[-1] in (0, count) for order in orders) / len(orders)
    assert sheds.compare(THIS, air(), [air()] * count).chance == pytest.approx(outside)


# --- words ---

FIRST = "An animal that is unwell, or a shed that stays on eyes or tail tip, goes to a veterinarian first."


def words(own: Fortnight, earlier: list[Fortnight]) -> str:
    text = sheds_text.as_text(sheds.compare(THIS, own, earlier), 60.0, 78.0, UTC)
    assert text.splitlines()[-1] == FIRST
    assert max(map(len, text.splitlines())) <= 100
    for word in ("caused", "because the", "due to", "reason for the shed"):
        assert word not in text
    return " ".join(text.split())


def test_the_words_say_what_differs_as_association_only() -> None:
    text = words(air(day_below_h=41.25, mean_rh_pct=60.0), [air(day_below_h=h) for h in (0.0, 3.0, 8.125)])
    assert "Juno shed in pieces, 2026-01-14 12:00 (note 9)" in text
    assert "- hours below 60 %RH by day: more than before any earlier whole shed (41.2; 0.0 to 8.12)" in text
    assert "- mean humidity, %RH: lower than before any earlier whole shed (60.0; 66.0 to 66.0)" in text
    assert "is no proof of a cause" in text
    # 2 in 3 + 1
    assert "by chance alone about 50 of 100 figures lie outside a range of 3" in text
    assert "by night" not in text  # zero everywhere


def test_the_words_where_nothing_differs() -> None:
    text = words(air(off_h=(("tank", 0.5),)), [air()] * 4)
    assert "Nothing lies outside the range of the 4 earlier ones. That rules no cause out." in text


@pytest.mark.parametrize(
    ("count", "said"),
    [
        (0, "no earlier whole sheds with"),
        (1, "1 earlier whole shed with"),
        (2, "2 earlier whole sheds with"),
    ],
)
def test_the_words_where_it_is_too_few(count: int, said: str) -> None:
    text = words(air(), [air()] * count)
    assert f"Too few to tell what differs: {said} {DAYS} days on record; it takes {FEWEST}." in text
    assert "mean humidity, %RH" in text
    assert "(1 more with too little)" in words(air(), [*[air()] * count, air()._replace(known=0.1)])


def test_the_words_where_too_little_is_on_record() -> None:
    text = words(air()._replace(known=0.5, doubtful=0.3), [air()] * 5)
    assert "Only 7.0 of the 14 days are on record" in text
    assert "too few to tell" in text
    assert "keep_minutes_days" in text
    assert "For 30 % of the time the board could not tell whether its clock was right." in text
    assert "No minute of them is on record" in words(air()._replace(known=0.0), [air()] * 5)


def test_an_overview_has_a_line_for_each() -> None:
    rows = [
        (Shed("Juno", END_S - 40 * DAY_S, True, 1), air(mean_temp_c=24.0, mean_vpd_kpa=1.0, day_below_h=2.0)),
        (Shed("Juno", END_S, False, None), air()._replace(known=0.25)),
    ]
    head, first, second = sheds_text.overview(rows, UTC)
    assert head.split()[:4] == ["note", "shed", "how", "days"]
    assert first.split() == ["1", "2025-12-05", "12:00", "whole", "-", "14.0", "2.00", "66.0", "24.0", "1.00"]
    assert second.split() == ["2026-01-14", "12:00", "in", "pieces", "40", "3.5", "-", "-", "-", "-"]


def test_numbers_in_words() -> None:
    assert [sheds_text.number(value) for value in (None, 0.0, 0.125, 9.994, 10.0, 41.26)] == [
        *("-", "0.0", "0.12", "9.99", "10.0", "41.3"),
    ]
