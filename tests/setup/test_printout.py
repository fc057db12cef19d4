"""The walk in demo/first-evening is what the program says: its answers are typed again, all else compared.

The machine is made up: a Raspberry Pi with one probe. After a wanted change of words:
    python -c "from tests.setup.test_printout import print_anew; print_anew()"
"""

from __future__ import annotations

import re
import shlex
import sys
from pathlib import Path

from controller.settings import Settings
from tests.setup.conftest import PI, Run

DEMO = Path(__file__).parents[2] / "demo" / "first-evening"
PROMPT = re.compile(r"^   \[.*?\] > (.*)$", re.MULTILINE)


def parts(text: str) -> tuple[str, list[str], str, list[str]]:
    """Remarks, the command's words, what follows, and the answers within it."""
    remarks, command, said = re.fullmatch(
        r"((?:#.*\n)*)\$ hygrohold setup ([^\n]*)\n(.*)", text, re.DOTALL
    ).groups()  # type: ignore[union-attr]
    return remarks, shlex.split(command), said, PROMPT.findall(said)


def test_the_printout_is_what_is_said_and_its_files_are_what_is_written(run: Run, here: Path) -> None:
    _, words, said, answers = parts((DEMO / "setup.txt").read_text(encoding="utf-8"))
    code, out, err = run(*words, typed="".join(f"{answer}\n" for answer in answers), on=PI)
    assert (code, err) == (0, "")
    assert out.splitlines() == said.splitlines()
    (path,) = DEMO.glob("*.toml")
    assert words[0] == path.name
    assert (here / path.name).read_text(encoding="utf-8") == path.read_text(encoding="utf-8")
    assert (here / path.with_suffix(".png").name).exists()


def test_the_invented_room_is_said_to_be_invented_and_can_be_used() -> None:
    text = (DEMO / "setup.txt").read_text(encoding="utf-8")
    remarks, words, _, answers = parts(text)
    assert "invented" in remarks
    assert "THE TARGETS ARE NOT HELD" in text
    assert answers[0] not in ("", "room", "larch-room")
    settings = Settings.load(DEMO / words[0], {})
    assert (settings.probe[0].at, settings.relay.kind) == ("1-0044", "gpiozero")


def print_anew() -> None:
    """Writes the printout and its files again, with the answers that stand in it."""
    import contextlib
    import io
    import os

    from controller.cli import main
    from controller.first_setup import machine

    path = DEMO / "setup.txt"
    remarks, words, _, answers = parts(path.read_text(encoding="utf-8"))
    machine.look = lambda: PI  # type: ignore[assignment]
    sys.stdin, out = io.StringIO("".join(f"{answer}\n" for answer in answers)), io.StringIO()
    os.chdir(DEMO)
    Path(words[0]).unlink(missing_ok=True)
    with contextlib.redirect_stdout(out):
        main(["setup", *words])
    path.write_text(f"{remarks}$ hygrohold setup {shlex.join(words)}\n{out.getvalue()}", encoding="utf-8")
