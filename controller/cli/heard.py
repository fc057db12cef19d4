"""heard: every room that is heard at an MQTT broker."""

from __future__ import annotations

import argparse
import json
import sys
from datetime import datetime
from time import monotonic, sleep
from typing import TYPE_CHECKING, Any, NoReturn

from controller.cli import common
from controller.cli.broker import add_broker, broker_of
from controller.errors import HygroholdError

if TYPE_CHECKING:
    from controller.outlets.heard import Heard, HeardRoom

WAIT_S = 5.0
CALM_S = 0.7
"""What lies at a broker comes at once: after such a silence there is no more of it."""
LOOK_S = 0.1


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "heard",
        run,
        "show every room heard at an MQTT broker",
        "hygrohold heard --broker localhost",
        "The rooms are those whose boards run `hygrohold publish`. It only listens.",
    )
    add_broker(to, required=True)
    to.add_argument("--json", action="store_true", help="as JSON; with --follow one room a line")
    to.add_argument("--follow", action="store_true", help="go on, and show each room again when it changes")
    to.add_argument(
        "--wait",
        metavar="TIME",
        type=common.duration_s,
        default=WAIT_S,
        help=f"how long to wait for the broker and the rooms (default: {WAIT_S:g}s)",
    )


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE
    from controller.outlets.heard import Heard

    heard = Heard(broker_of(args))
    heard.start()
    try:
        if args.follow:
            follow(heard, args.json)
        rooms = gathered(heard, args.wait)
        if rooms is None:
            raise HygroholdError(f"no connection to the broker at {args.broker}: {heard.trouble}")
    except KeyboardInterrupt:  # the way to end --follow
        return DONE
    finally:
        heard.stop()
    if args.json:
        print(json.dumps([plain(room) for room in rooms], indent=2))
    elif not rooms:
        print(f"No room is heard at {args.broker}. A board tells of its rooms by `hygrohold publish`.")
    else:
        print("\n\n".join(as_text(room) for room in rooms))
    if heard.ignored:
        print(f"{heard.ignored} messages were not understood, or too many.", file=sys.stderr)
    return DONE


def gathered(heard: Heard, wait_s: float) -> tuple[HeardRoom, ...] | None:
    """The rooms, once no more come; None where the broker was not reached."""
    until_s = monotonic() + wait_s
    rooms, since_s = heard.rooms(), None
    while monotonic() < until_s:
        sleep(LOOK_S)
        now = heard.rooms()
        if heard.trouble:
            since_s = None
        elif since_s is None or len(now) != len(rooms):
            since_s = monotonic()
        elif monotonic() - since_s >= CALM_S:
            return now
        rooms = now
    return None if heard.trouble and not rooms else rooms


def follow(heard: Heard, as_json: bool) -> NoReturn:
    """Until Ctrl-C: a room whenever it changes by more than its age; also that the broker went and came."""
    shown: dict[tuple[str, str], HeardRoom] = {}
    trouble = ""
    while True:
        if heard.trouble != trouble:
            trouble = heard.trouble
            print(f"Broker: {trouble or 'connected'}.", file=sys.stderr, flush=True)
        for room in heard.rooms():
            key = (room.board, room.room)
            if not _same(shown.get(key), room):
                shown[key] = room
                print(json.dumps(plain(room)) if as_json else as_text(room), flush=True)
        sleep(LOOK_S)


def _same(old: HeardRoom | None, new: HeardRoom) -> bool:
    """An old sentence tells its age: while nothing newer has come, that is no news."""
    if old is None or (old.at, old.online, old.alarms) != (new.at, new.online, new.alarms):
        return False
    return not new.online or old.sentence == new.sentence


def plain(room: HeardRoom) -> dict[str, Any]:
    at = None if room.at is None else room.at.isoformat(timespec="seconds")
    age_s = None if room.age_s is None else round(room.age_s, 1)
    return {**room._asdict(), "at": at, "age_s": age_s}


def as_text(room: HeardRoom) -> str:
    from controller.core.keeper import duration_words

    state = "online" if room.online else "NOT ONLINE"
    lines = [f"{room.board}/{room.room}: {state}", f"  {room.sentence}"]
    if room.age_s is not None and room.at is not None:
        lines[0] += f", {duration_words(room.age_s)} old (of {_local(room.at)})"
    if room.rh_pct is not None and room.target_rh_pct is not None:
        temp = "" if room.temp_c is None else f", {room.temp_c:.1f} °C"
        lines.append(f"  Room        {room.rh_pct:.1f} %RH{temp}; target {room.target_rh_pct:.1f} %RH")
    return "\n".join(lines + [f"  Alarm       {words}" for words in room.alarms])


def _local(at: datetime) -> str:
    return f"{at.astimezone():%Y-%m-%d %H:%M}"
