"""SECTIONS_TOLD: what happened: alarms, notes, sheds, the relay's switchings.

In: a ``Report``. Out: ``Section``s. Never: rounds; shows what people wrote with control characters in it.
"""

from __future__ import annotations

from datetime import datetime
from typing import Any

from controller import journal, journal_text
from controller.core.messages import MESSAGES
from controller.core.notes import OUTCOMES
from controller.core.records import Message
from controller.core.words import ON, reason_name
from controller.reporting.gather import Report
from controller.reporting.section import Column, Section, moment
from controller.reporting.spells import MessageSpell

HOUR_S = 3600.0
YEAR_MIN = 525_960.0  # of 365.25 days
WHY_OFF = {"": "end not on record", "stop": "program ended"}
"""Beside the reasons for off."""


def alarms(report: Report) -> Section:
    columns = (
        *(Column("kind", "kind"), Column("code", ""), Column("raised", "raised", "when")),
        *(Column("cleared", "cleared", "when"), Column("lasted_h", "hours", "hours")),
        *(Column("acknowledged", "", "when"), Column("acknowledged_by", "seen by"), Column("said", "what")),
    )
    return Section(
        "alarms", "Alarms and notices", columns, [_alarm(report, each) for each in report.messages]
    )


def _alarm(report: Report, each: MessageSpell) -> tuple[Any, ...]:
    told = MESSAGES.get(each.code)
    last = each.last
    message = Message(each.code, _at(report, each.since_s), last.seen, last.limit, last.detail)
    words = journal.one_line(told.seen(message)) if told is not None else each.code
    if each.cleared_s is None and each.lost_s is not None:
        words += " (The program began anew and did not find it again.)"
    lasted_h = None if each.cleared_s is None else (each.cleared_s - each.since_s) / HOUR_S
    known_s, by = each.acknowledged_s, journal.one_line(each.acknowledged_by)
    return (
        *(each.kind, each.code, _at(report, each.raised_s)),
        *(None if each.cleared_s is None else _at(report, each.cleared_s), lasted_h),
        *(None if known_s is None else _at(report, known_s), by, words),
    )


def notes(report: Report) -> Section:
    columns = (
        *(Column("number", ""), Column("when", "when", "when"), Column("kind", "")),
        *(Column("litres", ""), Column("animal", ""), Column("note", "what")),
    )
    rows = [
        (
            *(note.number, journal.moment(note, report.asked.tz), note.kind, note.litres),
            *(journal.one_line(note.animal), journal_text.told(note)),
        )
        for note in report.notes
    ]
    return Section("notes", "Fillings and notes", columns, rows)


def shed(report: Report) -> Section:
    columns = (
        *(Column("when", "when", "when"), Column("animal", "animal"), Column("outcome", "how")),
        Column("days_since_last", "days since the last", "count"),
    )
    rows = [
        (
            _at(report, each.at_s),
            journal.one_line(each.animal),
            OUTCOMES["whole" if each.whole else "pieces"],
            since,
        )
        for each, since in report.sheds
    ]
    words = (
        "`hygrohold journal --sheds` puts the air of the 14 days before a shed beside earlier ones. An "
        "animal that is unwell, or a shed that stays on eyes or tail tip, goes to a veterinarian first.",
    ) if rows else ()  # fmt: skip
    return Section("sheds", "Sheds", columns, rows, words)


def relay(report: Report) -> Section:
    """The wear of the contact. One operation is one switching on with its switching off."""
    rated = report.asked.rated_operations
    ever, own = report.times_on_ever, report.total.switchings if report.total else 0
    columns = (
        *(
            Column("switchings", "in this time", "count"),
            Column("switchings_ever", "since the record began", "count"),
        ),
        *(Column("rated_operations", "rated", "count"), Column("used_pct", "used", "share")),
        Column("years_left", "years left so", "years"),
    )
    recorded_years = report.total.minutes / YEAR_MIN if report.total else 0.0
    left = None
    if rated and own and recorded_years:
        left = max(0.0, rated - ever) / (own / recorded_years)
    used = None if not rated else 100.0 * ever / rated
    words = () if rated else (
        "How many operations the relay is made for stands in its data sheet, for the load that it switches: "
        "relay.rated_operations.",
    )  # fmt: skip
    return Section("relay", "The relay", columns, [(own, ever, rated, used, left)], words)


def runs(report: Report) -> Section:
    columns = (
        *(Column("from", "from", "when"), Column("to", "to", "when"), Column("run_min", "min", "minutes")),
        *(Column("why_on_code", ""), Column("why_on", "on because")),
        *(Column("why_off_code", ""), Column("why_off", "off because")),
    )
    rows = [
        (
            *(_at(report, run.from_s), None if run.to_s is None else _at(report, run.to_s), run.minutes),
            *(run.why_on, ON.get(run.why_on, run.why_on), run.why_off),
            WHY_OFF.get(run.why_off) or reason_name(run.why_off),
        )
        for run in report.runs or ()
    ]
    words = () if report.runs is not None else ("Each run is listed in a report of up to 7 days.",)
    return Section("runs", "Each run", columns, rows, words)


def _at(report: Report, at_s: float) -> datetime:
    return moment(at_s, report.asked.tz)
