"""What a rehearsal is to be: a settings file or a scenario, faults on top; and the list of all there is."""

from __future__ import annotations

import argparse
import json
import os
from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from controller.cli import common
from controller.errors import SettingsError

if TYPE_CHECKING:
    from controller.settings import Settings


def load(args: argparse.Namespace, overrides: Mapping[str, tuple[str, str]]) -> Settings:
    """As asked for by the options of `bench`. Raises SettingsError."""
    from controller.settings import Settings

    model: type[Settings] = Settings
    path: Any = args.settings
    if args.scenario is not None:
        from controller.settings.scenario import Scenario, path_of

        if path is not None and path != os.environ.get(common.PATH_VARIABLE):
            raise SettingsError("--scenario does not go with --settings: a scenario is a whole settings file")
        model = Scenario
        try:
            path = path_of(args.scenario)
        except SettingsError as error:
            raise SettingsError(f"--scenario: {error}") from None
    if not args.fault:
        return common.load_as(model, path, overrides)
    more = _faults(args.fault)
    standing = common.load_as(model, path, overrides).bench.fault
    whole = [fault.model_dump(exclude_unset=True) for fault in standing] + more
    return common.load_as(model, path, {**overrides, "bench.fault": (json.dumps(whole), "--fault")})


def _faults(texts: list[str]) -> list[dict[str, Any]]:
    """Each is checked by itself first, so that a mistake names the text it is in."""
    from pydantic import ValidationError

    from controller.simulator.faults import BenchFault, read_short

    found = []
    for text in texts:
        try:
            plain = read_short(text)
            BenchFault(**plain)
        except ValidationError as error:
            first = error.errors(include_url=False)[0]
            words = first["msg"]
            if first["type"] in ("greater_than_equal", "less_than_equal") and first["loc"] != ("size",):
                words = "hours are from 0 to 90000"
            raise SettingsError(f"--fault {text}: {words}") from None
        except ValueError as error:
            raise SettingsError(f"--fault: {error}") from None
        found.append(plain)
    return found


def tell_all() -> None:
    from controller.settings.scenario import Scenario, names, path_of
    from controller.simulator.climate import CLIMATES
    from controller.simulator.faults import KINDS
    from controller.simulator.rooms import ROOMS

    print("Scenarios (invented), for --scenario:")
    for name in names():
        print(f"  {name:<24} {Scenario.load(path_of(name), {}).about}")
    print("Faults, for --fault and [[bench.fault]]:")
    for name, kind in KINDS.items():
        sized = "" if kind.least == kind.most else f" (usual size {kind.size:g})"
        print(f"  {name:<24} {kind.about}{sized}")
    print("Rooms (invented), for --room:")
    for name, room in ROOMS.items():
        print(f"  {name:<24} {room.about}")
    print("Climates (invented), for --climate:")
    for name in CLIMATES:
        print(f"  {name}")
