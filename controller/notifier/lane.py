"""LANE: one way to one person: what waits there, and when it is tried again.

In:    letters; the time.
Out:   letters sent, one try at a time, and what is wrong with the way.
Never: holds more than one letter a code, or sends twice what has gone out and not changed.
"""

from __future__ import annotations

from collections.abc import Callable

from controller.core.alarms import is_fault
from controller.notifier.ways import SendError, Waiter, Way, why
from controller.notifier.words import ALARM, NOTICE, OVER, SECOND, STILL, Letter, was

FIRST_RETRY_S = 30.0
LONGEST_RETRY_S = 86400.0
"""Between two tries the wait doubles from the first to the longest."""
FRESH_RETRY_S = 60.0
"""Something new is tried at once, but not sooner after a failure than this."""
TROUBLE_AFTER_S = 900.0
"""A way that has failed for so long is a trouble: shorter ones are a router's. Common practice, no source."""
OWN = "notifier_failed"
"""The alarm about the ways themselves. Where it waits beside others, it goes last, and not at all when
one of them got through: the way it tells of works again."""


class Lane:
    """``now_s`` is monotonic, in s. Not for two threads at once."""

    def __init__(
        self, contact: int, way: Way, waiter: Waiter, say: Callable[[str], None] = lambda words: None
    ) -> None:
        self.contact = contact
        self.name = way.name if contact == 1 else f"second {way.name}"
        self._way = way
        self._waiter = waiter
        self._say = say
        self._waiting: dict[str, Letter] = {}
        self.told: set[str] = set()
        """Codes that went out here as standing and have not been said to be over."""
        self._failing_since_s: float | None = None
        self._last_try_s = float("-inf")
        self._next_try_s = float("-inf")
        self._retry_s = 0.0
        self._why = ""

    def put(self, letter: Letter, now_s: float) -> None:
        """Takes a letter to be sent, in place of an older one of its code."""
        code = letter.code
        older = self._waiting.get(code)
        if letter.kind == OVER and not is_fault(code):
            self.drop(code)
            self.told.discard(code)
            return
        if letter.kind == OVER:
            if code not in self.told:
                self.drop(code)
                if older is None or code == OWN:
                    return  # nobody was told here, so nobody has to be told that it is over
                letter = was(older, letter)
        elif letter.kind in (ALARM, SECOND, NOTICE) and code in self.told:
            if older is not None and not older.stands:
                self.drop(code)  # it stands again before anybody heard that it was over
            return
        elif letter.kind == STILL and older is not None and older.kind in (ALARM, SECOND):
            return  # what waits says the same, and since when
        self._waiting[code] = letter
        self._next_try_s = min(self._next_try_s, max(now_s, self._last_try_s + FRESH_RETRY_S))

    def drop(self, code: str) -> None:
        self._waiting.pop(code, None)

    def hurry(self, now_s: float) -> None:
        """Something else got through: perhaps the network is back."""
        if self._waiting:
            self._next_try_s = min(self._next_try_s, max(now_s, self._last_try_s + FRESH_RETRY_S))

    def work(self, clock: Callable[[], float]) -> bool:
        """Sends what waits, up to the first failure; True when something went out."""
        sent = False
        while self._waiting and clock() >= self._next_try_s:
            if sent and OWN in self._waiting:
                self.drop(OWN)
                continue
            letter = min(self._waiting.values(), key=lambda each: (each.code == OWN, each.at))
            self._last_try_s = clock()
            try:
                self._waiter(self._way.timeout_s, lambda letter=letter: self._way.send(letter))  # type: ignore[misc]
            except Exception as error:  # whatever a way raises, the others go on
                self._failed(error, clock())
                break
            sent = True
            self._sent(letter)
        return sent

    def _sent(self, letter: Letter) -> None:
        if self._waiting.get(letter.code) is letter:
            self.drop(letter.code)
        if letter.stands:
            self.told.add(letter.code)
        else:
            self.told.discard(letter.code)
        self._say(f"Told outside by {self.name}: {letter.first_line}")
        self._failing_since_s, self._why, self._retry_s = None, "", 0.0
        self._next_try_s = float("-inf")

    def _failed(self, error: Exception, now_s: float) -> None:
        if self._failing_since_s is None:
            self._failing_since_s = now_s
            self._say(f"Not told outside by {self.name}: {why(error)}. It is tried again.")
        self._why = why(error)
        self._retry_s = min(max(FIRST_RETRY_S, 2.0 * self._retry_s), LONGEST_RETRY_S)
        self._next_try_s = now_s + self._retry_s

    def trouble(self, now_s: float) -> str:
        """What has been wrong with it for a while, in words; "" when nothing is."""
        since_s = self._failing_since_s
        if since_s is None or not self._waiting or now_s - since_s < TROUBLE_AFTER_S:
            return ""
        return f"{self.name}: {self._why}"


def sent_or_why(way: Way, waiter: Waiter, letter: Letter) -> str:
    """One try, now; "" when it got through, else why not."""
    try:
        waiter(way.timeout_s, lambda: way.send(letter))
    except SendError as error:
        return str(error)
    except Exception as error:  # a try in the foreground shall tell, not break off
        return why(error)
    return ""
