"""Reads outdoor weather from a file: EPW, TMY3, or plain CSV.

In:    a path.
Out:   ``Weather``.
Never: lets anything but a DataFileError out, however broken the file is.

Plain CSV has a header with ``time``, ``temp_c``, and ``rh_pct`` or ``dew_point_c`` (or both:
the dew point wins), and optionally ``pressure_pa`` (101325 without it); other columns are
passed over. Times are ISO 8601. Times without an offset are taken as one steady local clock
without daylight saving; a file where some have an offset and some have none is refused.
"""

from __future__ import annotations

import csv
import re
import stat
from collections.abc import Sequence
from datetime import datetime
from pathlib import Path

from controller.errors import DataFileError
from controller.simulator.weather import Weather
from controller.simulator.weather_pvlib import load_epw, load_tmy3
from controller.simulator.weather_rows import Row, bad, build, number

LARGEST_BYTES = 64 * 1024 * 1024
_CONTROL = re.compile(rb"[\x00-\x08\x0b\x0c\x0e-\x19\x1b-\x1f]")  # not tab, line ends, and the old end mark
_KNOWN = ("temp_c", "dew_point_c", "rh_pct", "pressure_pa")


def load_weather(path: Path | str) -> Weather:
    """The weather in a file. Raises DataFileError, which says what is wrong and on which line."""
    path = Path(path)
    lines = _lines(path)
    first, second = [*lines, "", ""][:2]
    if path.suffix.lower() == ".epw" or first.upper().startswith("LOCATION,"):
        return load_epw(path, lines)
    if second.split(",")[:2] == ["Date (MM/DD/YYYY)", "Time (HH:MM)"]:
        return load_tmy3(path, lines)
    return _load_csv(path, lines)


def _lines(path: Path) -> list[str]:
    """The file's lines, or why it cannot be read as text."""
    try:
        about = path.stat()
        if stat.S_ISDIR(about.st_mode):
            raise DataFileError(f"{path}: is a directory; name a weather file in it")
        if not stat.S_ISREG(about.st_mode):
            raise DataFileError(f"{path}: is not a plain file")
        if about.st_size > LARGEST_BYTES:
            raise DataFileError(f"{path}: has {about.st_size} bytes; at most {LARGEST_BYTES} are read")
        with path.open("rb") as file:
            content = file.read(LARGEST_BYTES + 1)
    except FileNotFoundError:
        raise DataFileError(f"{path}: there is no such file") from None
    except PermissionError:
        raise DataFileError(f"{path}: this user may not read it; check its owner and mode") from None
    except OSError as error:
        raise DataFileError(f"{path}: cannot be read: {error.strerror or error}") from None
    except ValueError as error:  # a path that no file can have
        raise DataFileError(f"{str(path)!r}: cannot be a path: {error}") from None
    return _text(path, content).replace("\r\n", "\n").replace("\r", "\n").split("\n")


def _text(path: Path, content: bytes) -> str:
    if len(content) > LARGEST_BYTES:
        raise DataFileError(f"{path}: grew past {LARGEST_BYTES} bytes while it was read")
    if not content.strip():
        raise bad(path, 1, "the file is empty")
    found = _CONTROL.search(content)
    if found is not None:
        line = content.count(b"\n", 0, found.start()) + 1
        raise bad(path, line, f"byte 0x{found.group()[0]:02x}: not a text file; save it as UTF-8 text")
    content = content.rstrip(b"\x1a")
    try:
        return content.decode("utf-8-sig")
    except UnicodeDecodeError:
        return content.decode("latin-1")  # older files: a place's name in the header


def _load_csv(path: Path, lines: Sequence[str]) -> Weather:
    reader = csv.reader(lines)
    rows: list[Row] = []
    columns: dict[str, int] = {}
    width = 0
    try:
        for cells in reader:
            line = reader.line_num
            if not any(cell.strip() for cell in cells):
                continue
            if not columns:
                columns, width = _header(path, line, cells), len(cells)
                continue
            if len(cells) != width:
                raise bad(path, line, f"{len(cells)} values; the header names {width} columns")
            rows.append(_row(path, line, cells, columns))
            if (rows[0].at.tzinfo is None) != (rows[-1].at.tzinfo is None):
                raise bad(path, line, "some times have a UTC offset and some have none; give all or none")
    except csv.Error as error:
        raise bad(path, reader.line_num, f"not CSV: {error}") from None
    if not columns:
        raise bad(path, 1, "the file is empty")
    return build(path, rows, name=path.name)


def _header(path: Path, line: int, cells: Sequence[str]) -> dict[str, int]:
    names = [cell.strip().lower() for cell in cells]
    shown = ", ".join(names)[:200]
    formats = "known are EPW, TMY3, and CSV with the columns time, temp_c, and rh_pct or dew_point_c"
    for wanted in (("time",), ("temp_c",), ("dew_point_c", "rh_pct")):
        if not any(name in names for name in wanted):
            hint = "; separate columns by commas, and write 5.1, not 5,1" if ";" in shown else ""
            raise bad(path, line, f"column {' or '.join(wanted)} is missing; found: {shown}{hint}; {formats}")
    for name in names:
        if name in ("time", *_KNOWN) and names.count(name) > 1:
            raise bad(path, line, f"column {name} stands there twice")
        if name.startswith("pressure") and name != "pressure_pa":
            raise bad(path, line, f"column {name[:40]!r}: pressure is read in Pa only, as pressure_pa")
    return {name: names.index(name) for name in ("time", *_KNOWN) if name in names}


def _row(path: Path, line: int, cells: Sequence[str], columns: dict[str, int]) -> Row:
    stamp = cells[columns["time"]].strip()
    try:
        at = datetime.fromisoformat(stamp)
    except ValueError:
        raise bad(
            path, line, f"time is {stamp[:40]!r}; an ISO time such as 2024-01-31T17:00 is needed"
        ) from None
    values = [number(path, line, name, cells[columns[name]]) if name in columns else None for name in _KNOWN]
    temp_c, dew_c, rh_pct, pressure_pa = values
    return Row(line, at, temp_c, dew_c, rh_pct, pressure_pa)
