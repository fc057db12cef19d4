"""SCENARIO: a settings file that also says what it is about and what verdict is expected of it.

In:    the name of a built-in scenario, or the path of a file.
Out:   ``Scenario``, settings like any other; mistakes are answered as those of a settings file.
Never: runs anything.
"""

from __future__ import annotations

from pathlib import Path

from pydantic import Field

from controller.errors import SettingsError
from controller.settings.model import Settings

FOLDER = Path(__file__).resolve().parent.parent / "simulator" / "scenarios"


class Scenario(Settings):
    """What a scenario file can say."""

    about: str = Field("", max_length=300, description="what this scenario is, in a sentence")
    expect: str = Field("", max_length=600, description="the verdict that is expected; empty = none")


def names() -> list[str]:
    """The built-in scenarios."""
    return sorted(path.stem for path in FOLDER.glob("*.toml"))


def path_of(name_or_file: str) -> Path:
    """Raises SettingsError where there is neither such a scenario nor such a file."""
    if name_or_file in names():
        return FOLDER / f"{name_or_file}.toml"
    path = Path(name_or_file)
    if path.suffix == ".toml" or len(path.parts) > 1:
        return path  # whoever reads it says what is wrong with it
    raise SettingsError(
        f"there is no scenario {name_or_file!r}; name a file ending in .toml, or one of {', '.join(names())}"
    )
