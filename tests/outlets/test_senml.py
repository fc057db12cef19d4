"""SenML against the rules of RFC 8428, written out here."""

from __future__ import annotations

import json
import re
from datetime import UTC, datetime
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.outlets import senml
from tests.outlets.helpers import NOON, status

UNITS = {"m3", "s", "Cel", "%RH", "/"}
"""Of RFC 8428, 12.1, those that a room has use for; "l" is there, but new producers are not to use it."""
FIELDS = {"bn": str, "bt": float, "n": str, "u": str, "v": float, "vb": bool}
"""RFC 8428, 4.1 to 4.3, as far as this program uses them."""
ABSOLUTE_S = 2**28
"""RFC 8428, 4.5.3: a time from here on counts from 1970; below, from now."""


def complaints(text: str) -> list[str]:
    """What RFC 8428 has against a pack; empty when nothing."""
    records = json.loads(text)
    if not isinstance(records, list) or not records:
        return ["a pack is an array of one or more records (3, 5)"]
    found, base_name, base_s, names = [], "", 0.0, set()
    for record in records:
        base_name, base_s = record.get("bn", base_name), record.get("bt", base_s)
        name, time_s = base_name + record.get("n", ""), base_s + record.get("t", 0)
        for key, value in record.items():
            if key not in FIELDS:
                found.append(f"{key}: no field that is used here")
            elif (float if type(value) is int else type(value)) is not FIELDS[key]:
                found.append(f"{key}: wrong kind")
        if not re.fullmatch(r"[A-Za-z0-9][A-Za-z0-9\-:./_]*", name):
            found.append(f"{name!r}: characters, or nothing at all (4.5.1)")
        if len([key for key in ("v", "vb") if key in record]) != 1:
            found.append(f"{name}: one value exactly (4.2)")
        if "v" in record and record.get("u") not in UNITS:
            found.append(f"{name}: unit {record.get('u')!r} (12.1)")
        if time_s < ABSOLUTE_S:
            found.append(f"{name}: no absolute time (4.5.3)")
        if (name, time_s) in names:
            found.append(f"{name}: twice")
        names.add((name, time_s))
    return found


def test_the_rules_here_find_what_they_are_for() -> None:
    """The first is of the shape of the RFC's example in 5.1.2 (from memory); each other breaks one rule."""
    good = [{"bn": "urn:dev:ow:10e2073a01080063:", "bt": 1.276020076e9, "n": "t", "u": "Cel", "v": 23.1}]
    assert complaints(json.dumps(good)) == []
    for broken, words in (
        ({**good[0], "bn": ":x"}, "characters"),
        ({**good[0], "n": "t t"}, "characters"),
        ({**good[0], "u": "degC"}, "unit"),
        ({**good[0], "bt": 12}, "absolute"),
        ({**good[0], "vb": True}, "one value"),
        ({**good[0], "v": "23.1"}, "wrong kind"),
        ({**good[0], "v": True}, "wrong kind"),
        ({**good[0], "x": 1}, "no field"),
    ):
        assert words in " ".join(complaints(json.dumps([broken]))), words
    assert "twice" in " ".join(complaints(json.dumps([good[0], {"n": "t", "u": "Cel", "v": 1.0}])))
    assert complaints("[]")


def test_a_whole_status_is_in_order_and_says_what_it_should() -> None:
    plain = status(rh_pct=61.5, temp_c=23.5, tank_l=1.5, duty=0.25, used_h_in_24=2.0, relay_on=True)
    text = senml.payload("shed-a", "larch", plain)
    assert complaints(text) == []
    records = {record["n"]: record for record in json.loads(text)}
    assert records["humidity"] == {"n": "humidity", "u": "%RH", "v": 61.5}
    assert records["temperature"]["v"] == 23.5
    assert records["tank"] == {"n": "tank", "u": "m3", "v": 0.0015}
    assert records["on-in-last-day"]["v"] == 7200.0
    first = json.loads(text)[0]
    assert (first["bn"], first["n"], first["vb"]) == ("hygrohold:shed-a:larch:", "humidifier", True)
    assert datetime.fromtimestamp(first["bt"], UTC) == NOON


figures = st.none() | st.floats(allow_nan=False, allow_infinity=False, width=32)


@given(values=st.dictionaries(st.sampled_from([key for _, key, _, _ in senml.FIGURES]), figures))
def test_whatever_is_known_or_not_the_rules_hold(values: dict[str, Any]) -> None:
    text = senml.payload("a", "b", status(**values))
    assert complaints(text) == []
    names = {record["n"] for record in json.loads(text)}
    for name, key, _, _ in senml.FIGURES:
        assert (name in names) == (status(**values).get(key) is not None)


@pytest.mark.parametrize("name", ["a", "room-1", "0" * 40])
def test_every_name_a_room_may_have_makes_a_name_of_the_rfc(name: str) -> None:
    assert complaints(senml.payload(name, name, status())) == []
