"""Every way out of the loop: off first, let go, state kept, record closed."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import pytest

from controller.errors import KeptStateError, RelayError
from controller.loop import Loop
from tests.loop.helpers import Bench


class Bang(Exception):
    pass


def raising(error: BaseException) -> Callable[..., Any]:
    def bang(*_: Any, **__: Any) -> Any:
        raise error

    return bang


def spoil(bench: Bench, port: str, error: BaseException) -> None:
    """From now on ``port`` raises."""
    places: dict[str, tuple[Any, str]] = {
        "probe": (bench.probe, "read"),
        "relay": (bench.relay, "switch"),
        "seen": (bench.relay, "seen_on"),
        "keep": (bench.keep, "save"),
        "controller": (bench.controller, "step"),
        "teller": (bench.watch, "ticked"),
        "inbox": (bench.inbox, "poll"),
        "history": (bench.history, "sample"),
        "clock": (bench.clock, "wait_until"),
    }
    thing, method = places[port]
    setattr(thing, method, raising(error))


PORTS = ("probe", "seen", "controller", "teller", "inbox", "history", "clock")


@pytest.mark.parametrize("port", PORTS)
@pytest.mark.parametrize("error", [Bang("bang"), MemoryError("no memory"), RecursionError("too deep")])
def test_an_error_in_any_port_ends_with_the_relay_off(port: str, error: Exception) -> None:
    bench = Bench()
    was_on: list[bool] = []

    def break_it(since_s: float) -> None:
        if since_s == 600.0:
            was_on.append(bench.relay.on)
            spoil(bench, port, error)

    bench.clock.hooks.append(break_it)
    with pytest.raises(type(error)):
        Loop(bench.parts(), 10.0).run()
    assert was_on == [True]
    assert bench.relay.closed
    commands = [entry for entry in bench.journal if entry[0] in ("switch", "close", "event")]
    after_on = commands[max(i for i, entry in enumerate(commands) if entry == ("switch", True)) + 1 :]
    # Off before anything else, the record included; then let go, off once more.
    assert after_on[:4] == [
        ("switch", False),
        ("event", "ended by an error"),
        ("switch", False),
        ("close", None),
    ]
    kind, words = bench.history.events[0]
    assert kind == "ended by an error"
    assert str(error) in words
    assert type(error).__name__ in words
    assert bench.history.closed
    assert bench.keep.states[-1].relay.on is False


@pytest.mark.parametrize("port", [*PORTS, "keep"])
@pytest.mark.parametrize("wish", [KeyboardInterrupt, SystemExit])
def test_a_wish_to_stop_out_of_any_port_ends_with_the_relay_off(port: str, wish: type[BaseException]) -> None:
    bench = Bench(for_s=1200.0)
    bench.clock.hooks.append(lambda since_s: spoil(bench, port, wish()) if since_s == 600.0 else None)
    with pytest.raises(wish):
        Loop(bench.parts(), 10.0).run()
    last_two = [entry for entry in bench.journal if entry[0] in ("switch", "close")][-2:]
    assert last_two == [("switch", False), ("close", None)]
    assert bench.history.closed


def test_the_relay_that_cannot_be_switched_on() -> None:
    bench = Bench()

    def at(on: bool) -> None:
        if on:
            raise RelayError("the line is gone")

    bench.relay.at = at
    with pytest.raises(RelayError, match="the line is gone"):
        Loop(bench.parts(), 10.0).run()
    assert bench.relay.closed
    assert bench.history.events[0] == ("ended by an error", "RelayError: the line is gone")
    assert bench.history.closed


def test_a_relay_that_obeys_nothing_any_more_still_leaves_state_and_record() -> None:
    """Off cannot be had; the line is let go, the state kept, the record closed, the first error told."""
    bench = Bench()
    bench.clock.hooks.append(
        lambda since_s: spoil(bench, "relay", RelayError("the line is gone")) if since_s == 600.0 else None
    )
    with pytest.raises(RelayError, match="the line is gone"):
        Loop(bench.parts(), 10.0).run()
    assert bench.relay.closed
    assert bench.history.events[0][0] == "ended by an error"
    assert bench.history.closed
    assert len(bench.keep.states) >= 2


def test_a_relay_that_cannot_even_be_let_go() -> None:
    bench = Bench()
    bench.relay.close = raising(RelayError("it hangs"))  # type: ignore[method-assign]
    with pytest.raises(RelayError, match="it hangs"):
        Loop(bench.parts(), 10.0).run()
    assert bench.relay.on is False
    assert bench.history.closed
    assert bench.keep.states[-1].relay.on is False


def test_a_relay_that_was_not_driven_off_is_not_called_off() -> None:
    """Whoever reads the record after a fire must not find that the relay was off when nobody knows."""
    bench = Bench()
    bench.relay.close = raising(RelayError("it hangs"))  # type: ignore[method-assign]
    bench.clock.hooks.append(
        lambda since_s: spoil(bench, "relay", RelayError("the line is gone")) if since_s == 600.0 else None
    )
    with pytest.raises(RelayError):
        Loop(bench.parts(), 10.0).run()
    assert bench.relay.on is True
    assert bench.history.switchings[-1][1] is True
    assert not any("the relay is off" in words for _, words in bench.history.events)
    assert bench.keep.states[-1].relay.on is True


def test_a_normal_end_is_in_the_record() -> None:
    bench = Bench()
    Loop(bench.parts(), 10.0).run()
    _, on, because = bench.history.switchings[-1]
    assert (on, because) == (False, "stop")
    assert [kind for kind, _ in bench.history.events] == ["stop"]


def test_the_relay_is_off_before_the_first_look() -> None:
    bench = Bench()
    bench.probe.read = raising(Bang("bang"))  # type: ignore[method-assign]
    with pytest.raises(Bang):
        Loop(bench.parts(), 10.0).run()
    assert bench.journal[0] == ("switch", False)
    assert ("switch", True) not in bench.journal


def test_state_that_cannot_be_kept_at_the_end_is_told_with_the_relay_off() -> None:
    bench = Bench()
    bench.clock.hooks.append(
        lambda since_s: spoil(bench, "keep", KeptStateError("the card is full")) if since_s >= 600.0 else None
    )
    with pytest.raises(KeptStateError, match="the card is full"):
        Loop(bench.parts(), 10.0).run()
    assert bench.relay.closed
    assert bench.history.closed
