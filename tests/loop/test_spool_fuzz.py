"""Whatever lies in the spool, polling it and answering it never raises."""

from __future__ import annotations

import json
from datetime import UTC, datetime

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.core.controller import Controller
from controller.core.records import Inputs, Instant
from controller.spool import Spool
from tests.loop.helpers import NOON, flat
from tests.loop.test_spool import drop


@given(st.lists(st.binary(max_size=200), min_size=1, max_size=4))
def test_poll_never_raises_on_a_file(tmp_path_factory: pytest.TempPathFactory, files: list[bytes]) -> None:
    folder = tmp_path_factory.mktemp("spool")
    said: list[str] = []
    spool = Spool(folder / "requests", said.append)
    spool.prepare()
    for number, content in enumerate(files):
        drop(folder, content, f"{number}.json")
    assert len(spool.poll(NOON)) + len(said) == len(files)


VALUES = st.none() | st.booleans() | st.floats() | st.integers() | st.text(max_size=50)


@given(
    st.fixed_dictionaries(
        {
            "kind": st.sampled_from(["pause", "refilled", "raise_target", "humidify_now", "resume"])
            | st.text()
        },
        optional={
            "expires": st.datetimes(timezones=st.none() | st.just(UTC)).map(datetime.isoformat) | VALUES,
            "at": st.datetimes(timezones=st.none() | st.just(UTC)).map(datetime.isoformat) | VALUES,
            **dict.fromkeys(("for_s", "litres", "rh_pct", "by", "more"), VALUES),
        },
    )
)
def test_whatever_a_file_asks_the_core_answers_it(
    tmp_path_factory: pytest.TempPathFactory, plain: dict[str, object]
) -> None:
    folder = tmp_path_factory.mktemp("spool")
    spool = Spool(folder / "requests")
    spool.prepare()
    drop(folder, json.dumps(plain).encode("utf-8", "surrogatepass"))
    requests = spool.poll(NOON)
    decision = Controller(flat()).step(Inputs(requests=requests), Instant(5.0, NOON, True))
    assert len(decision.answers) == len(requests)
    spool.answer(decision.answers)
