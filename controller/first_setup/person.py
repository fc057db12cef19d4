"""PERSON: a question, a default in brackets, a line back. Over ssh, from a pipe, or from a test.

In:    a way to read a line (such as ``input``) and a stream to write to.
Out:   answers that were understood.
Never: takes what it did not understand, or goes on when the input has ended.
"""

from __future__ import annotations

import textwrap
from collections.abc import Callable
from typing import TextIO, TypeVar

T = TypeVar("T")
WIDTH = 96
LONGEST_ANSWER = 200
YES, NO = ("y", "yes"), ("n", "no")


class Nonsense(ValueError):
    """An answer that cannot be taken; the text says why, and how to write it."""


class Ended(Exception):
    """There was no more input."""


class Person:
    """``read`` shows a prompt and gives a line without its end, or raises EOFError: ``input`` does."""

    def __init__(self, read: Callable[[str], str], out: TextIO, echo: bool) -> None:
        """``echo``: write the answers as well, because nobody sees them being typed."""
        self._read = read
        self._out = out
        self._echo = echo

    def say(self, words: str = "") -> None:
        """Lines as they are; long ones are broken and stay indented."""
        for line in words.splitlines() or [""]:
            print(line if len(line) <= WIDTH else _broken(line), file=self._out, flush=True)

    def ask(self, default: str, read: Callable[[str], T]) -> T:
        """The answer, as ``read`` understands it; it gets "" for Enter. Raises Ended."""
        while True:
            answer = self._line(f"   [{default}] > ")
            try:
                return read(answer)
            except Nonsense as nonsense:
                self.say(f"   {nonsense}")

    def _line(self, prompt: str) -> str:
        try:
            answer = self._read(prompt).strip()
        except EOFError:
            self.say()
            raise Ended from None
        shown = "".join(letter if letter.isprintable() else "?" for letter in answer[:LONGEST_ANSWER])
        if self._echo:
            self.say(shown)
        return shown


def _broken(line: str) -> str:
    """Goes on below the words, past a number or a name in a first column."""
    margin = len(line) - len(line.lstrip())
    words = line[margin:]
    column = words.find("  ")
    if 0 < column < 20:
        margin = len(line) - len(words[column:].lstrip())
    return textwrap.fill(line, WIDTH, subsequent_indent=" " * margin, break_on_hyphens=False)


def yes_or_no(answer: str) -> bool:
    if answer.casefold() in (*YES, *NO):
        return answer.casefold() in YES
    raise Nonsense(f'"{answer}" is neither yes nor no. Please answer y or n.')
