"""Sends one message through the apprise library, and ends. The only file that knows this library.

In:    {"url", "title", "body", "kind"} as JSON on its input.
Out:   {"done", "why"} as JSON on its output.
Never: needs anything else of this package, or prints what the library logs: it quotes addresses.

A script: ``python -I service_child.py``.
"""

from __future__ import annotations

import io
import json
import logging
import sys
from typing import Any

KINDS = {"over": "success", "was": "success", "trial": "info", "notice": "info"}


def send(told: dict[str, Any]) -> tuple[bool, str]:
    try:
        import apprise
    except ImportError:
        return False, "the library cannot be loaded"
    log = logging.getLogger("apprise")
    heard = io.StringIO()
    log.handlers, log.propagate = [logging.StreamHandler(heard)], False
    log.setLevel(logging.WARNING)
    service = apprise.Apprise(asset=apprise.AppriseAsset(app_id="hygrohold", async_mode=False))
    if not service.add(told["url"]):
        return False, "the library does not know such an address, or something in it is missing"
    kind = apprise.NotifyType(KINDS.get(told["kind"], "warning"))
    if service.notify(title=told["title"], body=told["body"], notify_type=kind):
        return True, ""
    lines = heard.getvalue().strip().splitlines()
    return False, lines[0] if lines else "the service did not take it"


def main() -> int:
    try:
        done, why = send(json.loads(sys.stdin.read()))
    except Exception as error:
        done, why = False, f"the library failed ({type(error).__name__})"
    sys.stdout.write(json.dumps({"done": done, "why": why}))
    return 0 if done else 1


if __name__ == "__main__":
    sys.exit(main())
