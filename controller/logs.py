"""LOGS: what changed, one line each: for eyes on a terminal, as JSON under a service.

In:    decisions that changed something.
Out:   lines on standard error.
Never: logs every tick; decides anything.
"""

from __future__ import annotations

import sys
from contextlib import suppress

import structlog

from controller.core.messages import message_words
from controller.core.records import Decision, Inputs
from controller.core.words import CONTENT_CODES, reason_name, sentence


def configure(json_lines: bool) -> None:
    """Sets structlog up, once."""
    processors: list[structlog.typing.Processor] = [structlog.processors.add_log_level]
    if json_lines:
        processors += [
            structlog.processors.TimeStamper(fmt="iso", utc=True),
            structlog.processors.JSONRenderer(ensure_ascii=False),
        ]
    else:
        processors.append(_for_eyes)
    structlog.configure(
        processors=processors,
        logger_factory=structlog.PrintLoggerFactory(sys.stderr),
        cache_logger_on_first_use=True,
    )


def _for_eyes(logger: object, name: str, event: structlog.typing.EventDict) -> str:
    level = event.get("level", "info")
    mark = {"warning": "! ", "error": "! "}.get(str(level), "  ")
    return f"{event.get('at', ''):<16} {mark}{event['event']}"


class LogTeller:
    """Implements ``loop.Teller``."""

    def __init__(self) -> None:
        self._log = structlog.get_logger()
        self._last: Decision | None = None

    def say(self, words: str, **more: object) -> None:
        with suppress(OSError, ValueError):
            self._log.info(words, **more)

    def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
        """Whoever reads the log may be gone, or the disk under it full: control goes on."""
        if changed:
            with suppress(OSError, ValueError):
                self._tell(decision)

    def _tell(self, decision: Decision) -> None:
        last, self._last = self._last, decision
        stamp = f"{decision.at.wall:%Y-%m-%d %H:%M}"
        for answer in decision.answers:
            by = f" by {answer.request.by}" if answer.request.by else ""
            words = f"Request {answer.request.kind}{by}: {answer.words}."
            self._log.info(words, at=stamp, request=answer.request.kind, done=answer.done)
        self._messages(last, decision, stamp)
        codes = [reason.code for reason in decision.reasons]
        if last is None or (decision.relay_on, codes) != (last.relay_on, [r.code for r in last.reasons]):
            others = [reason_name(code) for code in codes[1:] if code not in CONTENT_CODES]
            words = sentence(decision) + (f" Also: {', '.join(others)}." if others else "")
            self._log.info(
                words, at=stamp, relay_on=decision.relay_on, reasons=codes, rh_pct=_round(decision.rh_pct),
                temp_c=_round(decision.temp_c), target_rh_pct=_round(decision.target_rh_pct),
                tank_l=_round(decision.tank_l),
            )  # fmt: skip

    def _messages(self, last: Decision | None, decision: Decision, stamp: str) -> None:
        before = {message.code for message in (*last.alarms, *last.notices)} if last is not None else set()
        now = {message.code for message in (*decision.alarms, *decision.notices)}
        for message in decision.alarms:
            if message.code not in before:
                self._log.error(f"Alarm. {message_words(message)}", at=stamp, code=message.code)
        for message in decision.notices:
            if message.code not in before:
                self._log.warning(f"Notice. {message_words(message)}", at=stamp, code=message.code)
        if last is not None:
            for message in (*last.alarms, *last.notices):
                if message.code not in now:
                    self._log.info(f"Over: {message_words(message)}", at=stamp, code=message.code)


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 2)
