"""PROGRAM: the outlets together, in one process: a look at the rooms now and then, until told to end.

In:    the rooms' status files; which outlets are wanted.
Out:   metrics by HTTP and as a file; messages at a broker.
Never: gives up because one outlet fails: it says so once, and the others go on.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Sequence
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from time import monotonic
from typing import TYPE_CHECKING, NamedTuple

from controller.files import write_whole
from controller.outlets.publisher import Publisher
from controller.outlets.seen import RoomFile, RoomSeen, look
from controller.outlets.wire import OFFLINE, online_topic

if TYPE_CHECKING:
    from controller.outlets.link import Broker

FILE_EVERY_S = 15.0
"""How often the metrics file is written although nothing changed: its ages go on."""


class Wanted(NamedTuple):
    """The outlets that are wanted. ``metrics``: host and port; ``board``: its name at the broker."""

    metrics: tuple[str, int] | None = None
    metrics_file: Path | None = None
    broker: Broker | None = None
    board: str = "board"
    with_senml: bool = True


def run(
    files: Sequence[RoomFile], wanted: Wanted, every_s: float, ending: threading.Event,
    say: Callable[[str], None],
) -> None:  # fmt: skip
    """Until ``ending`` is set. Raises HygroholdError where an outlet cannot even begin."""

    def seen() -> list[RoomSeen]:
        now = datetime.now(UTC)
        return [look(file, now) for file in files]

    works: list[Callable[[], object]] = []
    with ExitStack() as last:
        if wanted.metrics is not None:
            _serve(wanted.metrics, seen, last, say)
        if wanted.metrics_file is not None:
            textfile = MetricsFile(wanted.metrics_file, seen, say)
            last.callback(textfile.remove)
            works.append(textfile.work)
        if wanted.broker is not None:
            works.append(_post(wanted, wanted.broker, seen, last, say))
        while True:
            for work in works:
                work()
            if ending.wait(every_s):
                return


def _serve(
    at: tuple[str, int], seen: Callable[[], list[RoomSeen]], last: ExitStack, say: Callable[[str], None]
) -> None:
    from controller.outlets.exposition import CONTENT_TYPE, text
    from controller.outlets.served import PATH, MetricsServer

    server = MetricsServer(*at, lambda: text(seen()), CONTENT_TYPE)
    server.start()
    last.callback(server.stop)
    host = f"[{at[0]}]" if ":" in at[0] else at[0]
    say(f"Metrics at http://{host}:{server.port}{PATH}")


def _post(
    wanted: Wanted, broker: Broker, seen: Callable[[], list[RoomSeen]], last: ExitStack,
    say: Callable[[str], None],
) -> Callable[[], object]:  # fmt: skip
    from controller.outlets.link import QUEUE_MOST, Link, Will

    publisher = Publisher(wanted.board, seen, wanted.with_senml)
    gone = Will(online_topic(wanted.board), OFFLINE)
    # room for every topic of every room once, so that one look always fits
    queue_most = max(QUEUE_MOST, 2 * len(seen()) + 2)
    link = Link(
        broker, f"hygrohold-{wanted.board}", will=gone, up=publisher.up, say=say, queue_most=queue_most
    )
    link.start()
    last.callback(link.stop, gone)
    return lambda: publisher.work(link)


class MetricsFile:
    """A file that a collector of text files takes up. It goes with the program, so that it does not stay."""

    def __init__(self, path: Path, seen: Callable[[], list[RoomSeen]], say: Callable[[str], None]) -> None:
        from controller.outlets.exposition import text

        self._path, self._seen, self._say, self._text = path, seen, say, text
        self._written_s, self._stands = float("-inf"), ""
        self._trouble = ""

    def work(self) -> None:
        """Writes it where something has changed, or its ages have become old."""
        rooms, now_s = self._seen(), monotonic()
        stands = repr([(room.room, room.plain, room.fresh) for room in rooms])
        if stands == self._stands and now_s - self._written_s < FILE_EVERY_S:
            return
        trouble = ""
        try:
            write_whole(self._path, self._text(rooms), durable=False)
        except OSError as error:
            trouble = (
                f"{self._path} cannot be written: {error.strerror or error}. It is tried again and again."
            )
        if trouble and trouble != self._trouble:
            self._say(trouble)
        self._trouble = trouble
        self._written_s, self._stands = now_s, stands

    def remove(self) -> None:
        try:
            self._path.unlink(missing_ok=True)
        except OSError as error:
            self._say(f"{self._path} cannot be removed: {error.strerror}. Do it by hand: it is old now.")
