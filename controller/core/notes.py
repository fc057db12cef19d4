"""NOTES: what a person may write into the journal, and what the core says to it.

In:    a request of one of the kinds below; the wall clock.
Out:   done or refused, in words.
Never: changes a note that was made. A correction and a withdrawal are notes of their own that name the
       earlier one by its number in the record; what stands is told by whoever reads the record.
"""

from __future__ import annotations

from datetime import datetime

from controller.core.records import Request

KINDS = ("refilled", "cleaned", "substrate", "misted", "opaque", "shed", "remark")
AMENDING = ("correct", "withdraw")
ANSWERED_HERE = ("substrate", "misted", "opaque", "shed", "remark", *AMENDING)
"""The other two change what is believed of the tank and the humidifier: ``keeper.py``."""
OUTCOMES = {"whole": "whole", "pieces": "in pieces"}
"""How a shed came off."""
FIRST_YEAR = 1970
SLACK_S = 60.0
"""So far a note may lie ahead of this clock: whoever left it may read another one."""


def misdated(request: Request, wall: datetime) -> str:
    """Why a note cannot be: it is said to have happened later than now, or before any. "" when it can."""
    if request.at is None:
        return ""
    if (request.at - wall).total_seconds() > SLACK_S:
        return f"{request.at:%Y-%m-%d %H:%M} is still to come"
    if request.at.year < FIRST_YEAR:
        return f"{request.at:%Y-%m-%d} is too long ago: notes begin in {FIRST_YEAR}"
    return ""


def answer(request: Request, wall: datetime) -> tuple[bool, str]:
    """The reply to a note that changes nothing but the journal."""
    wrong = misdated(request, wall)
    if wrong:
        return False, wrong
    if request.kind in AMENDING:
        return _amended(request)
    if request.kind in ("shed", "opaque") and not str(request.animal).strip():
        return False, f"{request.kind}: which animal?"
    if request.kind == "shed" and request.outcome not in OUTCOMES:
        return False, "shed: whole, or in pieces?"
    if request.kind == "remark" and not str(request.remark).strip():
        return False, "an empty note says nothing"
    of = f" for {request.animal}" if request.animal else ""
    words = {
        "substrate": f"the substrate was renewed{of}",
        "misted": f"misted by hand{of}",
        "opaque": f"{request.animal} is opaque",
        "shed": f"{request.animal} shed {OUTCOMES.get(request.outcome, '')}",
        "remark": f"the remark is in the journal{of}",
    }
    return True, f"noted: {words[request.kind]}"


def _amended(request: Request) -> tuple[bool, str]:
    if request.about is None:
        return False, "the number of the note is missing"
    done = "corrected" if request.kind == "correct" else "withdrawn"
    return True, f"noted: note {request.about} is {done}; what was written before stays in the record"
