"""Step 4: ten minutes of mist by the real loop, and whether the room answers as a room does.

In:    the loop's own inputs and decisions.
Out:   a finding of ``judge``, or why it could not be tried now.
Never: decides about the relay: it asks for mist like anybody, and every guard holds.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime
from math import isfinite

from controller.commissioned import LAST_STEP
from controller.commissioning import judge
from controller.commissioning.judge import Finding, Room, Sample
from controller.commissioning.scene import Failed, Refused, Scene
from controller.core.records import Action, Answer, Decision, Inputs, Reading, Request
from controller.core.words import reason_name, reason_words
from controller.settings import Settings

MIST_S = 600.0
SHOWN_EVERY_S = 15.0
FASTEST_TICK_S = 5.0
"""A plume is there within seconds: it is looked oftener than a room needs."""
STANDS_S = 60.0
"""A guard that holds it off for so long will not let go while somebody waits."""
SETTLES_S = 120.0
PASSING = ("untrusted", "clock", "longest_run")
"""Off at once, but over by itself: a probe must first give several good samples."""


def room_of(settings: Settings) -> Room:
    room = settings.bench.room
    return Room(settings.tank.rate_l_per_h, room.volume_m3, "volume_m3" in room.model_fields_set)


class Asking:
    """Implements ``ports.Inbox``: the tank is full, and mist now, asked again when the wish has run out."""

    def __init__(self, by: str) -> None:
        self.by = by
        self.refused = ""
        self._asked = [Request("refilled", by=by), Request("humidify_now", by=by, for_s=2.0 * MIST_S)]

    def poll(self, now: datetime) -> tuple[Request, ...]:
        asked, self._asked = tuple(self._asked), []
        return asked

    def answer(self, answers: Sequence[Answer]) -> None:
        for answer in answers:
            if not answer.done:
                self.refused = answer.words

    def again(self) -> None:
        if not self._asked:
            self._asked.append(Request("humidify_now", by=self.by, for_s=2.0 * MIST_S))


class Watch:
    """Implements ``loop.Teller``: keeps the figures, shows them, and knows when it is over."""

    def __init__(self, scene: Scene, asking: Asking) -> None:
        self.samples: list[list[Sample]] = [[] for _ in scene.settings.probe]
        self.why_off = ""
        self.over = False
        self._scene = scene
        self._asking = asking
        self._room = room_of(scene.settings)
        self._patience_s = scene.settings.guards.shortest_off_s + SETTLES_S
        self._began_s: float | None = None
        self._shown_s = float("-inf")
        self._was_on = False
        self._off_s = self._stands_s = self._last_s = 0.0

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        t_s = decision.at.mono_s
        if self._began_s is None:
            self._began_s = self._last_s = t_s
        for row, reading in zip(self.samples, inputs.readings, strict=False):
            row.append(_sample(t_s, decision.relay_on, reading))
        passed_s, self._last_s = t_s - self._last_s, t_s
        switched, self._was_on = decision.relay_on != self._was_on, decision.relay_on
        if switched or t_s - self._shown_s >= SHOWN_EVERY_S:
            self._show(inputs, decision, t_s - self._began_s)
            self._shown_s = t_s
        if decision.relay_on:
            self.why_off, self._off_s, self._stands_s = "", 0.0, 0.0
        else:
            self._off(decision, passed_s)
        ran_s = judge.on_s(self.samples[0])
        plume = any(judge.jumped(self._room, row) for row in self.samples)
        self.over = self.over or plume or ran_s >= MIST_S or self._scene.talk.ending

    def _off(self, decision: Decision, passed_s: float) -> None:
        self._off_s += passed_s
        strictest = decision.reasons[0] if decision.reasons else None
        if strictest is None or strictest.action == Action.CONTENT:  # nobody asks any longer
            self._asking.again()
            if self._asking.refused:
                self.why_off, self.over = f"Refused: {self._asking.refused}", True
            return
        self.why_off = f"{reason_words(strictest)[:1].upper()}{reason_words(strictest)[1:]}"
        stands = strictest.action == Action.OFF and strictest.code not in PASSING
        self._stands_s = self._stands_s + passed_s if stands else 0.0
        self.over = self._stands_s >= STANDS_S or self._off_s >= self._patience_s

    def _show(self, inputs: Inputs, decision: Decision, since_s: float) -> None:
        figures = "  ".join(_figures(reading) for reading in inputs.readings)
        state = "mist ON"
        if not decision.relay_on:
            state = f"off: {reason_name(decision.reasons[0].code)}" if decision.reasons else "off"
        self._scene.talk.say(f"    {since_s // 60:2.0f}:{since_s % 60:02.0f}  {figures}  {state}")


def arrives(scene: Scene) -> None:
    """Ten minutes. Raises Failed, Refused, Ended, and what the loop raises."""
    scene.begin(LAST_STEP)
    talk = scene.talk
    room = room_of(scene.settings)
    talk.say(
        "\nStep 4. Ten minutes of mist, with every guard in force\n"
        "  Now, and only now: take the lamp out and plug the humidifier in. Tank full (it is booked as\n"
        "  refilled), its own switch on, dial as always, probe and humidifier where they are to stay. Then\n"
        "  keep away from the probe, a person gives moisture as well, but stay within reach of the plug.\n"
        "  Only if the electrician has signed the mains side off, and the humidifier has passed its\n"
        "  ten-second test (it mists again by itself after ten seconds without power). Else answer n, and\n"
        "  come back with the same command.\n"
        f"  By the settings: {room.words}: at most {room.most_rh_pct_per_min(24.0):.1f} %RH a minute."
    )
    if not scene.yes("Is it plugged in, full, and may it mist for ten minutes?"):
        raise Refused("the mist was not tried: nothing was switched")
    asking = Asking(scene.by)
    watch = Watch(scene, asking)
    scene.site.hold(asking, watch, lambda: watch.over)
    talk.wait(0.0)  # a wish to stop, which ended the loop, ends the walk as well
    finding = judge.mist(room, watch.samples, _names(scene), watch.why_off)
    scene.notes.see("mist ran for", f"{judge.on_s(watch.samples[0]):.0f} s")
    scene.notes.find(finding.words)
    _conclude(scene, finding)


def _conclude(scene: Scene, finding: Finding) -> None:
    if finding.fine:
        scene.talk.say(f"  Good: {finding.words}. The relay is off again.")
        return
    if finding.code == judge.DRYING:
        raise Refused(finding.words)
    if finding.code in (judge.TOO_SHORT, judge.NO_FIGURES):
        raise Refused(
            f"the mist could not be tried long enough: {finding.words.rstrip('.')}. That is no fault; come "
            "back at another hour, when the reason is gone"
        )
    raise Failed(f"The mist: {finding.words}.", unsafe=False)


def _names(scene: Scene) -> list[str]:
    count = len(scene.settings.probe)
    return ["the probe"] if count == 1 else [f"probe {number}" for number in range(1, count + 1)]


def _sample(t_s: float, on: bool, reading: Reading) -> Sample:
    """Figures that no room has are none."""
    rh, temp = reading.rh_pct, reading.temp_c
    if reading.failure or rh is None or temp is None or not (isfinite(rh) and isfinite(temp)):
        return Sample(t_s, on, None, None)
    if not (0.0 < rh <= 100.0 and -10.0 <= temp <= 60.0):
        return Sample(t_s, on, None, None)
    return Sample(t_s, on, rh, temp)


def _figures(reading: Reading) -> str:
    if reading.failure or reading.rh_pct is None or reading.temp_c is None:
        return "no figure"
    return f"{reading.rh_pct:5.1f} %RH {reading.temp_c:5.1f} °C"
