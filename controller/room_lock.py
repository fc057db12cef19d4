"""ROOM LOCK: one program a room. Whoever switches its relay holds this lock.

In:    the room's folder for kept state.
Out:   an open file; the room is held for as long as it is open.
Never: waits for long. A lock that is taken means that another program holds the relay.
"""

from __future__ import annotations

import fcntl
import time
from pathlib import Path
from typing import TextIO

from controller.errors import KeptStateError

NAME = "lock"
LOOK_S = 0.02


def is_held(folder: Path) -> bool | None:
    """Whether a program holds the room now; None where that cannot be told."""
    try:
        file = (folder / NAME).open("rb")
    except OSError:
        return None
    with file:
        try:
            fcntl.flock(file, fcntl.LOCK_SH | fcntl.LOCK_NB)  # let go of at once, at the close
        except BlockingIOError:
            return True
        except OSError:
            return None
        return False


def hold(folder: Path) -> TextIO:
    """The room's lock, held for as long as the file is open. Raises KeptStateError."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        file = (folder / NAME).open("w")
    except OSError as error:
        raise KeptStateError(
            f"the folder for kept state, {folder}, cannot be used: {error.strerror}. "
            "Choose another with room.state_dir, or mend its permissions."
        ) from error
    for last in (False, False, True):
        try:
            fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
            return file
        except OSError:
            if not last:
                time.sleep(LOOK_S)  # somebody may only be looking whether it is held
    file.close()
    raise KeptStateError(
        f"another hygrohold already runs this room: {folder} is in use. Stop that one first, or give "
        "this room another room.name."
    )
