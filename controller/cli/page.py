"""page: the keeper's page, for a phone."""

from __future__ import annotations

import argparse
import getpass
import os
import socket
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.cli.broker import add_board, add_broker, board_of, broker_of, clear_words, without_broker
from controller.errors import HygroholdError, RefusedError, SettingsError

if TYPE_CHECKING:
    from controller.outlets.heard import Heard
    from controller.page.app import Metrics
    from controller.page.elsewhere import Elsewhere
    from controller.page.rooms import Room, Seen

PORT = 8321
MISSING = "the page needs two small libraries: pip install '.[page]' in the program's folder"


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "page",
        run,
        "show a page of the room, for a phone; it asks the running program, and switches nothing itself",
        "hygrohold page --settings larch.toml",
        "It is a process of its own beside `hygrohold run`. Several --settings give one page over all rooms. "
        "Without any: the rooms of the service.",
    )
    to.add_argument(
        "--settings", action="append", metavar="FILE", help="a room's settings file; may be given again"
    )
    to.add_argument(
        "--listen", default="127.0.0.1", metavar="ADDRESS",
        help="another address than this board's own needs a password (default: %(default)s)",
    )  # fmt: skip
    to.add_argument("--port", type=_port, default=PORT, help="default: %(default)s")
    to.add_argument(
        "--name", action="append", default=[], metavar="HOST",
        help="a name by which browsers call this page, beside numbers, localhost and this machine's name",
    )  # fmt: skip
    to.add_argument(
        "--https", action="store_true", help="a proxy in front of it speaks TLS, and browsers reach only that"
    )
    to.add_argument(
        "--metrics", action="store_true",
        help="serve /metrics too, in the Prometheus text format, to whoever may read the page",
    )  # fmt: skip
    beyond = to.add_argument_group(
        "rooms of other boards", "Heard at a broker, where those boards run `hygrohold publish`."
    )
    add_broker(beyond, required=False)
    add_board(beyond)
    to.add_argument("--keys", metavar="FILE", help="where password and tokens are kept, hashed")
    what = to.add_mutually_exclusive_group()
    what.add_argument(
        "--set-password", action="store_true", help="set it, and end; every browser signs in anew"
    )
    what.add_argument("--add-token", metavar="NAME", help="make a key for a program that only reads, and end")
    what.add_argument("--drop-token", metavar="NAME", help="make it worth nothing any more, and end")


def _port(text: str) -> int:
    if text.isascii() and text.isdigit() and int(text[:6]) <= 65535:
        return int(text)
    raise argparse.ArgumentTypeError(f"{text!r} is not a port: 1024 to 65535; 0 takes a free one")


def run(args: argparse.Namespace) -> int:
    from controller.page.keys import KeyRing
    from controller.wiring import page_keys

    path = Path(args.keys) if args.keys else page_keys()
    if args.set_password or args.add_token or args.drop_token:
        return _change_keys(args, path)
    try:
        from controller.page import app, serve  # noqa: F401  # each has a library of its own to miss
    except ImportError as error:
        raise HygroholdError(MISSING) from error
    without_broker(args)
    metrics = _metrics() if args.metrics else None
    ring = KeyRing(path)
    open_to_others = not serve.is_loopback(args.listen)
    if (open_to_others or args.name or args.https) and not ring().locked:
        why = f"others can reach {args.listen}" if open_to_others else "a proxy lets others in"
        raise RefusedError(f"{why}, and no password is set: `hygrohold page --set-password` first")
    return _serve(args, _rooms(args.settings), ring, metrics)


def _serve(args: argparse.Namespace, rooms: list[Room], ring: Any, metrics: Metrics | None) -> int:
    import time

    from controller.cli import DONE
    from controller.page import serve
    from controller.page.app import App
    from controller.page.door import Door
    from controller.page.gate import Gate

    own = socket.gethostname().lower()
    door = Door(ring, (own, f"{own}.local", *args.name), time.time, args.https)
    heard, look = _heard(args, rooms) if args.broker else (None, None)
    app = App(rooms, Gate(door, ring), metrics, look)
    sock = serve.listen(args.listen, args.port)

    def say(address: str) -> None:
        print(f"The page of {', '.join(room.name for room in rooms)}: {address}", flush=True)
        if not args.https and not serve.is_loopback(args.listen):
            print("Without TLS whoever shares the network can read the password on its way.", flush=True)
        if heard is not None:
            heard.start()  # here, once the server has made itself nice: a thread is as nice as its maker

    try:
        serve.run(app.wsgi, sock, say)
    finally:
        if heard is not None:
            heard.stop()
    return DONE


def _metrics() -> Metrics:
    """Raises HygroholdError without its library."""
    from controller.outlets import exposition
    from controller.outlets.seen import judged
    from controller.page.app import Metrics

    def text(rooms: Sequence[tuple[Room, Seen]]) -> str:
        return exposition.text(
            [judged(room.name, seen.plain, seen.age_s, seen.fresh) for room, seen in rooms]
        )

    return Metrics(text, exposition.CONTENT_TYPE)


def _heard(args: argparse.Namespace, rooms: list[Room]) -> tuple[Heard, Callable[[], Elsewhere]]:
    """Raises SettingsError for options that do not fit, HygroholdError without the library."""
    broker = broker_of(args)
    from controller.outlets.heard import Heard
    from controller.page.elsewhere import listening

    if words := clear_words(broker):
        _say(words)
    heard = Heard(broker, say=_say)
    own = {room.name for room in rooms}
    return heard, listening(heard, f"{broker.host} port {broker.port}", board_of(args), own)


def _say(words: str) -> None:
    print(words, file=sys.stderr, flush=True)


def _rooms(files: list[str] | None) -> list[Room]:
    """Raises HygroholdError."""
    from controller.service.folders import rooms_settings

    environment = os.environ.get(common.PATH_VARIABLE)
    named = [Path(name) for name in files or ([environment] if environment else [])]
    found: dict[str, Room] = {}
    trouble = SettingsError("which room? Name its settings file: --settings larch.toml")
    for path in named or rooms_settings():
        try:
            room = _room(path)
        except HygroholdError as error:
            if named:
                raise
            print(f"hygrohold: {path} is left out: {error}", file=sys.stderr)  # the other rooms are shown
            trouble = SettingsError("no room of the service can be shown")
            continue
        if room.name in found:
            raise SettingsError(f"{path}: a room {room.name} is there already; change its room.name")
        found[room.name] = room
    if not found:
        raise trouble
    return list(found.values())


def _room(path: Path) -> Room:
    from controller.page.rooms import Room
    from controller.settings import Settings

    settings = common.load(argparse.Namespace(settings=str(path), asks=True))
    words = common.start_words(settings, str(path))
    return Room(settings, path, lambda file: common.load_as(Settings, file), words)


def _change_keys(args: argparse.Namespace, path: Path) -> int:
    from controller.cli import DONE
    from controller.page import keys

    found = keys.load(path) or keys.fresh()
    if args.set_password:
        found = keys.with_password(found, _password())
        words = "The password is set; every browser has to sign in anew."
    elif args.add_token:
        found, token = keys.with_token(found, args.add_token)
        words = (
            f"The token of {args.add_token}, shown this once: {token}\n"
            "A program sends it as: Authorization: Bearer TOKEN. It may read, and ask for nothing."
        )
    else:
        found = keys.without_token(found, args.drop_token)
        words = f"The token of {args.drop_token} is worth nothing any more."
    keys.save(path, found)
    print(f"{words}\nKept in {path}, hashed.")
    return DONE


def _password() -> str:
    """Typed twice; or one line of a pipe. Raises SettingsError."""
    if not sys.stdin.isatty():
        return sys.stdin.readline().rstrip("\n")
    first = getpass.getpass("A new password for the page: ")
    if getpass.getpass("Once more: ") != first:
        raise SettingsError("the two were not the same: nothing was changed")
    return first
