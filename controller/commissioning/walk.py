"""WALK: the whole of commissioning, in the order in which nothing can hurt, and the record at its end.

In:    settings, a site (real or simulated), a keeper to talk to, the room's folder (None: no record).
Out:   a ``Result``; a record in the folder only if every step passed.
Never: writes a record for a walk that was ended, refused or not passed; leaves the relay on at any end.
"""

from __future__ import annotations

from enum import Enum
from pathlib import Path

from controller import __version__, commissioned
from controller.commissioned import NOT_SET, Record
from controller.commissioning import mist, probe, relay
from controller.commissioning.scene import Failed, Notebook, Refused, Scene, Site
from controller.commissioning.talk import Ended, Talk
from controller.errors import HygroholdError, KeptStateError, RelayError
from controller.settings import Settings

BEFORE = """\
Commissioning of the room "{room}". About 15 minutes; you need to see the outlet, and to reach the probe.
  1. the relay: off, on, off     2. a crash     3. the probe     4. ten minutes of mist

  - In the outlet first: a plug-in LAMP, or nothing (then listen for the relay). Never the humidifier
    before step 4, when it is asked for.
  - Never touch wiring with the plug in. Mains parts are an electrician's work; local codes come first.
  - The animals' room can stay as it is. Hand/off/auto switch, if there is one: at AUTO.
  - Answer what you see, not what should be. Ctrl-C ends it at any time: the relay goes off, and no record
    is written."""
ONLY_MIST = """\
Commissioning of the room "{room}". Only the mist is missing: the relay, the crash and the probe were seen on
{date}{unsure}, for the wiring that the settings name now.
  - The humidifier stays unplugged until it is asked for. Never touch wiring with the plug in.
  - Was anything rewired or exchanged since, or are you not sure? Then answer n: all of it is seen again."""
AS_IT_WAS = "Is all wired as it was on {date}, and do you want to do only the mist now?"


class Result(Enum):
    PASSED = "passed"
    FAILED = "failed"
    REFUSED = "refused"


def walk(settings: Settings, site: Site, talk: Talk, by: str, folder: Path | None) -> Result:
    """The steps. Raises KeptStateError where the record cannot be written; every other trouble is told."""
    scene = Scene(settings, site, talk, Notebook(), by)
    try:
        _steps(scene, folder)
    except Failed as failed:
        outlet = scene.notes.steps[-1].step == "relay"
        talk.say(f"\nNOT PASSED. {failed}\nNo record is written.{_where_it_stands(scene, outlet)}")
        _keep_failed(scene, folder, "" if failed.unsafe else scene.notes.kill, failed.unsafe)
        return Result.FAILED
    except Refused as refused:
        talk.say(f"\nNot now: {refused}.\nNo record is written. The relay is off.")
        _keep_failed(scene, folder, scene.notes.kill)
        return Result.REFUSED
    except Ended as ended:
        talk.say(f"\nEnded: {ended}. No record is written.{_where_it_stands(scene)}")
        if scene.notes.kill and scene.notes.mist_begun:
            _keep_failed(scene, folder, scene.notes.kill)
        return Result.REFUSED
    except HygroholdError as error:
        if isinstance(error, RelayError):
            scene.force_off()  # whether it is off is what has just become unknown
        talk.say(
            f"\nNOT PASSED. It could not be done: {error}\nNo record is written.{_where_it_stands(scene)}"
        )
        if scene.notes.mist_begun or not scene.notes.kill:
            _keep_failed(scene, folder, "")
        return Result.FAILED
    if folder is None:
        talk.say(
            "\nIn earnest you would unplug the humidifier again now: nobody holds the line any more.\n"
            "Passed, in the rehearsal: no record is written."
        )
        return Result.PASSED
    commissioned.write(folder, _record(scene, scene.notes.kill))
    talk.say(
        f"\nPASSED. The record is {folder / commissioned.FILE}.\n"
        "It holds for this wiring: change the relay's or a probe's settings, and `hygrohold run` asks for\n"
        "a new one. Unplug the humidifier again: when this program ends, nobody holds the line any more.\n"
        "Once the room is held, stay with the humidifier for the first day."
    )
    return Result.PASSED


def _steps(scene: Scene, folder: Path | None) -> None:
    if folder is not None and _goes_on(scene, folder):
        hand = scene.site.hand()
        scene.notes.claimed = True
        hand.close()  # the line can be had, is driven off, and its off level is noted for the off step
    else:
        _all_but_mist(scene)
    mist.arrives(scene)


def _goes_on(scene: Scene, folder: Path) -> bool:
    """Whether only the mist is left to be seen. Raises Ended; KeptStateError."""
    earlier = commissioned.unfinished(scene.settings, folder)
    if earlier is None:
        return False
    seen = next((step.at for step in earlier.steps if step.step == "relay" and step.at), earlier.at)
    date, unsure = seen[:10], NOT_SET if seen.endswith(NOT_SET) else ""
    scene.talk.say(ONLY_MIST.format(room=scene.settings.room.name, date=date, unsure=unsure))
    question = AS_IT_WAS.format(date=date)
    if not scene.talk.ask(question):
        commissioned.write_failed(folder, earlier._replace(kill=""))  # nobody can go on from it any longer
        scene.talk.say("")
        return False
    scene.notes.take_up(earlier)
    scene.begin("before")
    scene.notes.see(question, "yes")
    scene.notes.find("all wired as it was")
    return True


def _all_but_mist(scene: Scene) -> None:
    talk, site = scene.talk, scene.site
    talk.say(BEFORE.format(room=scene.settings.room.name))
    talk.say("\nWhat there is")
    for line in site.found():
        talk.say(f"  {line}")
    probes = site.probes()
    if not _ready(scene):
        raise Ended("nothing was begun")
    hand = site.hand()
    scene.notes.claimed, obeyed = True, False
    try:
        relay.obeys(scene, hand)
        obeyed = True
        kill = relay.survives_a_kill(scene, hand)
        hand.close()
    except BaseException as error:
        try:
            hand.close()
        except HygroholdError:  # what was wrong first is what is told
            scene.force_off()
        if not obeyed and not isinstance(error, HygroholdError):
            site.forget_line()  # nobody has seen that the level noted in it is off
        raise
    probe.moves(scene, probes)
    scene.notes.kill = kill


def _where_it_stands(scene: Scene, outlet: bool = False) -> str:
    """Of the relay's line, as far as is known; of the outlet only a person knows.

    ``outlet``: it was not seen to obey, so that a line driven off says nothing about it.
    """
    if scene.notes.maybe_on:
        return f"\nThe relay may be ON ({scene.notes.maybe_on}). Unplug what is in the outlet now."
    if not scene.notes.claimed:
        return " Nothing was switched."
    return "" if outlet else " The relay is driven off."


def _ready(scene: Scene) -> bool:
    scene.begin("before")
    ready = scene.yes("Is a lamp (or nothing) in the outlet, and no humidifier?")
    scene.notes.find("a lamp or nothing in the outlet" if ready else "not ready")
    return ready


def _record(scene: Scene, kill: str) -> Record:
    now = scene.site.now()
    return Record(
        now.wall.isoformat(timespec="seconds"), now.wall_trusted, __version__, scene.by,
        scene.settings.room.name, commissioned.fingerprint(scene.settings), kill, scene.notes.steps,
    )  # fmt: skip


def _keep_failed(scene: Scene, folder: Path | None, kill: str, unsafe: bool = False) -> None:
    """What was seen is kept for whoever mends it. A record that is now known to be wrong holds no longer.

    ``kill``: how a kill went, where all but the mist has passed; a later walk goes on from there. Else "".
    """
    if folder is None:
        return
    talk = scene.talk
    try:
        commissioned.write_failed(folder, _record(scene, kill))
        talk.say(f"What was seen is kept in {folder / commissioned.FAILED_FILE}.")
        if kill:
            talk.say("Come back with the same command: it offers to do only the mist.")
    except KeptStateError as error:
        talk.say(f"What was seen could not be kept: {error}.")
    if unsafe and commissioned.withdraw(folder):
        talk.say(
            "The room's earlier record is withdrawn: `hygrohold run` will not switch this relay until "
            "commissioning has passed."
        )
    elif (folder / commissioned.FILE).exists():
        talk.say("The room's earlier record stays as it is.")
