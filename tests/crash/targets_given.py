"""What people and probes give, damaged by dice: settings, scenarios, weather, replays, texts of sysfs."""

from __future__ import annotations

import random
from datetime import timedelta
from functools import cache
from pathlib import Path
from typing import Any

from controller.core.controller import Controller
from controller.core.records import Inputs, Instant, Reading
from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.probe_iio import IioProbe
from controller.devices.probe_replay import ReplayProbe
from controller.devices.settings import ProbeSettings
from controller.errors import DataFileError, SettingsError
from controller.settings import Settings
from controller.settings.scenario import FOLDER as SCENARIOS
from controller.settings.scenario import Scenario
from controller.simulator.weather_files import load_weather
from tests.crash.damage import damaged
from tests.loop.helpers import NOON, ProbeFiles, flat

ROOT = Path(__file__).resolve().parents[2]
Chance = random.Random


def in_words(error: Exception, *must_name: str) -> None:
    """An error a keeper can use: a sentence that names the file, nothing of the libraries behind it."""
    words = str(error)
    assert words.strip(), "no words"
    assert "Traceback" not in words
    assert "pydantic" not in words
    for name in must_name:
        assert name in words, f"{name} is not named in: {words[:300]}"


def settings_file(chance: Chance, folder: Path) -> None:
    path = folder / "room.toml"
    path.write_bytes(damaged(chance, (ROOT / "config/room.toml").read_bytes()))
    try:
        Settings.load(path, {})
    except SettingsError as error:
        in_words(error, "room.toml")


def scenario_file(chance: Chance, folder: Path) -> None:
    path = folder / "scene.toml"
    path.write_bytes(damaged(chance, chance.choice(sorted(SCENARIOS.glob("*.toml"))).read_bytes()))
    try:
        Scenario.load(path, {})
    except SettingsError as error:
        in_words(error, "scene.toml")


@cache
def _plain_weather() -> bytes:
    rows = [
        f"{(NOON + timedelta(hours=hour)).isoformat()},{5 + hour % 24 / 3:.1f},{80 - hour % 24}"
        for hour in range(60)
    ]
    return ("time,temp_c,rh_pct\n" + "\n".join(rows) + "\n").encode()


@cache
def _epw() -> bytes:
    from tests.simulator.test_weather_epw import day, epw

    return epw(day()).encode()


@cache
def _tmy3() -> bytes:
    from tests.simulator.test_weather_epw import GREENSBORO

    return b"".join(GREENSBORO.read_bytes().splitlines(keepends=True)[:50])


def weather_file(chance: Chance, folder: Path) -> None:
    kind = chance.choice(("csv", "csv", "csv", "epw", "tmy3"))
    content = {"csv": _plain_weather, "epw": _epw, "tmy3": _tmy3}[kind]()
    path = folder / ("out.epw" if kind == "epw" else "out.csv")
    path.write_bytes(damaged(chance, content))
    try:
        weather = load_weather(path)
    except DataFileError as error:
        in_words(error, path.name)
        return
    for hour in range(0, 60, 7):
        air = weather.at(hour * 3600.0)
        assert -100.0 < air.temp_c < 100.0
        assert 0.0 <= air.humidity_ratio < 1.0


@cache
def _replay() -> bytes:
    rows = "".join(f"{second},{50 + second % 7 / 10},24.0\n" for second in range(0, 400, 5))
    return f"time,rh_pct,temp_c\n{rows}".encode()


def replay_file(chance: Chance, folder: Path) -> None:
    path = folder / "rows.csv"
    path.write_bytes(damaged(chance, _replay()))
    now = [0.0]
    try:
        probe = ReplayProbe(path, lambda: now[0])
    except DataFileError as error:
        in_words(error, "rows.csv")
        return
    for at_s in (0.0, 1.0, 200.0, 1e6):
        now[0] = at_s
        _settled(probe.read())


def _settled(reading: Reading) -> None:
    """A reading is a figure or a failure; and what the core makes of it never switches on by itself."""
    assert reading.failure or reading.rh_pct is not None
    decision = Controller(flat()).step(Inputs((reading,)), Instant(5.0, NOON, True))
    assert decision.relay_on is False  # one reading is never enough


def probe_texts(chance: Chance, folder: Path) -> None:
    if chance.random() < 0.5:
        files = ProbeFiles(folder)
        probe: Any = HwmonProbe(ProbeSettings(kind="hwmon", at="1-0044"), root=folder)
        where, names = files.folder, ("humidity1_input", "temp1_input")
    else:
        where = folder / "bus/iio/devices/iio:device0"
        where.mkdir(parents=True)
        for name, text in (
            ("name", "hdc2010"),
            ("in_humidityrelative_raw", "30000"),
            ("in_temp_raw", "25000"),
        ):
            (where / name).write_text(text + "\n")
        for name, text in (
            ("in_humidityrelative_scale", "1.5259"),
            ("in_temp_scale", "2.5177"),
            ("in_temp_offset", "-15887"),
        ):
            (where / name).write_text(text + "\n")
        probe = IioProbe(ProbeSettings(kind="iio", chip="hdc2010"), root=folder)
        names = tuple(path.name for path in where.iterdir() if path.name.startswith("in_"))
    for name in names:
        if chance.random() < 0.7:
            (where / name).write_bytes(damaged(chance, (where / name).read_bytes()))
    for _ in range(3):
        _settled(probe.read())
