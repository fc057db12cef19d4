"""The wait in the jar, and the whole walk on a simulated probe whose errors are known."""

from __future__ import annotations

from math import exp

import pytest

from controller.calibration.rehearsed import RehearsedSite
from controller.calibration.salts import SALTS
from controller.calibration.settle import LEAST_S, Settling
from controller.calibration.walk import Outcome, Walk
from controller.commissioning.talk import Ended
from controller.core.records import Reading
from controller.core.trust import CorrectionLimits
from controller.simulator.sensor import BenchProbe

PROBES = (CorrectionLimits(),)
NACL, MGCL2, KCL = SALTS["NaCl"], SALTS["MgCl2"], SALTS["KCl"]


class Keeper:
    """Implements ``Talk``: answers in turn, then yes for ever; time passes on the site."""

    def __init__(self, site: RehearsedSite, answers: tuple[bool, ...] = (), ends_at_s: float = 1e9) -> None:
        self.said: list[str] = []
        self._site, self._answers, self._ends_at_s = site, list(answers), ends_at_s
        self.ending = False

    def say(self, words: str) -> None:
        self.said.append(words)

    def ask(self, question: str, within_s: float | None = None) -> bool:
        self.said.append(question)
        return self._answers.pop(0) if self._answers else True

    def wait(self, seconds: float) -> None:
        self._site.pass_time(seconds)
        if self._site.now_s() > self._ends_at_s:
            raise Ended("you stopped it")


def walked(
    errors: BenchProbe, *salts: object, answers: tuple[bool, ...] = ()
) -> tuple[Outcome, RehearsedSite, Keeper]:
    site = RehearsedSite(errors, salts, PROBES)  # type: ignore[arg-type]
    keeper = Keeper(site, answers)
    return Walk(keeper, site, 1, "Ann").salts(salts), site, keeper  # type: ignore[arg-type]


def test_an_exponential_settles_when_its_slope_is_small_and_not_before_an_hour() -> None:
    """Closed form: 40 exp(-t/T) with T = 420 s moves by less than 0.1 in 600 s from
    t = 420 ln(40 * 0.76 / 0.1) on, that is 40 min; so the hour decides. With T = 900 s the slope does."""
    for constant_s, settles_s in ((420.0, LEAST_S), (900.0, None)):
        settling, at_s = Settling(), 0.0
        while not settling.add(at_s, 75.0 - 40.0 * exp(-at_s / constant_s), 23.0).settled:
            at_s += 10.0
        left_in_window = 40.0 * (exp(-(at_s - 600.0) / constant_s) - exp(-at_s / constant_s))
        assert left_in_window < 0.15  # the line of least squares is a little flatter than the chord
        assert at_s == settles_s if settles_s is not None else at_s > LEAST_S


def test_a_temperature_that_moves_is_not_settled() -> None:
    settling = Settling()
    for at_s in range(0, 5000, 10):
        progress = settling.add(at_s, 75.0, 23.0 + at_s * 0.0004)  # 0.72 K in half an hour
    assert not progress.settled
    assert progress.drift_temp_k == pytest.approx(0.72)


def test_after_a_gap_the_window_begins_anew() -> None:
    settling = Settling()
    for at_s in range(0, 3700, 10):
        progress = settling.add(at_s, 75.0, 23.0)
    assert progress.settled
    progress = settling.add(at_s + 300.0, 75.0, 23.0)
    assert not progress.settled
    assert progress.slope_rh_pct is None


def test_two_salts_find_the_probes_errors() -> None:
    """The bench's probe shows true * 0.95 + 3.2, so truth = shown / 0.95 - 3.2 / 0.95."""
    outcome, site, keeper = walked(BenchProbe(rh_gain=0.95, offset_rh_pct=3.2), NACL, MGCL2)
    assert outcome.kept
    (kept,) = site.memory.kept[0]
    assert kept.rh_gain == pytest.approx(1 / 0.95, abs=0.01)
    for true in (50.0, 65.0, 80.0):
        shown = true * 0.95 + 3.2
        assert shown * kept.rh_gain + kept.rh_offset_pct == pytest.approx(true, abs=0.35)
    assert site.memory.back_t is not None
    assert any("NaCl: " in line for line in keeper.said)


def test_one_salt_finds_an_offset() -> None:
    outcome, site, _ = walked(BenchProbe(offset_rh_pct=-2.0), NACL)
    assert outcome.kept
    assert site.memory.kept[0][0].rh_offset_pct == pytest.approx(2.0, abs=0.2)
    assert site.memory.kept[0][0].rh_gain == 1.0


def test_a_spoilt_probe_gets_no_correction() -> None:
    outcome, site, _ = walked(BenchProbe(offset_rh_pct=15.0), NACL)
    assert not outcome.kept
    assert "no drift" in outcome.words
    assert site.memory.kept == ()
    assert site.memory.back_t is not None


def test_a_jar_that_leaks_never_settles() -> None:
    class Leaking(RehearsedSite):
        def read(self) -> Reading:
            return Reading(60.0 + self.now_s() / 1000.0, 23.0)

    site = Leaking(BenchProbe(), (NACL,), PROBES)
    outcome = Walk(Keeper(site), site, 1, "Ann").salts([NACL])
    assert not outcome.kept
    assert "not settled" in outcome.words
    assert site.now_s() <= 3 * 3600.0 + 60.0


def test_salts_too_close_to_each_other_are_refused_before_anybody_waits() -> None:
    outcome, site, _ = walked(BenchProbe(), NACL, KCL)
    assert not outcome.kept
    assert "apart" in outcome.words
    assert site.now_s() == 0.0
    assert site.memory.away == 0


@pytest.mark.parametrize("answers", [(False,), (True, False), (True, True, False)])
def test_no_at_any_question_keeps_nothing(answers: tuple[bool, ...]) -> None:
    outcome, site, _ = walked(BenchProbe(offset_rh_pct=2.0), NACL, answers=answers)
    assert not outcome.kept
    assert site.memory.kept == ()


def test_a_test_broken_off_leaves_the_probe_unbelieved_and_says_how_it_ends() -> None:
    site = RehearsedSite(BenchProbe(), (NACL,), PROBES)
    keeper = Keeper(site, ends_at_s=1200.0)
    with pytest.raises(Ended):
        Walk(keeper, site, 1, "Ann").salts([NACL])
    assert (site.memory.away, site.memory.back_t) == (1, None)
    assert "hygrohold calibrate back" in keeper.said[-1]


def test_who_does_not_say_that_it_is_back_is_not_taken_to_have() -> None:
    _, site, keeper = walked(BenchProbe(), NACL, answers=(True, True, True, False, False, False))
    assert (site.memory.away, site.memory.back_t) == (1, None)
    assert "hygrohold calibrate back" in keeper.said[-1]


def test_a_probe_that_falls_silent_ends_the_point() -> None:
    class Silent(RehearsedSite):
        def read(self) -> Reading:
            return super().read() if self.now_s() < 600.0 else Reading(failure="no answer on the bus")

    site = Silent(BenchProbe(), (NACL,), PROBES)
    outcome = Walk(Keeper(site), site, 1, "Ann").salts([NACL])
    assert not outcome.kept
    assert "no answer on the bus" in outcome.words
    assert site.now_s() < 1200.0
