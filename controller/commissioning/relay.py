"""Steps 1 and 2: does the outlet do what it is told, and does it go off when the program is killed?

In:    a person's answers about a lamp.
Out:   what is wrong and what to change; whether a kill alone leaves it off.
Never: leaves the relay on: it goes off by itself after a minute, and after a kill the service's off step is
       run on every way out that has not been seen to be off.
"""

from __future__ import annotations

from controller.commissioned import KILL_FORCED, KILL_OFF
from controller.commissioning import judge
from controller.commissioning.hand import Hand, Seen
from controller.commissioning.hand_child import MOST_ON_S
from controller.commissioning.judge import Finding
from controller.commissioning.scene import Failed, Scene
from controller.commissioning.talk import Ended

SETTLE_S = 2.0
"""A relay's contact follows in hundredths of a second; a person's eye needs longer."""
ANSWER_S = 120.0
IS_OFF, IS_ON = "Is the outlet OFF (the lamp dark)?", "Is the outlet ON (the lamp lit)?"
UNPLUG = "Unplug what is in the outlet now, and leave it unplugged until this is mended."
ONLY_WIRING = (
    "    A kill alone leaves the outlet ON; the service's off step then drives it off. So: never run\n"
    "    hygrohold by hand with the humidifier plugged in, only as the service. Only wiring promises what\n"
    "    no program can: an input that switches on at a high line, a pull-down resistor on the line, and\n"
    "    on a Raspberry Pi dtparam=strict_gpiod in config.txt (hardware_notes/relay_and_outlet.md)."
)


def obeys(scene: Scene, hand: Hand) -> None:
    """Off, on, off again, each seen. Raises Failed, Ended, RelayError."""
    scene.begin("relay")
    scene.talk.say("\nStep 1. The relay: off, on, off again")
    while True:
        finding = _looked(scene, hand)
        if finding.code != judge.CONFUSED or not scene.yes(f"{finding.words}. Look again?"):
            break
    scene.notes.find(finding.words)
    if finding.code == judge.LIT:
        scene.site.forget_line()
    if not finding.fine:
        raise Failed(f"The outlet: {finding.words}.", unsafe=True)
    scene.talk.say(f"  Good: {finding.words}.")


def _looked(scene: Scene, hand: Hand) -> Finding:
    """Lit at OFF is told at once: nothing else is tried on such an outlet."""
    if not _try(scene, hand, False):
        scene.talk.say("  It must be off at this moment. Look once more.")
        really = scene.yes(IS_ON, "outlet")
        return judge.lit_at_off(scene.settings.relay.active_high) if really else judge.confused()
    on = _while_on(scene, hand)
    return judge.outlet(on, _try(scene, hand, False))


def _try(scene: Scene, hand: Hand, on: bool) -> bool:
    seen = hand.switch(on)
    scene.talk.say(f"  The line is driven {'ON' if on else 'OFF'} now.")
    _read_back(scene, seen)
    scene.talk.wait(SETTLE_S)
    return scene.yes(IS_ON if on else IS_OFF, "outlet")


def _while_on(scene: Scene, hand: Hand) -> bool:
    """Asks again where it went off by itself before the answer came."""
    while True:
        scene.talk.say(f"  It goes on now, and off by itself after {MOST_ON_S:g} s. Look at it.")
        answer = _try(scene, hand, True)
        if hand.look().on:
            return answer
        scene.talk.say("  That took too long: it has gone off by itself meanwhile. Once more.")


def _read_back(scene: Scene, seen: Seen) -> None:
    if seen.line_on is None or seen.line_on == seen.on:
        return
    told, read = ("ON", "OFF") if seen.on else ("OFF", "ON")
    words = f"driven {told}, and the line itself reads {read}: something else drives it, or a short circuit"
    scene.notes.see("line read back", words)
    scene.talk.say(f"  ! {words}.")


def survives_a_kill(scene: Scene, hand: Hand) -> str:
    """Switched on, killed; KILL_OFF or KILL_FORCED. Raises Failed, Ended, RelayError."""
    scene.begin("kill")
    scene.talk.say(
        "\nStep 2. A crash: the program that holds the relay is killed (SIGKILL) while the outlet is on"
    )
    sure = False
    try:
        _read_back(scene, hand.switch(True))
        scene.talk.say("  On now.")
        scene.talk.wait(SETTLE_S)
        hand.kill()
        scene.talk.say("  Killed.")
        scene.talk.wait(SETTLE_S)
        if _answered(scene, "Is the outlet OFF now, the program being dead?"):
            sure = True
            _found(scene, "off after a kill, with nobody's help", "")
            return KILL_OFF
        done, words = scene.site.force_off()
        scene.notes.see("the service's off step", words)
        scene.talk.say(f"  Still on. The service's off step is run now: {words}.")
        scene.talk.wait(SETTLE_S)
        if not _answered(scene, "Is the outlet OFF now?"):
            scene.notes.find("on after a kill, and after the off step")
            raise Failed(
                f"The outlet stays on when the program dies, and cannot be driven off. {UNPLUG} Has the line "
                "a pull-down resistor, and does its relay switch on at a high line?",
                unsafe=True,
            )
        sure = done
        if not done:
            scene.notes.find("off, but not by the off step")
            raise Failed(
                f"The off step did not work, so the service could not switch off after a crash: {words}.",
                unsafe=True,
            )
        _found(scene, "on after a kill, off by the service's off step", ONLY_WIRING)
        return KILL_FORCED
    finally:
        if not sure:
            hand.kill()
            scene.force_off()


def _answered(scene: Scene, question: str) -> bool:
    answer = scene.ask(question, "outlet", within_s=ANSWER_S)
    if answer is None:
        raise Ended(f"nobody answered for {ANSWER_S:g} s while the outlet may be on")
    return answer


def _found(scene: Scene, words: str, more: str) -> None:
    scene.notes.find(words)
    scene.talk.say(f"  Good: {words}." if not more else f"  Allowed: {words}.\n{more}")
