"""The walk: what it asks for, what it says, how it ends; and once whole, on the bench's room."""

from __future__ import annotations

from collections.abc import Callable
from datetime import UTC, datetime, timedelta

import pytest

from controller.commissioning.talk import Ended
from controller.core.guards import GuardLimits
from controller.core.keeper import KeeperLimits
from controller.core.records import Request
from controller.errors import HygroholdError
from controller.history.rows import Note
from controller.ports import Sample
from controller.settings import Settings
from controller.step_test.minutes import Untold
from controller.step_test.outcome import reckon
from controller.step_test.rehearsed import RehearsedSite
from controller.step_test.walk import Look, Span, Walk, allowed_s, last_asked

NOON = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)
FOR_S = 1200.0


class Scripted:
    """Implements ``walk.Site``: obeys until told otherwise."""

    def __init__(self) -> None:
        self.t = 0.0
        self.asked: list[tuple[str, float | None]] = []
        self.answers: dict[str, tuple[bool, str]] = {}
        self.rh_pct: float | None = 60.0
        self.mist_until_s = self.paused_until_s = 0.0
        self.guard: Callable[[float], str] = lambda t: ""
        self.gone_at_s = 1e9
        self.recorded_before, self.written_late_s = 30, 240.0

    def now(self) -> datetime:
        return NOON + timedelta(seconds=self.t)

    def ask(self, request: Request) -> tuple[bool, str]:
        if self.t >= self.gone_at_s:
            raise HygroholdError("nobody answers")
        self.asked.append((request.kind, request.for_s))
        if request.kind == "humidify_now" and request.for_s is not None:
            self.mist_until_s = self.t + request.for_s
        if request.kind == "pause" and request.for_s is not None:
            self.paused_until_s = self.t + request.for_s
        if request.kind == "resume":
            self.mist_until_s = self.paused_until_s = 0.0
        return self.answers.get(request.kind, (True, f"{request.kind} it is"))

    def look(self) -> Look:
        if self.t >= self.gone_at_s:
            raise HygroholdError("it does not run")
        held = "paused" if self.paused_until_s > self.t else self.guard(self.t)
        on = not held and self.mist_until_s > self.t
        reasons = (held,) if held else () if on else ("enough",)
        return Look(self.rh_pct, 24.0, on, f"Off: {held}." if held else "On.", reasons)

    def minutes(self, from_s: float, to_s: float) -> list[Sample]:
        start_s = NOON.timestamp()
        last_s = start_s + self.t - self.written_late_s if self.t else start_s
        ends = [start_s + 60.0 * i for i in range(-self.recorded_before + 1, 200)]
        return [
            Sample(at_s, True, 60.0, 24.0, None, None, None, None, 65.0, True, 0.0, None, None, "")
            for at_s in ends
            if from_s < at_s <= min(to_s, last_s)
        ]


class Keeper:
    """Implements ``Talk``: says yes; time passes on the site."""

    ending = False

    def __init__(self, site: Scripted, yes: bool = True, ends_at_s: float = 1e9) -> None:
        self.said: list[str] = []
        self._site, self._yes, self._ends_at_s = site, yes, ends_at_s

    def say(self, words: str) -> None:
        self.said.append(words)

    def ask(self, question: str, within_s: float | None = None) -> bool:
        return self._yes

    def wait(self, seconds: float) -> None:
        site = self._site
        site.t += seconds
        if site.rh_pct is not None:  # quick at first, then at rest
            wet = site.look().on if site.t < site.gone_at_s else False
            site.rh_pct += ((75.0 if wet else 55.0) - site.rh_pct) * seconds / 400.0
        if site.t > self._ends_at_s:
            raise Ended("you stopped it")

    @property
    def text(self) -> str:
        return "\n".join(self.said)


def test_it_asks_for_mist_then_for_a_pause_as_long_and_says_what_it_sees() -> None:
    site = Scripted()
    keeper = Keeper(site)
    span = Walk(keeper, site, "Ann").walk(FOR_S)
    assert site.asked == [("humidify_now", FOR_S), ("pause", FOR_S)]
    assert span is not None
    assert span.asked_s == FOR_S
    assert span.from_s == NOON.timestamp() - 1800.0
    assert span.to_s == pytest.approx(NOON.timestamp() + 2 * FOR_S, abs=2.0)
    for words in ("The room before: 60.0", "rising: +", "settled: +", "falling: -", "Waiting for the last"):
        assert words in keeper.text
    # Waits for the record, and no longer than the record takes.
    assert site.t == pytest.approx(2 * FOR_S + site.written_late_s - 60.0, abs=61.0)


def test_a_record_that_stops_is_not_waited_for_for_ever() -> None:
    site = Scripted()
    site.written_late_s = 1e6
    Walk(Keeper(site), site, "Ann").walk(FOR_S)
    assert site.t == pytest.approx(2 * FOR_S + 720.0, abs=11.0)


def test_who_says_no_asks_for_nothing() -> None:
    site = Scripted()
    keeper = Keeper(site, yes=False)
    assert Walk(keeper, site, "Ann").walk(FOR_S) is None
    assert site.asked == []
    assert "Nothing was begun." in keeper.said


def unbelieved(site: Scripted) -> None:
    site.rh_pct = None


def paused(site: Scripted) -> None:
    site.paused_until_s = 600.0


def new(site: Scripted) -> None:
    site.recorded_before = 5


@pytest.mark.parametrize(
    ("how", "told"), [(unbelieved, "no probe is believed"), (paused, "paused"), (new, "too few minutes")]
)
def test_it_does_not_begin_where_it_could_not_tell(how: Callable[[Scripted], None], told: str) -> None:
    site = Scripted()
    how(site)
    with pytest.raises(Untold, match=told):
        Walk(Keeper(site), site, "Ann").walk(FOR_S)
    assert site.asked == []


def test_a_refusal_of_mist_or_pause_ends_it() -> None:
    for kind in ("humidify_now", "pause"):
        site = Scripted()
        site.answers[kind] = (False, "came too late")
        with pytest.raises(Untold, match="came too late"):
            Walk(Keeper(site), site, "Ann").walk(FOR_S)


def test_a_guard_that_holds_ends_the_mist_and_not_the_test() -> None:
    site = Scripted()
    site.guard = lambda t: "ceiling" if t > 700.0 else ""
    keeper = Keeper(site)
    span = Walk(keeper, site, "Ann").walk(FOR_S)
    assert span is not None
    assert span.to_s == pytest.approx(NOON.timestamp() + 700.0 + 120.0 + FOR_S, abs=25.0)
    assert "No mist any more. Off: ceiling." in keeper.text


def test_who_stops_it_takes_the_mist_back() -> None:
    site = Scripted()
    keeper = Keeper(site, ends_at_s=300.0)
    with pytest.raises(Ended):
        Walk(keeper, site, "Ann").walk(FOR_S)
    assert site.asked == [("humidify_now", FOR_S), ("resume", None)]
    assert site.mist_until_s == 0.0
    assert "taken back" in keeper.text


def test_a_pause_of_somebody_else_is_never_ended() -> None:
    site = Scripted()
    site.guard = lambda t: "paused" if t > 300.0 else ""
    with pytest.raises(Untold, match="somebody paused"):
        Walk(Keeper(site), site, "Ann").walk(FOR_S)
    assert site.asked == [("humidify_now", FOR_S)]


def test_a_program_that_ends_meanwhile_is_said() -> None:
    site = Scripted()
    site.gone_at_s = 300.0
    keeper = Keeper(site)
    with pytest.raises(HygroholdError, match="does not run"):
        Walk(keeper, site, "Ann").walk(FOR_S)
    assert "ends by itself" in keeper.text


def test_who_stops_it_in_the_pause_is_told_that_it_ends() -> None:
    site = Scripted()
    keeper = Keeper(site, ends_at_s=FOR_S + 300.0)
    with pytest.raises(Ended):
        Walk(keeper, site, "Ann").walk(FOR_S)
    assert [kind for kind, _ in site.asked] == ["humidify_now", "pause"]
    assert "The pause ends by itself" in keeper.text


def test_no_longer_than_the_settings_let_anybody_ask() -> None:
    assert allowed_s(1800.0, KeeperLimits(), GuardLimits()) == 1800.0
    assert allowed_s(9999.0, KeeperLimits(), GuardLimits()) == 2400.0
    assert allowed_s(1800.0, KeeperLimits(longest_humidify_minutes=20), GuardLimits()) == 1200.0
    assert allowed_s(1800.0, KeeperLimits(), GuardLimits(longest_run_minutes=25)) == 1500.0
    with pytest.raises(Untold, match=r"no more than 12 min .*longest_humidify_minutes"):
        allowed_s(1800.0, KeeperLimits(longest_humidify_minutes=12), GuardLimits())


def note(at_s: float, kind: str = "humidify_now", for_s: float | None = None, done: bool = True) -> Note:
    return Note(at_s, True, kind, "", "Ann", None, for_s, None, None, done, "")


def test_the_last_mist_that_was_granted_is_found() -> None:
    limits = KeeperLimits()
    assert last_asked([], limits) is None
    assert last_asked([note(0.0, done=False), note(5.0, "pause")], limits) is None
    notes = [note(1e4, for_s=600.0), note(2e4, for_s=1200.0), note(3e4, done=False)]
    assert last_asked(notes, limits) == Span(2e4 - 1800.0, 2e4 + 2400.0, 1200.0)
    assert last_asked([note(2e4)], limits) == Span(2e4 - 1800.0, 2e4 + 1800.0, 900.0)  # as set: 15 min


def test_the_whole_walk_on_a_room_whose_law_is_known() -> None:
    """The bench's room without any store: V dw/dt = supply - n V (w - w_out), so tau = 1 / n = 2 h at half an
    air change an hour, and mist raises it at first by its output over the mass of dry air. 0.4 L/h into 30 m3
    at 25 °C: psat 3169.9 Pa (IAPWS-95), dry air at 65 %RH 1.160 kg/m3 (ideal gas), so 0.4 / 34.8 = 11.5 g/kg
    an hour, and 1 %RH is 0.203 g/kg: 57 %RH an hour. The bench's mist is 90 s under way, and its probe lags
    by 20 s. Within 10 %, since half an hour of mist is short to tell two hours of memory.
    """
    settings = Settings(
        bench={"room": {"store_times_air": 0, "mist_cools": False}, "probe": {"noise_rh_pct": 0.05}},
        loop={"tick_s": 20},
    )
    site = RehearsedSite(settings, before_s=3600.0)
    keeper = Keeper(Scripted())
    keeper.wait = site.pass_time  # type: ignore[method-assign]
    span = Walk(keeper, site, "Ann").walk(1800.0)
    assert span is not None
    outcome = reckon(site.minutes(span.from_s, span.to_s), 720.0, span.asked_s)
    site.close()
    assert outcome.untold == ""
    assert outcome.fit is not None
    assert outcome.stretch is not None
    assert outcome.fit.tau_s == pytest.approx(7200.0, rel=0.1)
    rise = 3600.0 * outcome.fit.gain * outcome.stretch.per_pct / outcome.fit.tau_s
    assert rise == pytest.approx(57.0, rel=0.1)
    assert 80.0 < outcome.fit.theta_s < 130.0
