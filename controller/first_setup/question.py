"""QUESTION: what one question is made of, and the kinds of answer that several share.

In:    a typed text, the answers so far, the machine.
Out:   a value for ``Answers``, or Nonsense.
Never: prints.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from typing import Any, NamedTuple

from controller.first_setup.answers import Answers
from controller.first_setup.machine import Machine
from controller.first_setup.person import Nonsense, yes_or_no


def plainly(value: Any, machine: Machine) -> str:
    return f"{value:g}" if isinstance(value, float) else str(value)


class Question(NamedTuple):
    """``key`` is a field of Answers. ``typed`` stands in the brackets, ``told`` in the summary."""

    key: str
    asks: str
    why: str
    read: Callable[[str, Answers, Machine], Any]
    typed: Callable[[Any, Machine], str] = plainly
    told: Callable[[Any, Machine], str] | None = None  # None = as typed
    check: Callable[[Any, Answers], None] = lambda value, answers: None  # raises Nonsense
    default: Callable[[Answers], Any] | None = None  # None = what stands in the answers
    choices: Callable[[Machine], Iterable[str]] = lambda machine: ()
    asked: Callable[[Answers, Machine], bool] = lambda answers, machine: True
    otherwise: str = ""  # said where it is not asked
    then: str = ""  # the key of one that hangs on it, and is asked again when this one is changed
    doubt: Callable[[Answers], str] = lambda answers: ""  # why an allowed answer is hardly meant so
    back: str = ""  # the key of one that may be what is wrong, and is asked again with this one

    def value(self, answers: Answers) -> Any:
        """What Enter means."""
        return self.default(answers) if self.default else getattr(answers, self.key)

    def in_summary(self, answers: Answers, machine: Machine) -> str:
        return (self.told or self.typed)(getattr(answers, self.key), machine)

    def understood(self, text: str, answers: Answers, machine: Machine) -> Any:
        """The checked value of a typed text; "" keeps what stands. Raises Nonsense."""
        value = self.read(text, answers, machine) if text else self.value(answers)
        self.check(value, answers)
        return value


def simply(read: Callable[[str], Any]) -> Callable[[str, Answers, Machine], Any]:
    """For an answer that depends on nothing else."""
    return lambda text, answers, machine: read(text)


def unit(words: str) -> Callable[[Any, Machine], str]:
    return lambda value, machine: f"{value:g} {words}"


def truth(key: str, asks: str, why: str, **more: Any) -> Question:
    """A question of yes or no."""
    return Question(
        key,
        asks,
        why,
        simply(yes_or_no),
        lambda value, machine: "y" if value else "n",
        lambda value, machine: "yes" if value else "no",
        **more,
    )


def choice(key: str, asks: str, why: str, of: Mapping[str, str]) -> Question:
    """One of several, by number or name."""
    names = list(of)

    def read(text: str, answers: Answers, machine: Machine) -> str:
        wanted = text.casefold()
        if wanted in names:
            return wanted
        if wanted.isascii() and wanted.isdigit() and 1 <= int(wanted) <= len(names):
            return names[int(wanted) - 1]
        raise Nonsense(f'"{text}" is not in the list. Please answer with a number from 1 to {len(names)}.')

    return Question(
        key,
        asks,
        why,
        read,
        lambda value, machine: str(names.index(value) + 1),
        lambda value, machine: of[value],
        choices=lambda machine: (f"{number}  {words}" for number, words in enumerate(of.values(), 1)),
    )
