"""What the page's forms ask for: the spool's kinds, understood by the loop, and never mist."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.keeper import Desk, KeeperLimits, KeeperMemory, handle
from controller.core.records import Request
from controller.core.runtime import RuntimeMemory
from controller.core.tank import TankLimits, TankMemory
from controller.page.forms import AT_HAND, FORMS, JOURNAL, MOST_LETTERS, Form, Unclear, name_of, request
from controller.spool import Spool

NOON = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)


@dataclass(frozen=True)
class Filled:
    form: str
    sent: dict[str, str]
    asks: Request


FILLED = (
    Filled("filled", {}, Request("refilled", by="Ann")),
    Filled("added", {"litres": "2,5", "full": "yes"}, Request("refilled", by="Ann", litres=2.5, full=True)),
    # NIST SP 811, appendix B.8: 1 US gallon = 3.785411784 L
    Filled("added", {"litres": "1 gal"}, Request("refilled", by="Ann", litres=3.785411784)),
    Filled("pause", {"for_s": "3600"}, Request("pause", by="Ann", for_s=3600.0)),
    Filled("resume", {}, Request("resume", by="Ann")),
    Filled(
        "raise", {"rh_pct": "4.5", "days": "2"}, Request("raise_target", by="Ann", rh_pct=4.5, for_s=172800.0)
    ),
    Filled("acknowledge", {}, Request("acknowledge", by="Ann")),
    Filled(
        "cleaned",
        {"at": "2026-01-14T09:30"},
        Request("cleaned", by="Ann", at=datetime(2026, 1, 14, 9, 30, tzinfo=UTC)),
    ),
    Filled(
        "shed",
        {"animal": "Juno", "outcome": "whole", "remark": "tail\nincluded"},
        Request("shed", by="Ann", animal="Juno", outcome="whole", remark="tail included"),
    ),
    Filled(
        "opaque",
        {"animal": "Juno", "rh_pct": "4", "days": "5"},
        Request("opaque", by="Ann", animal="Juno", rh_pct=4.0, for_s=432000.0),
    ),
    Filled("opaque", {"animal": "Juno", "days": "3"}, Request("opaque", by="Ann", animal="Juno")),
    Filled("misted", {}, Request("misted", by="Ann")),
    Filled("substrate", {"animal": "Juno"}, Request("substrate", by="Ann", animal="Juno")),
    Filled("remark", {"remark": "x"}, Request("remark", by="Ann", remark="x")),
    Filled(
        "withdraw", {"about": "7", "remark": "twice"}, Request("withdraw", by="Ann", about=7, remark="twice")
    ),
)


@pytest.mark.parametrize("filled", FILLED, ids=lambda filled: filled.form)
def test_a_filled_form_asks_what_it_says_and_the_loop_knows_it(filled: Filled, tmp_path: Path) -> None:
    found = request(FORMS[filled.form], filled.sent, "Ann", UTC)
    assert found == filled.asks
    spool = Spool(tmp_path)
    identity = spool.leave(found, NOON)
    (taken,) = spool.poll(NOON)
    assert taken._replace(id="", expires=None) == filled.asks
    desk = Desk(KeeperMemory(pause_until_t=99.0), TankMemory(), RuntimeMemory())
    _, (answer,) = handle(desk, (taken,), 1.0, NOON, KeeperLimits(), TankLimits())
    assert answer.done, answer.words
    assert identity == taken.id


def test_every_form_is_tried_above_and_none_asks_for_mist_or_goes_past_a_guard() -> None:
    assert {filled.form for filled in FILLED} == set(FORMS)
    assert {*AT_HAND, *JOURNAL, "resume", "acknowledge", "withdraw"} == set(FORMS)
    kinds = {form.kind for form in FORMS.values()}
    assert not {kind for kind in kinds if kind.startswith(("humidify", "bypass", "calibrate"))}


@pytest.mark.parametrize(
    ("form", "sent", "field", "words"),
    [
        ("added", {}, "litres", "this is needed"),
        ("added", {"litres": "1,000"}, "litres", "not an amount of water"),
        ("added", {"litres": "-2"}, "litres", "not an amount of water"),
        ("added", {"litres": "0"}, "litres", "not a figure above zero"),
        ("added", {"litres": "nan"}, "litres", "not an amount of water"),
        ("added", {"litres": "900 gal"}, "litres", "not an amount of water"),
        ("added", {"litres": "2", "at": "soon"}, "at", "not a day and time"),
        ("added", {"litres": "2", "at": "0001-01-01T00:00+23:59"}, "at", "not a day and time"),
        ("pause", {}, "for_s", "this is needed"),
        ("pause", {"for_s": "999999"}, "for_s", "none of the choices"),
        ("raise", {"rh_pct": "5"}, "days", "this is needed"),
        ("raise", {"days": "3"}, "rh_pct", "this is needed"),
        ("raise", {"rh_pct": "inf", "days": "3"}, "rh_pct", "not a figure above zero"),
        ("shed", {"animal": "Juno", "outcome": "gone"}, "outcome", "none of the choices"),
        ("shed", {"animal": "J" * 41, "outcome": "whole"}, "animal", "at most 40"),
        ("remark", {"remark": " \u202e "}, "remark", ""),
        ("withdraw", {"about": "1.5"}, "about", "not the number of a note"),
    ],
)
def test_what_is_not_understood_is_said_with_its_field(
    form: str, sent: dict[str, str], field: str, words: str
) -> None:
    if form == "remark":  # nothing is left of it: the loop refuses an empty one
        assert request(FORMS[form], sent, "", UTC).remark == ""
        return
    with pytest.raises(Unclear, match=words) as told:
        request(FORMS[form], sent, "", UTC)
    assert told.value.field == field


def test_a_time_is_the_rooms_own() -> None:
    found = request(FORMS["cleaned"], {"at": "2026-07-01T10:00"}, "", ZoneInfo("Europe/Berlin"))
    assert found.at == datetime(2026, 7, 1, 8, 0, tzinfo=UTC)


def test_a_name_is_one_line_and_not_long() -> None:
    assert name_of(" Ann\n\x1b[31mB ") == "Ann [31mB"
    assert len(name_of("x" * 500)) == MOST_LETTERS["by"]


@given(
    st.sampled_from(sorted(FORMS.values(), key=lambda form: form.name)),
    st.dictionaries(
        st.sampled_from(
            (
                "litres",
                "full",
                "at",
                "for_s",
                "rh_pct",
                "days",
                "animal",
                "outcome",
                "remark",
                "about",
                "kind",
                "id",
                "expires",
                "probe",
                "rh_gain",
            )
        ),
        st.one_of(st.text(max_size=60), st.from_regex(r"[-+]?[0-9]{1,9}([.,][0-9]{1,4})?( gal)?")),
    ),
)
def test_whatever_is_sent_it_is_a_request_of_that_form_or_unclear(form: Form, sent: dict[str, str]) -> None:
    try:
        found = request(form, sent, "", UTC)
    except Unclear as unclear:
        found, known = None, unclear.field in {field.name for field in form.fields}
    if found is None:
        assert known
        return
    assert found.kind == form.kind
    assert (found.id, found.expires, found.probe, found.rh_gain) == ("", None, None, None)
