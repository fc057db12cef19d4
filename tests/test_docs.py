"""The documents tell the truth: files load, commands exist, examples run, the guard table is the list."""

from __future__ import annotations

import doctest
import re
import shlex
from pathlib import Path

import pytest

from controller.cli import COMMANDS, parser
from controller.core.guards import GUARDS
from controller.core.words import REASONS
from controller.settings import Settings

ROOT = Path(__file__).resolve().parent.parent
PAGES = sorted(path for path in (*ROOT.glob("*.md"), *ROOT.glob("*/*.md")) if ".venv" not in path.parts)
TOMLS = sorted((*ROOT.glob("config/*.toml"), *ROOT.glob("demo/*.toml")))


@pytest.mark.parametrize("path", TOMLS, ids=lambda path: path.name)
def test_every_settings_file_loads(path: Path) -> None:
    assert Settings.load(path, {}).settings_version == 1


def test_the_documented_default_is_the_embedded_one() -> None:
    assert Settings.load(ROOT / "config" / "room.toml", {}) == Settings.load(None, {})


def test_every_key_is_in_the_documented_default() -> None:
    text = (ROOT / "config" / "room.toml").read_text(encoding="utf-8")

    def keys(plain: dict[str, object]) -> set[str]:
        found = set()
        for key, value in plain.items():
            found.add(key)
            for part in value if isinstance(value, list | tuple) else [value]:
                if isinstance(part, dict):
                    found |= keys(part)
        return found

    named = set(re.findall(r"[a-z_0-9]+", text))
    assert keys(Settings().model_dump()) <= named


def _commands(page: Path) -> list[str]:
    text = page.read_text(encoding="utf-8")
    lines = re.findall(r"^\$ (hygrohold .*)$", text, re.MULTILINE)
    lines += re.findall(r"`(hygrohold [a-z][^`]*)`", text)
    return [line.split("#")[0].strip() for line in lines]


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_command_in_a_page_is_one(page: Path) -> None:
    for line in _commands(page):
        words = shlex.split(line)[1:]
        if any(word.isupper() and not word.startswith("-") for word in words[:1]):
            continue  # a pattern such as `hygrohold COMMAND --help`
        code: object = 0
        try:
            parser().parse_args(words)
        except SystemExit as end:
            code = end.code
        assert code == 0, f"{page.name}: {line}"


def test_every_command_is_in_the_readme() -> None:
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    assert [name for name in COMMANDS if f"hygrohold {name}" not in text] == []


@pytest.mark.parametrize("page", PAGES, ids=lambda page: page.name)
def test_no_page_tells_what_only_an_earlier_release_lacked(page: Path) -> None:
    words = " ".join(page.read_text(encoding="utf-8").split()).casefold()
    for claim in ("this release", "reads no wall probe", "no outdoor probe", "no command ends"):
        assert claim not in words


def test_the_python_in_the_readme_runs() -> None:
    failures, tried = doctest.testfile(str(ROOT / "README.md"), module_relative=False)
    assert (failures, tried > 4) == (0, True)


@pytest.mark.parametrize("page", PAGES, ids=lambda path: str(path.relative_to(ROOT)))
def test_every_link_inside_the_project_leads_somewhere(page: Path) -> None:
    for target in re.findall(r"\]\(([^)#]+)(?:#[^)]*)?\)", page.read_text(encoding="utf-8")):
        if "://" not in target:
            assert (page.parent / target).exists(), f"{page.name}: {target}"


def test_the_guard_table_in_the_developers_page_is_the_list() -> None:
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    table = re.findall(r"^\| \d+ \| `([a-z_]+)` \|", text, re.MULTILINE)
    assert table == [guard.__name__ for guard in GUARDS]
    assert len(REASONS) >= len(GUARDS)
