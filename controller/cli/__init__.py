"""The ``hygrohold`` command: parse, call, print. It decides nothing.

Exit codes, the same for every command:
    0  done
    1  it failed: probe, relay, kept state, record, or an unexpected error (the relay is driven off where
       that can be done)
    2  wrong usage, settings or input file; nothing was begun
    3  asked, but refused or not answered
    4  ``status``: the program is not running
"""

from __future__ import annotations

import argparse
import sys
from collections.abc import Sequence
from importlib import import_module

from controller import __version__
from controller.cli.common import is_duration
from controller.errors import DataFileError, HygroholdError, RefusedError, RequestError, SettingsError

COMMANDS = (
    "bench",
    "size",
    "setup",
    "check",
    "commission",
    "run",
    "status",
    "note",
    "journal",
    "calibrate",
    "wall",
    "pause",
    "resume",
    "humidify",
    "step-test",
    "raise",
    "bypass",
    "acknowledge",
    "tell",
    "report",
    "publish",
    "heard",
    "page",
    "backup",
    "restore",
    "service",
)
"""One module each, in the order of the help; ``add`` declares it, ``run`` does it."""

DONE, FAILED, WRONG, REFUSED, NOT_RUNNING = range(5)

EPILOG = """exit codes: 0 done; 1 failed (the relay is driven off where that can be done);
            2 wrong usage, settings or input file; 3 asked but refused or not answered;
            4 status: the program is not running

example: hygrohold bench --picture fortnight.png"""


def parser() -> argparse.ArgumentParser:
    whole = argparse.ArgumentParser(
        prog="hygrohold",
        description="Holds the humidity of one heated animal room, and rehearses it first.",
        epilog=EPILOG,
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    whole.add_argument("--version", action="version", version=f"hygrohold {__version__}")
    commands = whole.add_subparsers(dest="command", metavar="COMMAND", required=True)
    for name in COMMANDS:
        module = "raise_target" if name == "raise" else name.replace("-", "_")  # as modules can be called
        import_module(f"controller.cli.{module}").add(commands)
    return whole


def main(arguments: Sequence[str] | None = None) -> int:
    """Runs one command; its exit code."""
    whole = parser()
    args, unknown = whole.parse_known_args(arguments)
    if unknown:
        time_alone = hasattr(args, "for_s") and is_duration(unknown[0])
        hint = f": a time goes behind --for, as in --for {unknown[0]}" if time_alone else ""
        whole.error(f"not understood: {' '.join(unknown)}{hint}")
    try:
        code: int = args.run(args)
    except (SettingsError, DataFileError, RequestError) as error:
        print(f"hygrohold: {error}", file=sys.stderr)
        return WRONG
    except RefusedError as error:
        print(f"hygrohold: {error}", file=sys.stderr)
        return REFUSED
    except HygroholdError as error:
        print(f"hygrohold: {error}", file=sys.stderr)
        return FAILED
    except BrokenPipeError:
        return DONE if args.command != "run" else FAILED  # whoever read our output has seen enough
    except KeyboardInterrupt:
        return FAILED
    return code
