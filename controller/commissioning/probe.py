"""Step 3: is it this probe, and does it move? A person breathes on it.

In:    readings, live.
Out:   a rise that only breath makes; else what to check.
Never: switches anything.
"""

from __future__ import annotations

from collections.abc import Sequence

from controller.commissioning import judge
from controller.commissioning.judge import BREATH_RH_PCT
from controller.commissioning.scene import Failed, Scene
from controller.core.records import Reading
from controller.ports import Probe

LOOKS_BEFORE = 5
EVERY_S = 2.0
SHOWN_EVERY_S = 4.0
BREATHE_S = 90.0


def moves(scene: Scene, probes: Sequence[Probe]) -> None:
    """Each probe in turn. Raises Failed, Ended."""
    scene.begin("probe")
    scene.talk.say(
        f"\nStep 3. The probe: it must rise by {BREATH_RH_PCT:g} %RH when somebody breathes on it.\n"
        "  (Breath is nearly saturated; no room changes by that so quickly. Common practice, no source.)"
    )
    for number, probe in enumerate(probes):
        _one(scene, probes, number, f"probe {number + 1}, {probe.name}")
    scene.notes.find("moves when breathed on")


def _one(scene: Scene, probes: Sequence[Probe], number: int, name: str) -> None:
    talk = scene.talk
    talk.say(f"  {name[0].upper()}{name[1:]}. Keep away from it for a moment.")
    before: list[list[float]] = [[] for _ in probes]
    after: list[list[float]] = [[] for _ in probes]
    for _ in range(LOOKS_BEFORE):
        _look(probes, before)
        talk.wait(EVERY_S)
    if not before[number]:
        _fail(scene, f"{name} gives no figure: {_why(probes[number].read())}")
    start = sum(before[number]) / len(before[number])
    scene.notes.see(f"{name}, before", f"{start:.1f} %RH")
    while not scene.yes(f"It shows {start:.1f} %RH. Are you beside it, ready to breathe on it?"):
        talk.say("  Go there; or stop with Ctrl-C.")
    talk.say(f"  Breathe on it slowly, from a hand's breadth, for up to {BREATHE_S:g} s.")
    hint = scene.site.hint("breath")
    if hint:
        talk.say(f"    {hint}")
    passed_s, shown_s = 0.0, SHOWN_EVERY_S
    while passed_s < BREATHE_S:
        talk.wait(EVERY_S)
        passed_s += EVERY_S
        readings = _look(probes, after)
        rise = judge.breath(before[number], after[number])
        enough = rise is not None and rise >= BREATH_RH_PCT
        if passed_s >= shown_s or enough:
            talk.say(f"    {passed_s:3.0f} s  {_shown(readings[number])}")
            shown_s = passed_s + SHOWN_EVERY_S
        if enough:
            scene.notes.see(f"{name}, breathed on", f"rose by {rise:.1f} %RH in {passed_s:.0f} s")
            talk.say(f"  Good: it rose by {rise:.1f} %RH.")
            return
    _no_move(scene, number, name, before, after)


def _no_move(
    scene: Scene, number: int, name: str, before: list[list[float]], after: list[list[float]]
) -> None:
    rise = judge.breath(before[number], after[number])
    scene.notes.see(f"{name}, breathed on", "no figure" if rise is None else f"rose by {rise:.1f} %RH")
    for other, figures in enumerate(before):
        moved = judge.breath(figures, after[other])
        if other != number and moved is not None and moved >= BREATH_RH_PCT:
            _fail(
                scene,
                f"not {name}, but probe {other + 1} rose, by {moved:.1f} %RH: the two are swapped. Change "
                "their places in the settings, or breathe on the other one",
            )
    still = len(set(before[number] + after[number])) == 1
    frozen = " Its figure did not change at all: frozen, or its driver repeats an old one." if still else ""
    how_far = "gave no figure" if rise is None else f"rose by {max(rise, 0.0):.1f} %RH only"
    _fail(
        scene,
        f"{name} {how_far}.{frozen} Is it the sensor you breathed on (`hygrohold check` lists all there are; "
        "the settings name it by at and chip)? Is it open to the air, not in a closed box? Unplug the board, "
        "look at its wires, try again",
    )


def _look(probes: Sequence[Probe], into: list[list[float]]) -> list[Reading]:
    """Reads all; the figures that are numbers are added."""
    readings = [probe.read() for probe in probes]
    for reading, figures in zip(readings, into, strict=True):
        rh = reading.rh_pct
        if not reading.failure and rh is not None and 0.0 < rh <= 100.0:
            figures.append(rh)
    return readings


def _shown(reading: Reading) -> str:
    if reading.failure or reading.rh_pct is None or reading.temp_c is None:
        return f"no figure: {_why(reading)}"
    return f"{reading.rh_pct:.1f} %RH  {reading.temp_c:.1f} °C"


def _why(reading: Reading) -> str:
    return reading.failure or f"{reading.rh_pct} %RH is no room's"


def _fail(scene: Scene, words: str) -> None:
    scene.notes.find(words)
    raise Failed(f"The probe: {words}.", unsafe=True)
