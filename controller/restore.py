"""RESTORE: puts a backup's record back into a room that is not running.

In:    an archive, all of it checked first; the room's folder, held by its lock.
Out:   the record of then; the room's own record set aside under a name that says so.
Never: deletes or overwrites anything, or makes room under the runtime cap that nobody has counted.

The protective state is not simply put back. After the backup was made the humidifier ran on, and what it ran
is in no archive: an older ledger, aged by the clock, would be empty again, and the cap could be used a second
time. So:

1. A state that is there and was kept later than the archive's stays: it knows more. So does one where no
   trusted clock tells which of the two is the later.
2. Where there is none (a new card), or an older one (an old image of the card), the archive's comes, but
   the time since it was kept counts as run, up to half the cap, on top of what its own ledger still holds.
   Half is what an unreadable ledger counts as everywhere (``core.state.after_loss``): counting all of it
   would leave the animals dry for half a day after a change of card. Where no trusted clock tells how long it
   was, it is half. The tank counts as unknown, but an empty one as empty: its guard stays, and trial pulses
   find out whether it was filled. A pause goes on; "humidify now" and a raised target end. A notice says
   for a day what happened.
3. The record of commissioning only fills a gap: one that is there is newer, or was withdrawn for a reason,
   and one that did not pass here contradicts it.
"""

from __future__ import annotations

import os
import shutil
from pathlib import Path
from typing import NamedTuple

from controller import backup, commissioned, keep
from controller.core import keeper, runtime, tank
from controller.core.records import Instant
from controller.core.state import RESTORED, Outage, RelayMemory, State, after_loss
from controller.core.tank import TankMemory
from controller.errors import DataFileError, HistoryError, HygroholdError, KeptStateError, RefusedError
from controller.files import aside_name, sync_folder, write_whole
from controller.history.copy import FILES, Contents, check_record, rename_record
from controller.history.store import SqliteHistory
from controller.service.folders import set_aside

WHY = "before-restore"
_MARGIN_BYTES = 32 * backup.MIB
"""Left free on the card beside the record that is put back."""


class Looked(NamedTuple):
    """An archive all of whose parts are sound, and what they say."""

    said: backup.Archive
    record: Contents
    state: State | None


def look(path: Path, beside: Path) -> Looked:
    """Checks everything; unpacks the record to ``beside``, a new file. Raises HygroholdError."""
    with backup.opened(path) as (archive, said):
        size = said.parts[backup.RECORD].size
        free = shutil.disk_usage(beside.parent).free
        if size + _MARGIN_BYTES > free:
            raise RefusedError(
                f"{beside.parent} has {free / 1e6:.0f} MB free, too little for the {size / 1e6:.0f} MB of "
                f"the record in {path}: nothing was changed"
            )
        try:
            descriptor = os.open(
                beside, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o664
            )  # as a new record is made
            with os.fdopen(descriptor, "wb") as file:
                backup.read_part(archive, said, backup.RECORD, file.write)
                file.flush()
                os.fsync(file.fileno())
        except OSError as error:
            raise HygroholdError(f"{beside} cannot be written: {error.strerror or error}") from error
        for name in said.parts:
            if name != backup.RECORD:
                backup.text_of(archive, said, name)
        try:
            return Looked(said, check_record(beside), backup.state_of(archive, said))
        except HistoryError as error:
            raise DataFileError(f"{path}: its record cannot be used: {error}") from error


def settings_of(path: Path) -> str:
    """The text of the settings file in an archive. Raises DataFileError where there is none."""
    with backup.opened(path) as (archive, said):
        text = backup.text_of(archive, said, backup.SETTINGS)
    if text is None:
        raise DataFileError(f"{path} holds no settings file: the room had none when it was made")
    return text


def restore(
    path: Path, room: str, folder: Path, record: Path, cap_s: float, now: Instant
) -> tuple[Looked, list[str]]:
    """What was found, and in words what was done. The caller holds the room. Raises HygroholdError."""
    beside = record.with_name(f".{record.name}.restored.part")
    try:
        for ending in FILES:
            beside.with_name(beside.name + ending).unlink(missing_ok=True)
        found = look(path, beside)
        if found.said.room != room:
            raise RefusedError(
                f"{path} is of the room {found.said.room}, and these settings are of the room {room}: "
                "nothing was changed. Name the settings file of that room."
            )
        done = [_state(found.state, folder, cap_s, now), _commissioning(path, folder)]
        done += _record(found, beside, record, now)
    except OSError as error:
        raise HygroholdError(
            f"{folder} cannot be written: {error.strerror or error}. Nothing is lost."
        ) from error
    finally:
        beside.unlink(missing_ok=True)
    return found, [words for words in done if words]


def _state(state: State | None, folder: Path, cap_s: float, now: Instant) -> str:
    there = keep.peek(folder)
    if there is not None and state is None:
        return "The protective state that is there stays; the backup holds none."
    if there is not None and state is not None and not _kept_later(state, there):
        return "The protective state that is there stays: it was kept later, or that cannot be told."
    for name in keep.NAMES:
        if (folder / name).exists():
            set_aside(folder / name, WHY)
    if state is None:  # an empty folder would be taken for a new room's, which has run nothing
        keep.FileKeep(folder).save(after_loss(f"{RESTORED}no protective state was in it", cap_s))
        return (
            "No protective state is here, and none is in the backup: half the runtime cap counts as used, "
            "and the tank as unknown. Note the next filling."
        )
    strict = with_strict_ledger(state, cap_s, now)
    keep.FileKeep(folder).save(strict)
    level = "the tank as empty, as it was then" if tank.empty(state.tank) else "the tank as unknown"
    return (
        "The protective state came from the backup. What the humidifier ran since then is not known: up to "
        f"half the runtime cap counts as used, and {level}. Note the next filling."
        f"{_wishes(state, strict)}"
    )


def _wishes(then: State, now: State) -> str:
    """What of the keeper's wishes in a backup is lost, or goes on."""
    words = ""
    raised = keeper.raised(then.keeper, then.t)
    if raised is not None:
        words += (
            f" The target was raised then, by {keeper.raised_words(raised)}. That is not put back: "
            "`hygrohold raise`, if it is still wanted."
        )
    if then.keeper.humidify_until_t > then.t:
        words += " Mist that was asked for then is not asked for now."
    left_s = now.keeper.pause_until_t - now.t
    if left_s > 0.0:
        words += f" A pause of then goes on for {keeper.duration_words(left_s)}; `hygrohold resume` ends it."
    elif then.keeper.pause_until_t > then.t:
        words += " A pause of then is over by now."
    return words


def _kept_later(one: State, other: State) -> bool:
    """Where a clock that is not trusted kept either, the one that is there is taken for the later."""
    return one.wall_trusted and other.wall_trusted and one.wall > other.wall


def with_strict_ledger(state: State, cap_s: float, now: Instant) -> State:
    """The state of an archive as of ``now``; see the head of this module."""
    since_s = (now.wall - state.wall).total_seconds()
    known = state.wall_trusted and now.wall_trusted and since_s >= 0.0
    t = state.t + (since_s if known else 0.0)
    ran_s = min(since_s, cap_s / 2.0) if known else cap_s / 2.0
    used = runtime.advance(state.runtime, state.t, 0.0, False)
    level = TankMemory(learned=state.tank.learned)  # what was last certain of it no longer is
    if tank.empty(state.tank):
        level = level._replace(level_l=0.0, next_trial_t=state.tank.next_trial_t)
    return state._replace(
        t=t,
        started=False,
        mono_s=now.mono_s,
        boot=now.boot,
        wall=now.wall,
        wall_trusted=now.wall_trusted,
        gap=None,
        outage=Outage(min(state.wall, now.wall), now.wall, t + runtime.WINDOW_S),
        relay=RelayMemory(since_t=t),
        runtime=runtime.assume_ran(used, t - ran_s, t),
        tank=level,
        keeper=state.keeper._replace(humidify_until_t=0.0, raise_until_t=0.0),
        lost=f"{RESTORED}its protective state is of {state.wall:%Y-%m-%d}",
        lost_until_t=t + runtime.WINDOW_S,
    )


def _commissioning(path: Path, folder: Path) -> str:
    try:
        if commissioned.read(folder) is not None:
            return "The record of commissioning that is there stays."
    except KeptStateError as error:
        return f"The record of commissioning stays as it is, although {error}."
    if (folder / commissioned.FAILED_FILE).exists():
        return (
            "The record of commissioning was not put back: a commissioning here did not pass. "
            "Commission the room again."
        )
    if list(folder.glob(f"{commissioned.FILE}.*")):
        return (
            "The record of commissioning was not put back: one was withdrawn here. Commission the room again."
        )
    with backup.opened(path) as (archive, said):
        text = backup.text_of(archive, said, backup.COMMISSIONED)
    if text is None:
        return ""
    write_whole(folder / commissioned.FILE, text, readable=True)
    try:
        record = commissioned.read(folder)
        made_at = record.at[:10] if record is not None else ""
    except KeptStateError as error:
        set_aside(folder / commissioned.FILE, "unreadable")
        return f"The record of commissioning was not put back: {error}."
    return (
        f"The record of commissioning of {made_at} was put back. It holds for the same board, relay and "
        "wiring: was anything but the storage card changed, commission the room again."
    )


def _record(found: Looked, beside: Path, record: Path, now: Instant) -> list[str]:
    """The last step, and the only one that changes the record: two renames."""
    history = SqliteHistory.open(beside)  # brings an older one up to date, too
    made_at = f"{found.said.made_at:%Y-%m-%d %H:%M}"
    history.event(now, "restored", f"this record was put back from a backup made at {made_at}")
    trouble = history.trouble()
    history.close()
    if trouble:
        raise HygroholdError(f"the record of the backup cannot be used: {trouble}")
    done = []
    there = [ending for ending in FILES if record.with_name(record.name + ending).exists()]
    if there:  # a log that was left alone would be played into the restored record
        aside = aside_name(record, WHY, FILES)
        rename_record(record, aside)
        done.append(f"The record that was there is now {aside.name}{there[0]}, in the same folder.")
    beside.replace(record)
    sync_folder(record.parent)
    return [*done, "The record of the backup is in place."]
