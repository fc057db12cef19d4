"""ROOM LOCK: one program a room. Whoever switches its relay holds this lock.

In:    the room's folder for kept state.
Out:   an open file; the room is held for as long as it is open.
Never: waits. A lock that is taken means that another program holds the relay.
"""

from __future__ import annotations

import fcntl
from pathlib import Path
from typing import TextIO

from controller.errors import KeptStateError

NAME = "lock"


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
    try:
        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    except OSError:
        file.close()
        raise KeptStateError(
            f"another hygrohold already runs this room: {folder} is in use. Stop that one first, or give "
            "this room another room.name."
        ) from None
    return file
