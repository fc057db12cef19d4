"""The units' text, and what systemd's own tools say of it."""

from __future__ import annotations

import shutil
import subprocess
import sys
from pathlib import Path

import pytest

from controller.cli import REFUSED
from controller.notify import patience_s
from controller.service.page_unit import page_unit
from controller.service.unit import REFUSED_STATUS, Program, failed_unit, quoted, room_unit, unit_of
from controller.settings.model import LoopSettings, RoomSettings
from tests.service.conftest import skip_loudly

MOST_EXPOSED = 25
"""Tenths of what `systemd-analyze security` calls exposure (0 to 10); it calls up to 2.0 OK or safe."""


def values(text: str, key: str) -> list[str]:
    return [line.partition("=")[2] for line in text.splitlines() if line.startswith(f"{key}=")]


def test_a_room_is_never_without_its_watch(program: Program) -> None:
    text = room_unit(program)
    for key, value in {
        "Type": "notify", "Restart": "always", "RestartSec": "5s", "StartLimitIntervalSec": "0",
        "TimeoutStopSec": "10s", "RestartPreventExitStatus": str(REFUSED), "RuntimeDirectoryPreserve": "yes",
        "OnFailure": "hygrohold-failed@%i.service", "User": "hygrohold",
        "Group": "hygrohold", "UMask": "0007",
        "StateDirectory": "hygrohold/%i", "StateDirectoryMode": "2770", "RuntimeDirectory": "hygrohold/%i",
        "DeviceAllow": "char-gpiochip rw", "DevicePolicy": "closed", "WorkingDirectory": "/run/hygrohold/%i",
    }.items():  # fmt: skip
        assert values(text, key) == [value], key
    assert REFUSED_STATUS == REFUSED


def test_off_comes_first_and_last_as_root(program: Program) -> None:
    """systemd.service(5): "+" runs it with full privileges, "-" goes on whatever it answers."""
    text = room_unit(program)
    off = (
        "-+/opt/hygrohold/bin/python -I -S /opt/hygrohold/lib/controller/force_off.py "
        "/run/hygrohold/%i /var/lib/hygrohold/%i"
    )
    assert values(text, "ExecStartPre") == [off]
    assert values(text, "ExecStopPost")[0] == off
    assert "notice.py ended %i " in values(text, "ExecStopPost")[1]
    (start,) = values(text, "ExecStart")
    assert start == (
        "/opt/hygrohold/bin/python -I -m controller run --settings /etc/hygrohold/%i.toml --last-good"
    )


def test_the_watchdog_of_the_unit_outlasts_every_room_s_own() -> None:
    """Until the first cycle the unit's holds; the longest tick that settings allow must pass under it."""
    longest = next(rule.le for rule in LoopSettings.model_fields["tick_s"].metadata if hasattr(rule, "le"))
    assert patience_s(longest) <= 16 * 60


def test_no_group_is_named_that_may_not_exist(program: Program) -> None:
    """systemd.exec(5): a group that does not exist keeps the unit from starting."""
    assert "SupplementaryGroups" not in room_unit(program)
    assert values(room_unit(program, ["gpio"]), "SupplementaryGroups") == ["gpio"]


def test_a_room_s_name_is_an_instance_s_name_as_it_is() -> None:
    """systemd.unit(5): ASCII letters, digits, ":", "-", "_", "." need no escaping as an instance."""
    pattern = next(r.pattern for r in RoomSettings.model_fields["name"].metadata if hasattr(r, "pattern"))
    assert pattern == r"^[a-z0-9][a-z0-9-]{0,39}$"
    assert unit_of("north-room-2") == "hygrohold@north-room-2.service"
    assert "%I" not in room_unit(Program(Path("/p"), Path("/c")))  # which would make slashes of hyphens


@pytest.mark.parametrize(
    ("path", "wanted"),
    [("/opt/h/python", "/opt/h/python"), ("/opt/my h/p", '"/opt/my h/p"'), ("/a/50%/$p", "/a/50%%/$$p")],
)
def test_paths_are_quoted(path: str, wanted: str) -> None:
    assert quoted(Path(path)) == wanted


@pytest.fixture
def written(tmp_path: Path) -> Path:
    """Both units, of a program that is really there: systemd looks for what it would start."""
    folder = tmp_path / "units"
    folder.mkdir()
    this = Program(Path(sys.executable), Path(__file__).parents[2] / "controller")
    (folder / "hygrohold@.service").write_text(room_unit(this, ["root"]))
    (folder / "hygrohold@larch.service").symlink_to("hygrohold@.service")
    (folder / "hygrohold-failed@.service").write_text(failed_unit(this))
    (folder / "hygrohold-failed@larch.service").symlink_to("hygrohold-failed@.service")
    (folder / "hygrohold-page.service").write_text(page_unit(this))
    return folder


def analyze(*words: str) -> subprocess.CompletedProcess[str]:
    tool = shutil.which("systemd-analyze")
    if tool is None:
        skip_loudly("the units were not looked at by systemd-analyze: it is not here")
    return subprocess.run([str(tool), *words], capture_output=True, text=True, check=False)


@pytest.mark.parametrize(
    "name", ["hygrohold@larch.service", "hygrohold-failed@larch.service", "hygrohold-page.service"]
)
def test_systemd_finds_nothing_wrong(written: Path, name: str) -> None:
    done = analyze("verify", "--man=no", str(written / name))
    assert (done.returncode, done.stderr.strip()) == (0, "")


def test_a_mistake_in_a_unit_would_be_found(written: Path) -> None:
    path = written / "hygrohold@.service"
    path.write_text(path.read_text().replace("Restart=always", "Restart=allways"))
    assert "allways" in analyze("verify", "--man=no", str(written / "hygrohold@larch.service")).stderr


def test_the_page_has_no_device_and_goes_last(program: Program) -> None:
    text = page_unit(program)
    for key, value in {
        "PrivateDevices": "yes", "DevicePolicy": "closed", "User": "hygrohold", "OOMScoreAdjust": "500",
        "StateDirectoryMode": "0700", "UnsetEnvironment": "STATE_DIRECTORY", "Restart": "on-failure",
    }.items():  # fmt: skip
        assert values(text, key) == [value], key
    assert "DeviceAllow" not in text


@pytest.mark.parametrize("unit", ["hygrohold@larch.service", "hygrohold-page.service"])
def test_the_sandbox(written: Path, unit: str) -> None:
    words = ("security", "--offline=yes", "--no-pager")
    path = str(written / unit)
    done = analyze(*words, f"--threshold={MOST_EXPOSED}", path)
    assert done.returncode == 0, done.stdout + done.stderr
    assert analyze(*words, "--threshold=1", path).returncode != 0  # the threshold is looked at
