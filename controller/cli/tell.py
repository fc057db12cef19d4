"""tell: try whether messages to people outside the board arrive."""

from __future__ import annotations

import argparse
from datetime import datetime
from typing import Any

from controller.cli import common


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "tell",
        run,
        "send a trial message to everybody whom [notify] names, now, and say what each way answered",
        'hygrohold tell "Does this arrive?" --settings larch.toml',
        "It is sent by this command itself, whether or not the program runs. Exit code 1 when a way failed.",
    )
    to.add_argument(
        "words", nargs="?", default="", metavar="WORDS", help="what to say (default: that it is a trial)"
    )
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE, FAILED, REFUSED
    from controller.notifier.lane import sent_or_why
    from controller.notifier.people import ways_to
    from controller.notifier.ways import Patient
    from controller.notifier.words import trial
    from controller.wiring import zone

    settings = common.load(args)
    notify = settings.notify
    if not notify.first.named:
        print(
            "Nobody is told outside the board: in [notify], command, webhook_url and services are empty. "
            "Nothing was sent."
        )
        return REFUSED
    letter = trial(settings.room.name, args.words, datetime.now(zone(settings)))
    failed = False
    for person, contact in (("First", notify.first), ("Second", notify.second)):
        for way in ways_to(contact):
            print(f"{person:<10} {way.name}: ", end="", flush=True)
            why = sent_or_why(way, Patient(way.name), letter)
            print(f"not sent: {why}" if why else "sent")
            failed = failed or bool(why)
    if not notify.second.named:
        print("Second     nobody: an alarm that the first person misses goes to no one else")
    if notify.heartbeat:
        print("Heartbeat  not tried: only the running program may say that it runs")
    return FAILED if failed else DONE
