"""The mist that was left for later: gone on from, with each part's own date, or all of it seen again."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller import commissioned
from controller.commissioned import FAILED_FILE, FILE, KILL_FORCED, NOT_SET
from controller.commissioning.rehearsed import RehearsedSite
from controller.commissioning.relay import IS_OFF
from controller.commissioning.walk import Result, walk
from controller.core.records import Instant
from controller.errors import RelayError
from tests.commission.helpers import Keeper, bench, settings_of

LATER = {"starts": "2026-01-15"}
ONLY_MIST = "do only the mist now?"
MAY_MIST = "Is it plugged in"


def no(*questions: str) -> Any:
    """Says no where one of these is in the question."""
    return lambda question: False if any(words in question for words in questions) else None


def go(
    folder: Path, by: str = "ann", site: RehearsedSite | None = None,
    keeper: dict[str, Any] | None = None, **groups: Any,
) -> tuple[Result, Keeper, RehearsedSite]:  # fmt: skip
    settings = settings_of(**groups)
    site = site or RehearsedSite(settings)
    talk = Keeper(site, **(keeper or {}))
    result = walk(settings, site, talk, by, folder)
    assert not site.outlet_on or "UNPLUG" in talk.said.upper()
    return result, talk, site


def left(folder: Path, **more: Any) -> Keeper:
    """A walk that was left at the mist."""
    result, talk, _ = go(folder, keeper={"otherwise": no(MAY_MIST)}, **more)
    assert result is Result.REFUSED
    return talk


def test_only_the_mist_is_done_another_day_and_each_part_says_when_it_was_seen(tmp_path: Path) -> None:
    said = left(tmp_path).said
    assert "offers to do only the mist" in said
    assert commissioned.refusal(settings_of(), tmp_path) != "", "run must not take an unfinished one"
    result, talk, site = go(tmp_path, by="ben", bench=LATER)
    assert result is Result.PASSED
    assert "seen on\n2026-01-12, for the wiring" in talk.said
    assert [ONLY_MIST in talk.asked[0], MAY_MIST in talk.asked[1], len(talk.asked)] == [True, True, 2]
    assert "LAMP" not in talk.said
    record = commissioned.read(tmp_path)
    assert record is not None
    assert (record.at[:10], record.by) == ("2026-01-15", "ben")
    assert [(step.step, step.at[:10], step.by) for step in record.steps] == [
        ("before", "2026-01-12", "ann"),
        ("relay", "2026-01-12", "ann"),
        ("kill", "2026-01-12", "ann"),
        ("probe", "2026-01-12", "ann"),
        ("before", "2026-01-15", "ben"),
        ("mist", "2026-01-15", "ben"),
    ]
    assert record.steps[4].seen == ((talk.asked[0], "yes"),)
    assert commissioned.refusal(settings_of(), tmp_path) == ""
    assert not (tmp_path / FAILED_FILE).exists()
    assert site.world.on_s == pytest.approx(600, abs=10), "the lamp was not switched again"


def test_how_the_kill_went_is_kept(tmp_path: Path) -> None:
    left(tmp_path, site=RehearsedSite(settings_of(), stays_on=True))
    assert go(tmp_path)[0] is Result.PASSED
    record = commissioned.read(tmp_path)
    assert record is not None
    assert record.kill == KILL_FORCED


def test_the_mist_may_be_left_more_than_once(tmp_path: Path) -> None:
    left(tmp_path)
    talk = left(tmp_path, bench=LATER)
    assert len(talk.asked) == 2
    result, talk, _ = go(tmp_path, bench={"starts": "2026-01-20"})
    assert result is Result.PASSED
    assert "2026-01-12" in talk.asked[0], "the day on which the relay was seen"


@pytest.mark.parametrize(
    "more",
    [
        {"bench": {"probe": {"plume_rh_pct": 25}}},
        {"bench": {"room": {"start_rh_pct": 92}}},
        {"keeper": {"ends_at_ask": 7}},
    ],
    ids=["in the plume", "too humid", "Ctrl-C"],
)
def test_however_the_mist_did_not_pass(tmp_path: Path, more: dict[str, Any]) -> None:
    result, talk, _ = go(tmp_path, **more)
    assert result is not Result.PASSED
    assert MAY_MIST in talk.asked[-1]
    assert ONLY_MIST in go(tmp_path)[1].asked[0]
    assert (tmp_path / FILE).exists()


def test_who_is_not_sure_sees_all_of_it_again_and_the_earlier_walk_holds_no_longer(tmp_path: Path) -> None:
    left(tmp_path)
    _, talk, _ = go(tmp_path, keeper={"otherwise": no(ONLY_MIST), "ends_at_ask": 3})
    assert IS_OFF in talk.asked[2]
    assert ONLY_MIST not in go(tmp_path)[1].asked[0]


@pytest.mark.parametrize("ask", [1, 2])
def test_ending_it_leaves_the_earlier_walk(tmp_path: Path, ask: int) -> None:
    left(tmp_path)
    result, talk, _ = go(tmp_path, keeper={"ends_at_ask": ask})
    assert result is Result.REFUSED
    assert ("Nothing was switched." in talk.said) == (ask == 1)
    assert ONLY_MIST in go(tmp_path)[1].asked[0]


def test_other_wiring_sees_all_of_it(tmp_path: Path) -> None:
    left(tmp_path)
    _, talk, _ = go(tmp_path, relay={"kind": "libgpiod", "pin": 6, "chip": 1})
    assert ONLY_MIST not in talk.asked[0]


@pytest.mark.parametrize("more", [bench("relay-dead"), bench("relay-welded"), bench("probe-frozen")], ids=str)
def test_what_failed_before_the_mist_is_seen_again(tmp_path: Path, more: dict[str, Any]) -> None:
    left(tmp_path)
    assert go(tmp_path, keeper={"otherwise": no(ONLY_MIST)}, bench=more)[0] is Result.FAILED
    assert ONLY_MIST not in go(tmp_path)[1].asked[0]


class Busy(RehearsedSite):
    def hand(self) -> Any:
        raise RelayError("the relay's line 5 on gpiochip1 is in use")


def test_a_line_that_is_busy_for_a_moment_takes_nothing_away(tmp_path: Path) -> None:
    left(tmp_path)
    result, talk, _ = go(tmp_path, site=Busy(settings_of()))
    assert result is Result.FAILED
    assert "is in use" in talk.said
    assert ONLY_MIST in go(tmp_path)[1].asked[0]


def test_a_relay_that_fails_in_the_mist_is_seen_again(tmp_path: Path) -> None:
    class Failing(RehearsedSite):
        def hold(self, *_: Any) -> None:
            raise RelayError("gone")

    left(tmp_path)
    assert go(tmp_path, site=Failing(settings_of()))[0] is Result.FAILED
    assert ONLY_MIST not in go(tmp_path)[1].asked[0]


def test_the_off_step_has_its_level_before_the_mist(tmp_path: Path) -> None:
    """The line file comes with the hand, and may have been cleared away since."""
    order: list[str] = []

    class Noting(RehearsedSite):
        def hand(self) -> Any:
            order.append("hand")
            return super().hand()

        def hold(self, *arguments: Any) -> None:
            order.append("mist")
            super().hold(*arguments)

    left(tmp_path)
    assert go(tmp_path, site=Noting(settings_of()))[0] is Result.PASSED
    assert order == ["hand", "mist"]


def test_a_clock_that_was_not_set_is_said_with_the_date(tmp_path: Path) -> None:
    class Unset(RehearsedSite):
        def now(self) -> Instant:
            return super().now()._replace(wall_trusted=False)

    left(tmp_path, site=Unset(settings_of()))
    result, talk, _ = go(tmp_path)
    assert result is Result.PASSED
    assert f"2026-01-12{NOT_SET}, for the wiring" in talk.said
    record = commissioned.read(tmp_path)
    assert record is not None
    assert record.clock_trusted
    assert [step.at.endswith(NOT_SET) for step in record.steps] == [True] * 4 + [False] * 2


def test_a_rehearsal_is_always_the_whole_walk(tmp_path: Path) -> None:
    left(tmp_path)
    site = RehearsedSite(settings_of())
    talk = Keeper(site)
    assert walk(settings_of(), site, talk, "ann", None) is Result.PASSED
    assert ONLY_MIST not in talk.asked[0]
