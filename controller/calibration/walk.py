"""WALK: the salt test with a person, step by step.

In:    the keeper's yes and no (``Talk``), a probe and the running program (``Site``), the salts chosen.
Out:   a correction that the program keeps, if the keeper says so.
Never: tells the program that the probe is back before somebody has said so. Whatever ends it, the probe is
       not believed until then.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple, Protocol

from controller.calibration.fit import LEAST_APART_RH_PCT, Fit, Nonsense, Point, fit
from controller.calibration.salts import COLDEST_C, GENERAL, WARMEST_C, FixedPoint, Salt, fixed_point
from controller.calibration.settle import LEAST_S, Progress, Settling
from controller.commissioning.talk import Talk
from controller.core.keeper import duration_words
from controller.core.records import Reading, Request

LOOK_S = 10.0
TOLD_EVERY_S = 300.0
LONGEST_S = 3 * 3600.0
AWAY_S = LONGEST_S + 900.0
BACK = "Once it is back in its place, say `hygrohold calibrate back`: until then it is not believed."
SILENT_S = 300.0
"""So long without a reading, and the point is given up."""


class Site(Protocol):
    """Where the walk takes place."""

    def read(self) -> Reading:
        """The probe as it shows, without any correction."""
        ...

    def ask(self, request: Request) -> tuple[bool, str]:
        """Asks the running program. Raises HygroholdError where none answers."""
        ...

    def now_s(self) -> float: ...


class Outcome(NamedTuple):
    """What came of it, in words; ``kept``: a correction counts now."""

    kept: bool
    words: str


class Walk:
    def __init__(self, talk: Talk, site: Site, number: int, by: str, temp_offset_c: float = 0.0) -> None:
        """``number``: of the probe, from 1."""
        self._talk = talk
        self._site = site
        self._number = number
        self._by = by
        self._temp_offset_c = temp_offset_c
        self._away = False

    def salts(self, salts: Sequence[Salt]) -> Outcome:
        """One or two points. Raises HygroholdError; Ended where the keeper stops it."""
        say = self._talk.say
        if trouble := _too_close(salts):
            return Outcome(False, trouble)
        say(f"Salt test of probe {self._number}: {' and '.join(f'{s.name} ({s.words})' for s in salts)}.")
        hours = len(salts) * LEAST_S / 3600.0
        say(f"It takes {hours:g} h or more. Meanwhile this probe is not believed.")
        for words in GENERAL:
            say(f"  - {words}")
        if not self._talk.ask("Is all that as it should be, and the humidifier not needed for so long?"):
            return Outcome(False, "nothing was begun")
        self._away = False
        try:
            outcome = self._tested(salts)
            if self._away:
                self._bring_back()
            return outcome
        finally:  # however it ends: nobody has said that it is back
            if self._away:
                say(f"\nProbe {self._number} counts as away. {BACK}")

    def _tested(self, salts: Sequence[Salt]) -> Outcome:
        try:
            points = [self._point(salt) for salt in salts]
            return self._settle(fit(points), points, [salt.name for salt in salts])
        except Nonsense as nonsense:
            return Outcome(False, f"no correction: {nonsense}")

    def _bring_back(self) -> None:
        for _ in range(3):
            if self._talk.ask(f"Put probe {self._number} back into its place. Is it there?"):
                self._talk.say(f"  {self._ask('calibrate_end')[1]}.")
                self._away = False
                return

    def _point(self, salt: Salt) -> Point:
        say = self._talk.say
        before, self._away = self._away, True  # a late answer would leave it away unseen
        done, words = self._ask("calibrate_begin", for_s=AWAY_S)
        if not done:
            self._away = before
            raise Nonsense(words)
        say(f"\n{salt.name}: {salt.caution}")
        say(f"  {words}.")
        if not self._talk.ask(f"Is probe {self._number} in the jar over the {salt.name}, and the lid tight?"):
            raise Nonsense("the probe did not go into the jar")
        progress = self._wait(salt)
        true = self._truth(salt, progress)
        say(
            f"  Settled after {duration_words(progress.in_for_s)}: it shows {progress.rh_pct:.2f} %RH; over "
            f"{salt.name} at {progress.temp_c + self._temp_offset_c:.1f} °C it should be "
            f"{true.rh_pct:.2f} (within {true.within_rh_pct:.2f}): {true.rh_pct - progress.rh_pct:+.2f} %RH."
        )
        return Point(progress.rh_pct, true.rh_pct)

    def _wait(self, salt: Salt) -> Progress:
        settling, site = Settling(), self._site
        began_s = told_s = seen_s = site.now_s()
        while True:
            now_s = site.now_s()
            reading = site.read()
            if reading.failure or reading.rh_pct is None or reading.temp_c is None:
                if now_s - seen_s > SILENT_S:
                    raise Nonsense(f"the probe does not answer: {reading.failure or 'it gives no figure'}")
            else:
                seen_s = now_s
                progress = settling.add(now_s, reading.rh_pct, reading.temp_c)
                if progress.settled:
                    return progress
                if now_s - told_s >= TOLD_EVERY_S:
                    told_s = now_s
                    self._talk.say(f"  {_said(progress)}")
            if now_s - began_s > LONGEST_S:
                raise Nonsense(
                    f"it has not settled within {duration_words(LONGEST_S)}: is the lid tight, the "
                    f"{salt.name} a wet paste, the jar at one temperature?"
                )
            self._talk.wait(LOOK_S)

    def _truth(self, salt: Salt, progress: Progress) -> FixedPoint:
        temp_c = progress.temp_c + self._temp_offset_c
        true = fixed_point(salt, temp_c)
        if true is None:
            raise Nonsense(
                f"the jar is at {temp_c:.1f} °C; the salts' figures are known from {COLDEST_C:g} to "
                f"{WARMEST_C:g} °C"
            )
        return true

    def _settle(self, found: Fit, points: Sequence[Point], names: Sequence[str]) -> Outcome:
        say = self._talk.say
        say(f"\nThe correction: shown x {found.rh_gain:.4f} {found.rh_offset_pct:+.2f} %RH.")
        for figure in (50.0, 60.0, 70.0, 80.0):
            say(f"  where it shows {figure:.0f} %RH it is {found.corrected(figure):.1f}")
        if len(points) == 1:
            say("  One point gives an offset; whether the slope is right as well, a second salt would say.")
        if not self._talk.ask(
            "Keep this correction? The earlier ones stay in the list, and it can be undone."
        ):
            return Outcome(False, "the correction was not kept; the one before still counts")
        shown = [f"{p.shown_rh_pct:.2f} for {p.true_rh_pct:.2f}" for p in points]
        how = f"salt test, {', '.join(f'{name}: {at}' for name, at in zip(names, shown, strict=True))}"
        done, words = self._ask("calibrate_keep", gain=found.rh_gain, offset_pct=found.rh_offset_pct, how=how)
        return Outcome(done, words)

    def _ask(
        self,
        kind: str,
        for_s: float | None = None,
        gain: float | None = None,
        offset_pct: float | None = None,
        how: str = "",
    ) -> tuple[bool, str]:
        return self._site.ask(
            Request(
                kind, by=self._by, for_s=for_s, probe=self._number,
                rh_gain=gain, rh_offset_pct=offset_pct, remark=how,
            )
        )  # fmt: skip


def _too_close(salts: Sequence[Salt]) -> str:
    """Known before anybody waits for two hours."""
    if len(salts) == 2 and abs(salts[0].rh_pct[2] - salts[1].rh_pct[2]) < LEAST_APART_RH_PCT:
        return (
            f"{salts[0].name} and {salts[1].name} are less than {LEAST_APART_RH_PCT:g} %RH apart: their own "
            "errors would make the slope. NaCl with MgCl2 is the usual pair"
        )
    return ""


def _said(progress: Progress) -> str:
    moves = "too soon to tell how it moves"
    if progress.slope_rh_pct is not None:
        moves = f"moving by {progress.slope_rh_pct:+.2f} %RH in 10 min"
    if progress.drift_temp_k > 0.5:
        moves += f", and the temperature by {progress.drift_temp_k:.1f} K"
    shown = f"{progress.rh_pct:.1f} %RH, {progress.temp_c:.1f} °C"
    return f"{duration_words(progress.in_for_s):>10}  {shown}, {moves}"
