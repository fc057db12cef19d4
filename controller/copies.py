"""COPIES: the folder of a settings file's last good copy. It does not depend on what the file says.

In:    the settings file's path.
Out:   a folder.
Never: loads the settings library: this is asked before that, when the relay's line is to go off early.
"""

from __future__ import annotations

import os
import zlib
from pathlib import Path

from platformdirs import user_state_path


def copies(path: Path) -> Path:
    """Where the last good copy of this settings file goes: a place that does not depend on what it says."""
    if "STATE_DIRECTORY" in os.environ:
        return Path(os.environ["STATE_DIRECTORY"])
    return user_state_path("hygrohold") / f"settings-{zlib.crc32(str(path.resolve()).encode()):08x}"
