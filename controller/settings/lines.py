"""On which line of a TOML text each key stands.

In:    the text of a settings file, normally one that the TOML reader has accepted.
Out:   a map from the place of a value to its line, and the keys that are set twice.
Never: judges the text, or raises on a broken one: it then knows fewer lines.

The TOML reader of the standard library keeps no positions, hence this scan.
"""

from __future__ import annotations

import contextlib
import tomllib
from collections.abc import Iterator
from typing import NamedTuple

Place = tuple[str | int, ...]
"""Where a value sits: table and key names, and positions (from 0) within lists."""

_BLANK = " \t\r\n"
_BARE_END = "=.]#,}{[\"'" + _BLANK


class Twice(NamedTuple):
    """A key that is set on two lines."""

    place: Place
    line: int
    first_line: int


class Lines:
    """Finds the line of a place; asks for the nearest thing around it where it has none of its own."""

    def __init__(self, text: str) -> None:
        self._scan = _Scan(text)
        # A broken or absurdly deep text: what was found so far still helps.
        with contextlib.suppress(IndexError, RecursionError):
            self._scan.run()
        self.twice = tuple(self._scan.twice)

    def exact(self, place: Place) -> int | None:
        return self._scan.lines.get(place) or self._scan.implied.get(place)

    def of(self, place: Place) -> int:
        """The line of the key, else of the table it belongs in, else the first."""
        for size in range(len(place), 0, -1):
            line = self.exact(place[:size])
            if line is not None:
                return line
        return 1


class _Scan:
    def __init__(self, text: str) -> None:
        self.text = text
        self.at = 0
        self.counted_to = 0
        self.line = 1
        self.lines: dict[Place, int] = {}
        self.implied: dict[Place, int] = {}  # tables that only a longer name mentions
        self.lists: dict[Place, int] = {}  # entries of each [[list]] so far
        self.twice: list[Twice] = []

    def run(self) -> None:
        table: Place = ()
        while self._skip_blank(newlines=True):
            if self.text.startswith("[[", self.at):
                table = self._header("]]")
            elif self.text[self.at] == "[":
                table = self._header("]")
            else:
                self._key_and_value(table)

    def _line_here(self) -> int:
        self.line += self.text.count("\n", self.counted_to, self.at)
        self.counted_to = self.at
        return self.line

    def _skip_blank(self, newlines: bool) -> bool:
        """Moves over blanks and comments; False at the end of the text."""
        blank = _BLANK if newlines else " \t"
        while self.at < len(self.text):
            if self.text[self.at] in blank:
                self.at += 1
            elif self.text[self.at] == "#" and newlines:
                end = self.text.find("\n", self.at)
                self.at = len(self.text) if end < 0 else end
            else:
                return True
        return False

    def _header(self, close: str) -> Place:
        line = self._line_here()
        self.at += len(close)
        place = self._inside(tuple(self._dotted()), is_list=close == "]]")
        self.at = self._after(close)
        self._note(place, line)
        if close == "]]":
            self.implied.setdefault(place[:-1], line)
        return place

    def _inside(self, names: tuple[str, ...], is_list: bool) -> Place:
        """The place a header means: a name of a list stands for the list's last entry."""
        place: Place = ()
        for number, name in enumerate(names):
            place = (*place, name)
            if is_list and number == len(names) - 1:
                self.lists[place] = self.lists.get(place, 0) + 1
            if place in self.lists:
                place = (*place, self.lists[place] - 1)
        return place

    def _after(self, mark: str) -> int:
        found = self.text.find(mark, self.at)
        return len(self.text) if found < 0 else found + len(mark)

    def _note(self, place: Place, line: int) -> None:
        if place in self.lines:
            self.twice.append(Twice(place, line, self.lines[place]))
        self.lines.setdefault(place, line)
        for size in range(len(place) - 1, 0, -1):
            if self.implied.setdefault(place[:size], line) != line:
                break  # this one and all around it are known already

    def _dotted(self) -> Iterator[str]:
        """The parts of a key such as a."b c".d; stops at what cannot belong to a key."""
        while self._skip_blank(newlines=False):
            start = self.at
            if self.text[start] in "\"'":
                self._string()
                yield _unquoted(self.text[start : self.at])
            else:
                while self.at < len(self.text) and self.text[self.at] not in _BARE_END:
                    self.at += 1
                yield self.text[start : self.at]
            self._skip_blank(newlines=False)
            if self.text[self.at : self.at + 1] != ".":
                return
            self.at += 1

    def _key_and_value(self, table: Place) -> None:
        line = self._line_here()
        place = (*table, *self._dotted())
        self._note(place, line)
        if self.text[self.at] != "=":  # not a statement at all: on with the next line
            self.at = self._after("\n")
            return
        self.at += 1
        self._value(place)

    def _value(self, place: Place) -> None:
        self._skip_blank(newlines=False)
        mark = self.text[self.at]
        if mark in "\"'":
            self._string()
        elif mark == "[":
            self._entries(place, "]")
        elif mark == "{":
            self._entries(place, "}")
        else:
            while self.at < len(self.text) and self.text[self.at] not in ",]}#\n":
                self.at += 1

    def _entries(self, place: Place, close: str) -> None:
        """A list or an inline table, from its opening to past its closing mark."""
        self.at += 1
        count = 0
        while self._skip_blank(newlines=True):
            if self.text[self.at] == close:
                self.at += 1
                return
            before = self.at
            if self.text[self.at] == ",":
                self.at += 1
            elif close == "}":
                self._key_and_value(place)
            else:
                self.lines.setdefault((*place, count), self._line_here())
                self._value((*place, count))
                count += 1
            if self.at == before:
                raise IndexError  # not TOML; going on would go on for ever

    def _string(self) -> None:
        quote = self.text[self.at]
        triple = self.text.startswith(quote * 3, self.at)
        close = quote * 3 if triple else quote
        self.at += len(close)
        while not self.text.startswith(close, self.at):
            if self.at >= len(self.text) or (self.text[self.at] == "\n" and not triple):
                raise IndexError  # never closed
            self.at += 2 if quote == '"' and self.text[self.at] == "\\" else 1
        self.at += len(close)
        while triple and self.text.startswith(quote, self.at):
            self.at += 1  # up to two quotes may end the content of a long string


def _unquoted(key: str) -> str:
    try:
        return next(iter(tomllib.loads(f"{key} = 0")))
    except (tomllib.TOMLDecodeError, StopIteration):
        return key.strip("\"'")
