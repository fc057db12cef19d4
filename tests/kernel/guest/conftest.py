"""Fixtures of the guest's tests: the boards, warm programs, the trace, and the facts to write down."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from tests.kernel.guest.children import PIN
from tests.kernel.guest.gpio_trace import Trace
from tests.kernel.guest.programs import Programs
from tests.kernel.guest.simulated_board import Board, KeepingChip, pretend_board_revision
from tests.kernel.guest.stub_bus import StubBus

FACTS = Path("/run/job/facts")
KINDS = ("gpiozero", "libgpiod")


@pytest.fixture(scope="session")
def _revision() -> None:
    pretend_board_revision()


@pytest.fixture(scope="session")
def board(_revision: None) -> Board:
    return Board("shelf")


@pytest.fixture
def other_board(_revision: None, request: pytest.FixtureRequest) -> Board:
    """One that a test may break."""
    return Board(f"spare{abs(hash(request.node.nodeid)) % 1_000_000}")


@pytest.fixture(scope="session")
def keeping_chip(_revision: None) -> KeepingChip:
    return KeepingChip()


@pytest.fixture(scope="session")
def bus() -> StubBus:
    return StubBus()


@pytest.fixture
def trace(board: Board) -> Trace:
    return Trace(board.first_number() + PIN)


def _warm(name: str, folders: pytest.TempPathFactory) -> Iterator[Programs]:
    folder = folders.mktemp("work")
    folder.chmod(0o777)
    for above in list(folder.parents)[:2]:  # a program of another user works there, too
        above.chmod(0o755)
    programs = Programs(name, folder)
    yield programs
    programs.close()


@pytest.fixture(scope="session")
def _relay_programs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Programs]:
    yield from _warm("relay", tmp_path_factory)


@pytest.fixture(scope="session")
def _room_programs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Programs]:
    yield from _warm("room", tmp_path_factory)


@pytest.fixture
def programs(_relay_programs: Programs) -> Iterator[Programs]:
    """Small programs that hold a relay (``children``)."""
    yield _relay_programs
    _relay_programs.end_all()


@pytest.fixture
def rooms(_room_programs: Programs) -> Iterator[Programs]:
    """hygrohold itself."""
    yield _room_programs
    _room_programs.end_all()


@pytest.fixture(params=KINDS)
def kind(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture(params=[True, False], ids=["active-high", "active-low"])
def active_high(request: pytest.FixtureRequest) -> bool:
    return bool(request.param)


@pytest.fixture
def fact() -> Callable[[str], None]:
    """Writes down what was seen and measured, for whoever reads the tier's output."""

    def note(words: str) -> None:
        with FACTS.open("a") as file:
            print(words, file=file)

    return note
