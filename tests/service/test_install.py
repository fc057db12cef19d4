"""Putting a room into the service's hands and taking it out: in a folder, and with systemctl written down."""

from __future__ import annotations

import os
import pwd
import shutil
import stat
import subprocess
from collections.abc import Callable, Sequence
from pathlib import Path
from types import SimpleNamespace

import pytest

from controller.cli import DONE, FAILED, REFUSED, WRONG, main
from controller.errors import HygroholdError
from controller.service import fitness, folders, install
from controller.service.fitness import refusals
from controller.service.folders import Folders
from controller.service.install import Installation, Removal
from controller.service.unit import FAILED_UNIT, ROOM_UNIT, Program, room_unit
from controller.settings import Settings

Larch = Callable[..., Path]


@pytest.fixture
def fits(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """As if this were root on a machine run by systemd, with the program where it belongs."""
    monkeypatch.setattr(fitness, "BOOTED", tmp_path)
    monkeypatch.setattr(fitness, "HIDDEN", (Path("/home"),))
    monkeypatch.setattr(os, "geteuid", lambda: 0)
    monkeypatch.setattr(install, "_is_user", lambda name: True)


@pytest.fixture
def calls(monkeypatch: pytest.MonkeyPatch) -> list[list[str]]:
    """System commands, written down instead of run."""
    made: list[list[str]] = []

    def run(words: Sequence[str], **_: object) -> object:
        made.append(list(words))
        return SimpleNamespace(returncode=0, stdout="", stderr="")

    monkeypatch.setattr(install.subprocess, "run", run)
    return made


def words_of(steps: Installation | Removal) -> list[str]:
    return [step.words for step in steps.steps()]


def do(steps: Installation | Removal) -> list[str]:
    return [step.do() for step in steps.steps()]


@pytest.mark.parametrize(
    ("more", "words"),
    [
        ({"relay": ""}, 'relay.kind = "simulated": nothing would be switched'),
        ({"probe": '[[probe]]\nkind = "simulated"\n'}, "there is no such probe|a room has no such probe"),
        ({"probe": '[[probe]]\nkind = "replay"\nfile = "x.csv"\n'}, "needs a whole path"),
        (
            {"probe": '[[probe]]\nkind = "replay"\nfile = "/home/USER/x.csv"\n'},
            "cannot be seen by the service",
        ),
    ],
)
def test_what_cannot_be_run_is_refused(
    larch: Larch, fits: None, program: Program, more: dict[str, str], words: str
) -> None:
    settings = Settings.load(larch(**more), {})
    (found,) = refusals(settings, program, Folders.under(None))
    assert any(part in found for part in words.split("|"))


def test_a_state_folder_of_one_s_own_is_refused(larch: Larch, fits: None, program: Program) -> None:
    path = larch()
    path.write_text(path.read_text().replace('name = "larch"', 'name = "larch"\nstate_dir = "/srv"'))
    (found,) = refusals(Settings.load(path, {}), program, Folders.under(None))
    assert "room.state_dir is set" in found


def test_a_machine_without_systemd_is_refused(
    larch: Larch, fits: None, program: Program, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    monkeypatch.setattr(fitness, "BOOTED", tmp_path / "none")
    (found,) = refusals(Settings.load(larch(), {}), program, Folders.under(None))
    assert "not run by systemd" in found


@pytest.mark.parametrize(
    "place", ["/home/USER/.venv/bin/python", str(Path("/root", "x", "python")), "/tmp/venv/bin/python"]
)
def test_a_program_that_a_service_cannot_see_is_refused(place: str) -> None:
    """systemd.exec(5): ProtectHome= hides /home, /root and /run/user, PrivateTmp= has its own /tmp."""
    (found,) = fitness.hidden_program(Program(Path(place), Path("/opt/x")))
    assert place in found
    assert "/opt/hygrohold" in found


def test_a_python_behind_a_link_is_seen(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A venv's python is a link to the Python it was made with."""
    (tmp_path / "hidden").mkdir()
    (tmp_path / "hidden" / "python3").touch()
    (tmp_path / "python").symlink_to(tmp_path / "hidden" / "python3")
    monkeypatch.setattr(fitness, "HIDDEN", (tmp_path / "hidden",))
    assert fitness.hidden_program(Program(tmp_path / "python", Path("/opt/x")))


def test_a_program_that_somebody_may_change_is_cautioned_about(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    program = Program(tmp_path / "python", tmp_path)
    real = Path.stat
    monkeypatch.setattr(
        Path,
        "stat",
        lambda path, **more: SimpleNamespace(st_uid=1) if path == tmp_path else real(path, **more),
    )
    assert "chown" in fitness.cautions(program)[0]
    assert fitness.cautions(Program(Path("/usr/bin/python3"), Path("/usr"))) == []


def test_the_groups_of_the_lines(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(fitness, "DEVICES", tmp_path)
    assert fitness.line_groups(Folders.under(None)) == []
    for name, gid in (("gpiochip0", 0), ("gpiochip1", 5), ("gpiochip2", 5), ("gpiochip3", 99999999)):
        (tmp_path / name).touch()
        if os.geteuid() == 0:
            os.chown(tmp_path / name, 0, gid)
    wanted = ["tty"] if os.geteuid() == 0 else None  # Debian: group 5
    found = fitness.line_groups(Folders.under(None))
    assert found == wanted or os.geteuid() != 0


def test_the_groups_of_an_image(tmp_path: Path) -> None:
    where = Folders.under(tmp_path)
    assert fitness.line_groups(where) == []
    (tmp_path / "etc").mkdir()
    (tmp_path / "etc" / "group").write_text("root:x:0:\ngpio:x:986:pi\n")
    assert fitness.line_groups(where) == ["gpio"]


def test_an_installation_in_order(
    larch: Larch, fits: None, calls: list[list[str]], program: Program, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(install, "_is_user", lambda name: False)
    where = Folders.under(None)
    source = larch()
    do(Installation("larch", source, where, program))
    assert [words[0] for words in calls] == ["useradd", "systemctl", "systemctl", "systemctl"]
    assert "--system" in calls[0]
    assert calls[0][-1] == "hygrohold"
    assert [words[1:] for words in calls[1:]] == [
        ["daemon-reload"], ["enable", "hygrohold@larch.service"], ["restart", "hygrohold@larch.service"],
    ]  # fmt: skip
    assert (folders.SETTINGS / "larch.toml").read_text() == source.read_text()
    assert stat.S_IMODE((folders.SETTINGS / "larch.toml").stat().st_mode) == 0o644
    assert (folders.UNITS / ROOM_UNIT).read_text() == room_unit(program)
    assert (folders.UNITS / FAILED_UNIT).exists()


def test_a_strict_umask_of_root_shuts_nobody_out(
    larch: Larch, fits: None, calls: list[list[str]], program: Program
) -> None:
    folders.SETTINGS.rmdir()
    before = os.umask(0o077)
    try:
        do(Installation("larch", larch(), Folders.under(None), program))
    finally:
        os.umask(before)
    assert stat.S_IMODE(folders.SETTINGS.stat().st_mode) == 0o755
    assert stat.S_IMODE((folders.SETTINGS / "larch.toml").stat().st_mode) == 0o644
    assert stat.S_IMODE((folders.UNITS / ROOM_UNIT).stat().st_mode) == 0o644


def test_a_group_that_is_there_is_taken(fits: None, monkeypatch: pytest.MonkeyPatch, larch: Larch) -> None:
    monkeypatch.setattr(install, "_is_user", lambda name: False)
    monkeypatch.setattr(install, "_is_group", lambda name: True)
    first = words_of(Installation("larch", larch(), Folders.under(None), fitness.this_program()))[0]
    assert "--gid hygrohold" in first


def test_once_more_changes_only_what_changed(
    larch: Larch, fits: None, calls: list[list[str]], program: Program
) -> None:
    where = Folders.under(None)
    do(Installation("larch", larch(), where, program))
    in_place = folders.SETTINGS / "larch.toml"
    again = words_of(Installation("larch", in_place, where, program, start=False))
    assert again == ["Run systemctl daemon-reload", "Run systemctl enable hygrohold@larch.service"]
    moved = program._replace(python=Path("/opt/newer/bin/python"))
    assert any(ROOM_UNIT in words for words in words_of(Installation("larch", in_place, where, moved)))


def test_older_settings_are_set_aside(
    larch: Larch, fits: None, calls: list[list[str]], program: Program
) -> None:
    where = Folders.under(None)
    do(Installation("larch", larch(), where, program))
    old = (folders.SETTINGS / "larch.toml").read_text()
    said = do(Installation("larch", larch("[loop]\ntick_s = 20\n"), where, program))
    (aside,) = folders.SETTINGS.glob("larch.toml.older-*")
    assert aside.read_text() == old
    assert any(aside.name in words for words in said)
    assert "tick_s" in (folders.SETTINGS / "larch.toml").read_text()


@pytest.fixture
def keeper(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> Path:
    """A user, ann, who ran the room by hand; her folder of it."""
    folder = tmp_path / "ann" / ".local" / "state" / "hygrohold" / "larch"
    folder.mkdir(parents=True)
    (folder / "state-a.json").write_text("kept")
    real = pwd.getpwnam

    def getpwnam(name: str) -> object:
        if name == "ann":
            return SimpleNamespace(pw_dir=str(tmp_path / "ann"))
        if name == "hygrohold":
            return SimpleNamespace(pw_uid=os.getuid(), pw_gid=os.getgid())
        return real(name)

    monkeypatch.setattr(pwd, "getpwnam", getpwnam)
    return folder


def test_state_and_record_come_along_once(
    larch: Larch, fits: None, calls: list[list[str]], program: Program, keeper: Path
) -> None:
    where = Folders.under(None)
    source = larch()
    assert any(
        "1 files" in words for words in do(Installation("larch", source, where, program, invoker="ann"))
    )
    assert (folders.STATE / "larch" / "state-a.json").read_text() == "kept"
    (keeper / "state-a.json").write_text("older, left behind")
    do(Installation("larch", source, where, program, invoker="ann"))
    assert (folders.STATE / "larch" / "state-a.json").read_text() == "kept"


def test_a_keeper_without_a_record(larch: Larch, fits: None, program: Program, keeper: Path) -> None:
    (keeper / "state-a.json").unlink()
    where = Folders.under(None)
    assert any(
        "empty record" in words
        for words in words_of(Installation("larch", larch(), where, program, invoker="ann"))
    )
    assert install.old_folder("no-such-user", "larch") is None


def test_a_command_that_fails_says_so(larch: Larch, fits: None, program: Program) -> None:
    with pytest.raises(HygroholdError, match="false` failed: exit status 1"):
        install.run_command(["false"])
    with pytest.raises(HygroholdError, match="could not be run"):
        install.run_command(["/no/such/command"])


def test_removal_keeps_what_was_kept(
    larch: Larch, fits: None, calls: list[list[str]], program: Program
) -> None:
    where = Folders.under(None)
    for room in ("larch", "oak"):
        do(Installation(room, larch(), where, program))
        (folders.STATE / room).mkdir()
    calls.clear()
    do(Removal("oak", where))
    assert calls[0] == ["systemctl", "disable", "--now", "hygrohold@oak.service"]
    assert (folders.UNITS / ROOM_UNIT).exists()  # another room still needs it
    assert len(list(folders.SETTINGS.glob("oak.toml.removed-*"))) == 1
    do(Removal("larch", where))
    assert not (folders.UNITS / ROOM_UNIT).exists()
    assert not (folders.UNITS / FAILED_UNIT).exists()
    assert calls[-1] == ["systemctl", "daemon-reload"]
    assert (folders.STATE / "larch").is_dir()
    assert (folders.STATE / "oak").is_dir()


class TestCommand:
    """`hygrohold service`."""

    @pytest.fixture
    def said(self, capsys: pytest.CaptureFixture[str]) -> Callable[..., tuple[int, str, str]]:
        def run(*words: str) -> tuple[int, str, str]:
            code = main(["service", *words])
            return code, *capsys.readouterr()

        return run

    def test_print_touches_nothing(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None, calls: list[list[str]],
        elsewhere: Path,
    ) -> None:  # fmt: skip
        before = sorted(elsewhere.rglob("*"))
        code, out, _ = said("print", "--settings", str(larch()))
        assert code == DONE
        assert "[Service]" in out
        assert "Type=oneshot" in out
        assert "#   Run systemctl daemon-reload" in out
        assert "refuse" not in out.split("[Unit]")[0]
        assert sorted(elsewhere.rglob("*")) == before
        assert calls == []

    def test_print_says_what_install_would_refuse(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None
    ) -> None:
        code, out, _ = said("print", "--settings", str(larch(relay="")))
        assert code == REFUSED
        assert "# install would refuse: relay.kind" in out

    def test_refusals_come_before_anything_is_done(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None, calls: list[list[str]]
    ) -> None:
        code, _, err = said("install", "--settings", str(larch(relay="")))
        assert code == REFUSED
        assert err.startswith("Refused: relay.kind")
        assert calls == []
        assert list(folders.SETTINGS.iterdir()) == []

    def test_refused_settings(self, said: Callable[..., tuple[int, str, str]], larch: Larch) -> None:
        code, _, err = said("install", "--settings", str(larch("[loop]\ntick_s = 0\n")))
        assert code == WRONG
        assert "larch.toml:" in err
        assert said("install")[0] == WRONG
        assert said("install", "--settings", str(larch()), "--root", "/no/such/folder")[0] == WRONG

    def test_a_variable_of_this_shell_is_not_the_service_s(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        monkeypatch.setenv("HYGROHOLD_RELAY__KIND", "simulated")
        assert said("print", "--settings", str(larch()))[0] == DONE

    def test_without_root_the_sudo_line(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None, calls: list[list[str]],
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        monkeypatch.setattr(os, "geteuid", lambda: 1000)
        path = larch()
        code, _, err = said("install", "--settings", str(path), "--no-start")
        assert code == REFUSED
        assert "This needs root; nothing was done" in err
        assert f"service install --settings {path} --no-start" in err
        assert "  sudo /" in err
        assert calls == []

    def test_install_and_remove(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None, calls: list[list[str]]
    ) -> None:
        code, out, _ = said("install", "--settings", str(larch()))
        assert code == DONE
        assert "usermod -aG hygrohold" in out
        assert "hygrohold status\n" in out
        in_place = folders.SETTINGS / "larch.toml"
        in_place.write_text("refused = by now\n")
        code, out, _ = said("remove", "--settings", str(in_place))
        assert code == DONE
        assert f"stay in {folders.STATE / 'larch'}" in out
        assert said("remove", "--settings", str(in_place))[0] == REFUSED

    def test_a_start_that_fails_is_told(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None,
        monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        def run(words: Sequence[str], **_: object) -> object:
            return SimpleNamespace(returncode=int("restart" in words), stdout="", stderr="Job failed")

        monkeypatch.setattr(install.subprocess, "run", run)
        code, _, err = said("install", "--settings", str(larch()))
        assert code == FAILED
        assert "Job failed" in err

    def test_a_folder_that_cannot_be_written(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, fits: None, calls: list[list[str]]
    ) -> None:
        folders.SETTINGS.rmdir()
        folders.SETTINGS.write_text("in the way")
        code, _, err = said("install", "--settings", str(larch()))
        assert code == FAILED
        assert "hygrohold: " in err

    def test_into_an_image(
        self, said: Callable[..., tuple[int, str, str]], larch: Larch, tmp_path: Path, calls: list[list[str]],
        keeper: Path, monkeypatch: pytest.MonkeyPatch,
    ) -> None:  # fmt: skip
        """Everything below the folder, as `systemctl --root` would have it; nothing of this machine."""
        monkeypatch.setenv("SUDO_USER", "ann")
        image = tmp_path / "image"
        image.mkdir()
        for name in ("SETTINGS", "STATE", "UNITS"):
            monkeypatch.setattr(
                folders, name, Path("/") / getattr(folders, name).relative_to(tmp_path / "this-machine")
            )
        path = larch()
        code, out, _ = said("install", "--settings", str(path), "--root", str(image))
        assert code == DONE
        assert calls == []
        assert str(image) in out
        assert (image / "etc/hygrohold/larch.toml").read_text() == path.read_text()
        assert (image / "var/lib/hygrohold/larch/state-a.json").read_text() == "kept"
        link = image / "etc/systemd/system/multi-user.target.wants/hygrohold@larch.service"
        assert str(link.readlink()) == "/etc/systemd/system/hygrohold@.service"
        assert "hygrohold" in (image / "etc/sysusers.d/hygrohold.conf").read_text()
        if shutil.which("systemctl"):  # systemd's own opinion of what we linked
            words = ["systemctl", f"--root={image}", "is-enabled", "hygrohold@larch.service"]
            monkeypatch.undo()
            done = subprocess.run(words, capture_output=True, text=True, check=False)
            assert done.stdout.strip() == "enabled", done.stderr


def test_remove_from_an_image(
    larch: Larch, tmp_path: Path, capsys: pytest.CaptureFixture[str], calls: list[list[str]]
) -> None:
    image = tmp_path / "image"
    image.mkdir()
    path = str(larch())
    assert main(["service", "install", "--settings", path, "--root", str(image)]) == DONE
    assert main(["service", "remove", "--settings", path, "--root", str(image)]) == DONE
    left = [path for path in image.rglob("*") if path.is_file() or path.is_symlink()]
    assert {path.name.split(".removed-")[0] for path in left} == {"larch.toml", "hygrohold.conf"}
    assert calls == []


def test_the_page_comes_and_goes_with_the_last_room(
    larch: Larch, fits: None, calls: list[list[str]], capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr("os.geteuid", lambda: 0)
    path = str(larch())
    assert main(["service", "print", "--page", "--settings", path]) == DONE
    assert "---- " + str(folders.UNITS / "hygrohold-page.service") in capsys.readouterr().out
    assert main(["service", "remove", "--page", "--settings", path]) == REFUSED
    assert "no page" in capsys.readouterr().out
    assert main(["service", "install", "--page", "--settings", path]) == DONE
    assert ["systemctl", "enable", "hygrohold-page.service"] in calls
    assert ["systemctl", "restart", "hygrohold-page.service"] in calls
    assert (folders.UNITS / "hygrohold-page.service").exists()
    calls.clear()
    assert main(["service", "remove", "--settings", path]) == DONE
    assert calls[0] == ["systemctl", "disable", "--now", "hygrohold-page.service"]
    assert not (folders.UNITS / "hygrohold-page.service").exists()


def test_a_page_alone_is_removed_and_one_without_libraries_refused(
    larch: Larch, fits: None, calls: list[list[str]], capsys: pytest.CaptureFixture[str],
    monkeypatch: pytest.MonkeyPatch,
) -> None:  # fmt: skip
    monkeypatch.setattr("os.geteuid", lambda: 0)
    path = str(larch())
    main(["service", "install", "--page", "--no-start", "--settings", path])
    assert ["systemctl", "restart", "hygrohold-page.service"] not in calls
    monkeypatch.setattr("os.geteuid", lambda: 1000)
    assert main(["service", "remove", "--page", "--settings", path]) == REFUSED
    assert "--page" in capsys.readouterr().err
    monkeypatch.setattr("os.geteuid", lambda: 0)
    assert main(["service", "remove", "--page", "--settings", path]) == DONE
    assert (folders.UNITS / ROOM_UNIT).exists()
    monkeypatch.setattr("controller.service.page_unit.find_spec", lambda name: None)
    assert main(["service", "install", "--page", "--settings", path]) == REFUSED
    assert "pip install '.[page]'" in capsys.readouterr().err


def test_the_page_in_an_image(larch: Larch, tmp_path: Path, calls: list[list[str]]) -> None:
    image = tmp_path / "image"
    image.mkdir()
    words = ["--settings", str(larch()), "--root", str(image)]
    assert main(["service", "install", "--page", *words]) == DONE
    link = Folders.under(image).units / "multi-user.target.wants" / "hygrohold-page.service"
    assert link.is_symlink()
    assert main(["service", "remove", "--page", *words]) == DONE
    assert not link.is_symlink()
    assert calls == []
