"""calibrate: hold a probe to a saturated salt, or to a second gauge."""

from __future__ import annotations

import argparse
import sys
from datetime import datetime
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.errors import HygroholdError, ProbeError, SettingsError

if TYPE_CHECKING:
    from controller.calibration.salts import Salt
    from controller.calibration.walk import Outcome, Site
    from controller.core.records import Correcting
    from controller.ports import Probe
    from controller.settings import Settings

READINGS = 6
APART_S = 2.0
MOST_BESIDE_RH_PCT = 5.0
"""Further apart than this, either of the two may be the wrong one. Common practice, no source."""


def add(commands: Any) -> None:
    to = common.command(
        commands,
        "calibrate",
        run,
        "hold a probe to a saturated salt or a second gauge, and keep the correction",
        "hygrohold calibrate salt --salt NaCl --salt MgCl2 --by Ann",
        "salt: an hour or more at each salt, the probe in a jar; the program must run, and pauses meanwhile. "
        "compare: the quick way, only as good as the other gauge. show: the corrections kept, and which one "
        "counts. undo: takes the last one back. back: the probe is in its place, after a test broken off.",
    )
    to.add_argument("how", choices=("salt", "compare", "show", "undo", "back"), help="what to do")
    to.add_argument(
        "--salt",
        dest="salts",
        action="append",
        metavar="SALT",
        help="salt: NaCl (default), MgCl2, K2CO3, NaBr, KCl, LiCl, K2SO4; twice for two points",
    )
    to.add_argument(
        "--reference", type=_rh, metavar="RH", help="compare: what the other gauge shows beside the probe now"
    )
    to.add_argument(
        "--really",
        action="store_true",
        help=f"compare: they are more than {MOST_BESIDE_RH_PCT:g} %%RH apart, and the probe is wrong",
    )
    to.add_argument("--probe", type=int, choices=(1, 2), default=1, help="which probe (default: 1)")
    to.add_argument(
        "--rehearse", action="store_true", help="salt: on a simulated probe, at once; nothing is kept"
    )
    common.add_by(to)
    common.add_settings(to, asks=True)


def run(args: argparse.Namespace) -> int:
    from controller.cli import DONE

    settings = common.load(args)
    if args.probe > len(settings.probe):
        raise SettingsError(f"--probe {args.probe}: this room has only {len(settings.probe)} [[probe]]")
    for option, value, of in (("--salt", args.salts, "salt"), ("--reference", args.reference, "compare")):
        if value is not None and args.how != of:
            raise SettingsError(f"{option} goes with {of}, not with {args.how}")
    if args.really and args.how != "compare":
        raise SettingsError(f"--really goes with compare, not with {args.how}")
    if args.rehearse and args.how != "salt":
        raise SettingsError("--rehearse goes with salt")
    if args.how == "salt":
        return _salt(args, settings)
    if args.how == "compare":
        return _compare(args, settings)
    if args.how in ("undo", "back"):
        from controller.core.records import Request

        kind = "calibrate_undo" if args.how == "undo" else "calibrate_end"
        return common.ask(args, Request(kind, by=args.by, probe=args.probe))
    _show(settings)
    return DONE


def _rh(text: str) -> float:
    value = common.above_zero(text)
    if value > 100.0:
        raise argparse.ArgumentTypeError(f"{text!r} is more than 100 %RH")
    return value


def _chosen(names: list[str] | None) -> tuple[Salt, ...]:
    from controller.calibration.salts import SALTS, named

    chosen = []
    for text in names or ["NaCl"]:
        salt = named(text)
        if salt is None:
            raise SettingsError(f"--salt: found {text!r}; known are {', '.join(SALTS)}")
        chosen.append(salt)
    if len(chosen) > 2 or len({salt.name for salt in chosen}) < len(chosen):
        raise SettingsError("--salt: one salt, or two different ones")
    return tuple(chosen)


def _salt(args: argparse.Namespace, settings: Settings) -> int:
    from controller.calibration.rehearsed import RehearsedSite
    from controller.cli import DONE, REFUSED
    from controller.cli.commission import stopped_by_signals
    from controller.commissioning.talk import Console, Ended

    salts = _chosen(args.salts)
    site: Site
    pass_time = None
    if args.rehearse:
        rehearsed = RehearsedSite(settings.bench.probe, salts, settings.probe)
        site, pass_time = rehearsed, rehearsed.pass_time
    else:
        site = _site(settings, args.probe)
    talk = Console(sys.stdin.fileno(), sys.stdout, not sys.stdin.isatty(), pass_time)
    if args.rehearse:
        talk.say("SIMULATED: a rehearsal. No probe is read, no time passes, nothing is kept.\n")
    try:
        with stopped_by_signals(talk.stop):
            outcome = _walk(args, settings, site, talk, salts)
    except Ended as ended:
        talk.say(f"\nEnded: {ended}. `hygrohold calibrate show` lists what is kept.")
        return REFUSED
    finally:
        talk.close()
    if args.rehearse and outcome.kept:
        talk.say("\nPassed, in the rehearsal: nothing is kept, and no probe is corrected.")
    else:
        talk.say(f"\n{'Done' if outcome.kept else 'Nothing kept'}: {outcome.words}.")
    return DONE if outcome.kept else REFUSED


def _walk(
    args: argparse.Namespace, settings: Settings, site: Site, talk: Any, salts: tuple[Salt, ...]
) -> Outcome:
    from controller.calibration.walk import Walk

    offset_c = settings.probe[args.probe - 1].temp_offset_c
    return Walk(talk, site, args.probe, args.by, offset_c).salts(salts)


def _site(settings: Settings, number: int) -> Site:
    from controller.calibration.real import RealSite
    from controller.spool import Spool
    from controller.wiring import places, zone

    tz = zone(settings)
    spool = Spool(places(settings).spool)
    return RealSite(_probe(settings, number), spool, lambda: datetime.now(tz), settings.loop.tick_s)


def _probe(settings: Settings, number: int) -> Probe:
    from controller.wiring import make_probe

    try:
        return make_probe(settings.probe[number - 1], lambda: 0.0)
    except ProbeError as error:
        raise HygroholdError(f"{error} `hygrohold calibrate salt --rehearse` shows the test.") from error


def _compare(args: argparse.Namespace, settings: Settings) -> int:
    """The mean of some readings now, against what the other gauge shows: an offset."""
    from time import sleep

    from controller.calibration.fit import MOST_ONE_POINT_PCT, Nonsense, Point, fit
    from controller.cli import REFUSED
    from controller.core.records import Request

    if args.reference is None:
        raise SettingsError("compare needs --reference RH: what the other gauge shows beside the probe now")
    probe, shown = _probe(settings, args.probe), []
    for turn in range(READINGS):
        reading = probe.read()
        if reading.failure or reading.rh_pct is None:
            raise HygroholdError(
                f"probe {args.probe}: no reading, because {reading.failure or 'it gives none'}"
            )
        shown.append(reading.rh_pct)
        if turn < READINGS - 1:
            sleep(APART_S)
    mean = sum(shown) / len(shown)
    print(
        f"Probe {args.probe} shows {mean:.1f} %RH without any correction, the other gauge {args.reference:g}."
    )
    print("Good only if both have hung side by side for half an hour, and only as good as that gauge is.")
    apart = args.reference - mean
    if abs(apart) > MOST_BESIDE_RH_PCT and (abs(apart) > MOST_ONE_POINT_PCT or not args.really):
        print(f"Nothing kept: {_too_far_apart(abs(apart))}")
        return REFUSED
    try:
        found = fit([Point(mean, args.reference)])
    except Nonsense as nonsense:
        print(f"Nothing kept: {nonsense}.")
        return REFUSED
    how = f"beside another gauge: {mean:.1f} for {args.reference:g}"
    return common.ask(
        args,
        Request(
            "calibrate_keep", by=args.by, probe=args.probe,
            rh_gain=found.rh_gain, rh_offset_pct=found.rh_offset_pct, remark=how,
        ),
    )  # fmt: skip


def _too_far_apart(apart_rh_pct: float) -> str:
    from controller.calibration.fit import MOST_ONE_POINT_PCT

    words = (
        f"they are {apart_rh_pct:.1f} %RH apart, and beyond {MOST_BESIDE_RH_PCT:g} either may be the wrong "
        "one. Let them hang side by side for another hour, away from sun and mist; then find out which is "
        "wrong, best over salt: `hygrohold calibrate salt`."
    )
    if apart_rh_pct > MOST_ONE_POINT_PCT:
        most = MOST_ONE_POINT_PCT
        return f"{words} More than {most:g} is no drift: one of them is spoilt, or not in the same air."
    return f"{words} If you know that the gauge is right: the same command with --really."


def _formula(correction: Correcting) -> str:
    return f"shown x {correction.rh_gain:.4g} {correction.rh_offset_pct:+.2f} %RH"


def _show(settings: Settings) -> None:
    from controller.core import calibration
    from controller.keep import peek
    from controller.wiring import places

    state = peek(places(settings).state)
    memory = calibration.CalibrationMemory() if state is None else state.calibration
    for index, probe in enumerate(settings.probe):
        found = calibration.newest(memory, index)
        here = calibration.counts(probe, found) is not None
        dated = f"{probe.calibrated_on:%Y-%m-%d}" if probe.calibrated_on else "no date"
        print(f"Probe {index + 1}")
        kept = memory.kept[index] if index < len(memory.kept) else ()
        for place, item in enumerate(reversed(kept)):
            mark = "counts" if here and place == 0 else ""
            print(f"  {item.day:<11}{_formula(item)}  {mark:<7} {item.how}")
        print(f"  {dated:<11}{_formula(probe)}  {'' if here else 'counts':<7} from the settings")
        if not kept and probe.calibrated_on is None:
            print("  It was never compared, as far as anybody said: `hygrohold calibrate salt`")
