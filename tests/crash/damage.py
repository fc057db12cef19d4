"""Damage to files, by seeded dice: what a card, a hurried editor or a stranger may make of them."""

from __future__ import annotations

import copy
import json
import random
import re
from typing import Any

PIECES = (
    b"",
    b"\0",
    b"\xff\xfe",
    b"\xef\xbb\xbf",
    "é".encode(),
    b"\r",
    b"\n",
    b"\n\n",
    b" ",
    b"\t",
    b",",
    b";",
    b":",
    b'"',
    b"'",
    b"[",
    b"]",
    b"{",
    b"}",
    b"=",
    b"#",
    b"-",
    b".",
    b"nan",
    b"NaN",
    b"-inf",
    b"Infinity",
    b"1e999",
    b"-1",
    b"0",
    b"0x1f",
    b"true",
    b"null",
    b"9" * 400,
    b"1_000",
    b"99999-01-01T00:00:00Z",
    b"2026-02-30",
    b"24:00",
    b"+99:99",
    b"\x1b[2J",
    b"x" * 300,
    b"[" * 3000,
    b"\xe2\x80\xa8",
)
VALUES: tuple[Any, ...] = (
    None,
    True,
    False,
    0,
    -1,
    1,
    2,
    7,
    1e308,
    -1e308,
    10**400,
    0.5,
    float("nan"),
    float("inf"),
    "",
    "x",
    "nan",
    "é" * 90,
    "\ud800",
    "\0",
    "2026-01-10T12:00:00+00:00",
    "2026-01-10T12:00:00",
    "0001-01-01T00:00:00+00:00",
    "9999-12-31T23:59:59-14:00",
    "24:00",
    [],
    {},
    [[]],
    [1],
    {"a": 1},
    ["x"] * 40,
    "on",
    "/dev/sda",
)
_NUMBER = re.compile(rb"-?\d+(?:\.\d+)?")


def damaged(chance: random.Random, content: bytes) -> bytes:
    """One to three spots of damage; now and then something else altogether."""
    if chance.random() < 0.03:
        return chance.randbytes(chance.randint(0, 300))
    for _ in range(chance.randint(1, 3)):
        content = chance.choice(WAYS)(chance, content)
    return content


def _cut_short(chance: random.Random, content: bytes) -> bytes:
    return content[: chance.randint(0, len(content))]


def _flipped(chance: random.Random, content: bytes) -> bytes:
    if not content:
        return content
    spoilt = bytearray(content)
    spoilt[chance.randrange(len(spoilt))] ^= 1 << chance.randrange(8)
    return bytes(spoilt)


def _pieced(chance: random.Random, content: bytes) -> bytes:
    at = chance.randint(0, len(content))
    return content[:at] + chance.choice(PIECES) + content[at + chance.randint(0, 12) :]


def _repeated(chance: random.Random, content: bytes) -> bytes:
    begin, end = sorted((chance.randint(0, len(content)), chance.randint(0, len(content))))
    at = chance.randint(0, len(content))
    return content[:at] + content[begin : min(end, begin + 2000)] + content[at:]


def _lines_lost(chance: random.Random, content: bytes) -> bytes:
    lines = content.split(b"\n")
    at = chance.randrange(len(lines))
    if chance.random() < 0.5:
        del lines[at : at + chance.randint(1, 5)]
    else:
        other = chance.randrange(len(lines))
        lines[at], lines[other] = lines[other], lines[at]
    return b"\n".join(lines)


def _another_number(chance: random.Random, content: bytes) -> bytes:
    found = list(_NUMBER.finditer(content[:20000]))
    if not found:
        return content
    spot = chance.choice(found)
    return content[: spot.start()] + chance.choice(PIECES) + content[spot.end() :]


WAYS = (_cut_short, _flipped, _pieced, _pieced, _repeated, _lines_lost, _another_number, _another_number)


def damaged_plain(chance: random.Random, plain: Any) -> Any:
    """JSON that is sound as JSON, with one to three values, keys or items changed, lost or added."""
    plain = copy.deepcopy(plain)
    for _ in range(chance.randint(1, 3)):
        spots = list(_spots(plain))
        if not spots:
            return chance.choice(VALUES)
        holder, key = chance.choice(spots)
        how = chance.random()
        if how < 0.7:
            holder[key] = copy.deepcopy(chance.choice(VALUES))
        elif how < 0.85:
            del holder[key]
        elif isinstance(holder, dict):
            holder[f"more-{key}"] = copy.deepcopy(chance.choice(VALUES))
        else:
            holder.insert(key, copy.deepcopy(chance.choice(VALUES)))
    return plain


def _spots(plain: Any) -> Any:
    items = plain.items() if isinstance(plain, dict) else enumerate(plain) if isinstance(plain, list) else ()
    for key, value in items:
        yield plain, key
        yield from _spots(value)


def as_json(plain: Any) -> bytes:
    return json.dumps(plain).encode("utf-8", "surrogatepass")
