"""The scan that finds lines. Expected lines are counted by hand; the grammar is TOML 1.0.0."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.settings.lines import Lines, Place

TEXT = '''\
# a comment with [brackets] and = signs
top = 1
"quoted key" . 'b.c' = """
[not.a.table]
x = 2 \\""" still text
"""
[ a . "b" ]   # comment ]
list = [ 1, # one
  { p = "}", q.r = 2 },
  [ "]", ']' ],
]
last = 07:30:00
[[room]]
k = 1
[room.inner]
z = \'\'\'it's\'\'\'\'
[[room]]
[[room.sub]]
k = "\\u0023 #"
[[room.sub]]
k = 3 # three
'''


@pytest.mark.parametrize(
    ("place", "line"),
    [
        (("top",), 2),
        (("quoted key", "b.c"), 3),
        (("a", "b"), 7),
        (("a", "b", "list"), 8),
        (("a", "b", "list", 0), 8),
        (("a", "b", "list", 1, "p"), 9),
        (("a", "b", "list", 1, "q", "r"), 9),
        (("a", "b", "list", 2, 1), 10),
        (("a", "b", "last"), 12),
        (("room", 0), 13),
        (("room", 0, "inner"), 15),
        (("room", 0, "inner", "z"), 16),
        (("room", 1), 17),
        (("room", 1, "sub", 0, "k"), 19),
        (("room", 1, "sub", 1, "k"), 21),
        (("room",), 13),
        (("room", 1, "sub"), 18),
        (("room", 1, "absent"), 17),  # the table it belongs in
        (("absent",), 1),
        ((), 1),
    ],
)
def test_lines(place, line):
    tomllib.loads(TEXT.replace("''''", "'''"))  # the sample is what it claims to be
    assert Lines(TEXT.replace("''''", "'''")).of(place) == line


def test_keys_set_twice():
    (twice,) = Lines("a = 1\n[t]\na = 1\nb = 2\na = 3\n").twice
    assert twice == (("t", "a"), 5, 3)


def places(value: Any, place: Place = ()) -> list[Place]:
    inner = value.items() if isinstance(value, dict) else enumerate(value) if isinstance(value, list) else ()
    return [place, *(found for key, inside in inner for found in places(inside, (*place, key)))]


KEY = st.text("abc_-1", min_size=1, max_size=3)
SCALAR = st.sampled_from(["1", "1.5", '"a # ] } = [b]"', "'''x\n[y]\n'''", '"""\\"\n"""', "true", "07:30:00"])
VALUE = st.recursive(
    SCALAR,
    lambda inner: st.one_of(
        st.lists(inner, max_size=3).map(lambda v: "[\n" + " , # ]\n".join(v) + "\n]"),
        st.dictionaries(KEY, inner, max_size=2).map(
            lambda d: "{ " + ", ".join(f"{k} = {v}" for k, v in d.items()) + " }"
        ),
    ),
    max_leaves=5,
)


@given(st.dictionaries(KEY, VALUE, max_size=3), st.lists(st.dictionaries(KEY, VALUE, max_size=3), max_size=3))
def test_every_place_the_reader_knows_has_a_line_of_its_own(top, entries):
    text = "".join(f"{key} = {value}\n" for key, value in top.items())
    for entry in entries:
        text += "[[zz]]\n" + "".join(f"{key} = {value}\n" for key, value in entry.items())
    lines = Lines(text)
    for place in places(tomllib.loads(text))[1:]:
        line = lines.exact(place)
        assert line is not None
        key = place[-1]
        if isinstance(key, str):
            assert key in text.split("\n")[line - 1]
    assert lines.twice == ()


@given(st.text("ab.=[]{}\"'\\# \n,1", max_size=40))
def test_broken_texts_never_raise(text):
    Lines(text).of(("a", 0, "b"))
