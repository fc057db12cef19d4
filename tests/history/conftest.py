from collections.abc import Callable
from datetime import UTC, datetime
from typing import Any

import pytest

from controller.core.records import Action, Decision, Instant, Reason
from controller.ports import Sample

START_S = 1_780_000_020.0  # a whole minute; 2026-05-28 in UTC


@pytest.fixture
def sample() -> Callable[..., Sample]:
    """The n-th minute of a record, with whatever a test wants different."""
    base = Sample(START_S, True, 61.5, 24.0, 61.0, 24.2, None, None, 60.0, True, 0.0, 3.2, None, "enough")

    def make(n: int = 0, **changes: Any) -> Sample:
        return base._replace(at_s=START_S + 60.0 * n)._replace(**changes)

    return make


@pytest.fixture
def at() -> Callable[..., Instant]:
    def make(offset_s: float = 0.0, trusted: bool = True) -> Instant:
        return Instant(offset_s, datetime.fromtimestamp(START_S + offset_s, UTC), trusted)

    return make


@pytest.fixture
def decision(at: Callable[..., Instant]) -> Callable[..., Decision]:
    def make(*reasons: Reason, offset_s: float = 0.0) -> Decision:
        return Decision(
            relay_on=not reasons,
            valid_for_s=60.0,
            at=at(offset_s),
            reasons=reasons,
            on_because="" if reasons else "too dry",
            alarms=(),
            notices=(),
            answers=(),
            rh_pct=61.5,
            rh_high_pct=None,
            temp_c=24.0,
            target_rh_pct=60.0,
            is_day=True,
            ceiling_rh_pct=78.0,
            duty=None,
            tank_l=3.2,
            used_s=0.0,
            starts_below_rh_pct=58.0,
        )

    return make


@pytest.fixture
def reason() -> Callable[..., Reason]:
    def make(code: str, action: Action = Action.WAIT, **figures: Any) -> Reason:
        return Reason(code, action, **figures)

    return make
