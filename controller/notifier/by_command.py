"""By a command of the keeper's own: the message on its input and in its environment.

In:    a program and its arguments; a letter.
Out:   the program's success, or SendError.
Never: goes through a shell, or shows an argument: it may hold a password.
"""

from __future__ import annotations

import os
from collections.abc import Mapping
from pathlib import PurePath

from controller.notifier import program
from controller.notifier.ways import SendError, Way, without_secrets
from controller.notifier.words import Letter

TIMEOUT_S = 30.0


def command_way(
    words: tuple[str, ...], environ: Mapping[str, str] = os.environ, timeout_s: float = TIMEOUT_S
) -> Way:
    def send(letter: Letter) -> None:
        more = {
            "HYGROHOLD_ROOM": letter.room,
            "HYGROHOLD_CODE": letter.code,
            "HYGROHOLD_KIND": letter.kind,
            "HYGROHOLD_WORDS": letter.words,
        }
        given = program.environment(environ, more)
        status, _, err = program.run(words, letter.words + "\n", given, timeout_s)
        if status == 0:
            return
        last = err.strip().rsplit("\n", 1)[-1]
        said = without_secrets(last, words[1:])
        ended = f"it was killed by signal {-status}" if status < 0 else f"it ended with status {status}"
        raise SendError(ended + (f": {said}" if said else ""))

    # longer than the program has: it is ended first, and with it the try
    return Way(f"command ({PurePath(words[0]).name})", timeout_s + 2 * program.END_WITHIN_S, send)
