"""Two users, one room: the service's, and a keeper in its group with a umask of her own."""

from __future__ import annotations

import os
import shutil
import tempfile
import traceback
from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest

from controller.core.records import Answer, Instant, Request
from controller.core.state import State
from controller.history import HistoryReader, SqliteHistory
from controller.keep import FileKeep, peek
from controller.spool import Spool
from tests.service.conftest import skip_loudly

SERVICE, KEEPER, GROUP, KEEPERS_OWN = 64101, 64102, 64103, 64104
AT = Instant(5.0, datetime(2026, 1, 12, 12, 0, tzinfo=UTC))


@pytest.fixture
def folder() -> Iterator[Path]:
    if os.geteuid() != 0:
        skip_loudly("whether a keeper can read and ask the service's room: only root can become two users")
    above = Path(tempfile.mkdtemp(prefix="hygrohold-shared-"))  # pytest's own folders are root's alone
    above.chmod(0o755)
    room = above / "larch"
    room.mkdir()
    os.chown(room, SERVICE, GROUP)
    room.chmod(0o2770)  # as StateDirectoryMode= in the unit
    yield room
    shutil.rmtree(above)


def as_user(uid: int, gid: int, groups: list[int], umask: int, do: Callable[[], object]) -> None:
    """Does it in a process of that user, and fails here if it fails there."""
    child = os.fork()
    if child == 0:
        try:
            os.setgroups(groups)
            os.setgid(gid)
            os.setuid(uid)
            os.umask(umask)
            do()
        except BaseException:
            traceback.print_exc()
            os._exit(1)
        os._exit(0)
    assert os.waitpid(child, 0)[1] == 0


def service(do: Callable[[], object]) -> None:
    as_user(SERVICE, GROUP, [GROUP], 0o007, do)


@pytest.fixture(params=[0o022, 0o002, 0o077])
def keeper(request: pytest.FixtureRequest) -> Callable[[Callable[[], object]], None]:
    return lambda do: as_user(KEEPER, KEEPERS_OWN, [KEEPERS_OWN, GROUP], request.param, do)


Keeper = Callable[[Callable[[], object]], None]


def _writes(folder: Path, close: bool) -> Callable[[], None]:
    def do() -> None:
        history = SqliteHistory.open(folder / "history.sqlite")
        history.event(AT, "start", "the service")
        assert history.trouble() == ""
        if close:
            history.close()

    return do


def _reads(folder: Path, wanted: int) -> Callable[[], None]:
    def do() -> None:
        assert len(HistoryReader(folder / "history.sqlite").events()) == wanted

    return do


@pytest.mark.parametrize("closed", [True, False])
def test_the_record_is_read_and_goes_on(folder: Path, keeper: Keeper, closed: bool) -> None:
    """A reader beside a record at rest makes SQLite's two files: the writer must be able to go on."""
    for round_ in (1, 2, 3):
        service(_writes(folder, closed))
        keeper(_reads(folder, round_))


def test_a_stranger_reads_nothing(folder: Path) -> None:
    service(_writes(folder, True))
    with pytest.raises(AssertionError):
        as_user(KEEPER, KEEPERS_OWN, [KEEPERS_OWN], 0o022, _reads(folder, 1))


@pytest.mark.parametrize("first", ["service", "keeper"])
def test_a_request_is_left_taken_and_answered(folder: Path, keeper: Keeper, first: str) -> None:
    """Whoever of them makes the folders first."""
    spool = Spool(folder / "requests")
    now = datetime.now(UTC)

    def leaves() -> None:
        spool.leave(Request("refilled", by="Ann"), now)

    def takes() -> None:
        (request,) = spool.poll(now)
        assert not list((folder / "requests" / "asked").iterdir())
        assert not list((folder / "requests" / "refused").iterdir())
        spool.answer([Answer(request._replace(id="one"), True, "noted")])

    def hears() -> None:
        assert spool.answer_to("one") == (True, "noted")

    if first == "service":
        service(spool.prepare)
    keeper(leaves)
    service(spool.prepare)
    service(takes)
    keeper(hears)


def test_the_kept_state_is_seen(folder: Path, keeper: Keeper) -> None:
    service(lambda: FileKeep(folder).save(State(t=77.0)))

    def looks() -> None:
        state = peek(folder)
        assert state is not None
        assert state.t == 77.0

    keeper(looks)
