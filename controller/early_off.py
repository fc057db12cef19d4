"""EARLY OFF: the relay's line is off within milliseconds of the start, long before anything is known.

In:    the line file that an earlier run left; later the relay's settings.
Out:   the line held at its off level until the relay's own driver claims it; a line file for the next time.
Never: stops a start. What went wrong is a remark.

Python and its libraries take a second to load on a desktop and many on a small board. A relay that a crash
left on would stay on for as long.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

from controller import force_off
from controller.force_off import Held

if TYPE_CHECKING:  # the settings library is not to be loaded from here
    from controller.devices.settings import RelaySettings

NOTHING_HELD = Held(None, -1, "")


def begin(path: Path | None) -> Held:
    """Holds the line of an earlier run. ``path`` is the settings file, whose content is not looked at."""
    folders = force_off.service_folders()
    if not folders and path is not None:
        from controller.copies import copies

        folders = [str(copies(path))]
    return force_off.hold(*folders)


def way_for(relay: RelaySettings, held: Held) -> Callable[[], None]:
    """What to call right before the relay's line is claimed. Another line stays held at its off level."""
    return held.release if held.is_on(relay.device, relay.pin) else _nothing


def leave_line_file(relay: RelaySettings, folders: Iterable[Path]) -> str:
    """For the next start, and for whoever must drive off when this program is dead. What went wrong."""
    trouble = ""
    for folder in dict.fromkeys(folders):
        try:
            _leave(relay, folder)
        except OSError as error:
            trouble = (
                f"{folder / force_off.FILE} is not as it should be ({error.strerror or error}): should "
                "this program die, the relay's line cannot be driven off from outside. Mend the folder."
            )
    return trouble


def forget_other_line(relay: RelaySettings, folders: Iterable[Path]) -> None:
    """The wiring is not what it was: what was off may be on now, so nobody shall drive it unasked."""
    line = (relay.device, relay.pin, relay.off_level)
    for folder in dict.fromkeys(folders):
        with suppress(OSError, ValueError):
            if force_off.read_line_file(folder) != line:
                force_off.remove_line_file(folder)


def _leave(relay: RelaySettings, folder: Path) -> None:
    """Raises OSError. What is right already is not written again: a memory card is not worn for that."""
    if relay.kind == "simulated":
        force_off.remove_line_file(folder)
        return
    line = (relay.device, relay.pin, relay.off_level)
    with suppress(OSError, ValueError):
        if force_off.read_line_file(folder) == line:
            return
    folder.mkdir(parents=True, exist_ok=True)
    force_off.write_line_file(folder, *line)


def remark(held: Held) -> str:
    """What to tell the keeper of the early off; "" when all went well or there was nothing to do."""
    return f"The relay's line was not driven off early: {held.trouble}." if held.trouble else ""


def _nothing() -> None:
    return
