"""By a notification service, through the apprise library (pip install '.[notify]' in the program's folder).

In:    an address in that library's form; a letter.
Out:   the service's success, or SendError.
Never: loads the library into the program that holds the room: it and what it draws in take as much memory
       as all else together. A process of its own does that, for one message.
"""

from __future__ import annotations

import json
import os
import sys
from collections.abc import Mapping
from importlib.util import find_spec
from pathlib import Path

from controller.notifier import program
from controller.notifier.ways import SendError, Way, without_secrets
from controller.notifier.words import Letter

TIMEOUT_S = 60.0
LIBRARY = "apprise"
MISSING = "the library for services is not installed: pip install '.[notify]' in the program's folder"
CHILD = Path(__file__).with_name("service_child.py")


def missing() -> str:
    """That the library is not installed, in words; "" when it is."""
    return "" if find_spec(LIBRARY) is not None else MISSING


def service_way(
    number: int, url: str, environ: Mapping[str, str] = os.environ, timeout_s: float = TIMEOUT_S
) -> Way:
    def send(letter: Letter) -> None:
        if missing():
            raise SendError(MISSING)
        title, _, rest = letter.words.partition("\n")
        told = json.dumps({"url": url, "title": title, "body": rest or title, "kind": letter.kind})
        words = [sys.executable, "-I", str(CHILD)]
        given = program.environment(environ, {})
        status, out, _ = program.run(words, told, given, timeout_s)
        try:
            answer = json.loads(out)
            done, said = answer["done"] is True, str(answer["why"])
        except (ValueError, TypeError, KeyError):
            done, said = False, f"its sender ended with status {status}"
        if not done:
            raise SendError(without_secrets(said, [url]))

    scheme = url.partition("://")[0]
    return Way(f"service {number} ({scheme})", timeout_s + 2 * program.END_WITHIN_S, send)
