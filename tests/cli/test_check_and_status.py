"""check and status: what they say, and the code they end with."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from controller import room_lock
from controller.cli import DONE, FAILED, NOT_RUNNING
from controller.devices import sysfs
from controller.loop import Loop
from controller.status import StatusFile
from tests.cli.conftest import Run
from tests.loop.helpers import Bench, FakeProbe, ProbeFiles, flat


@pytest.fixture
def probe_files(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> ProbeFiles:
    """This machine's probes are one, in tmp_path."""
    root = tmp_path / "sys"
    files = ProbeFiles(root)
    real = sysfs.list_probes
    for place in ("controller.devices.sysfs", "controller.devices.kernel_probe"):
        monkeypatch.setattr(f"{place}.list_probes", lambda *_: real(root))
    return files


HWMON = '[[probe]]\nkind = "hwmon"\nat = "1-0044"\n'


def test_check_without_a_probe_says_what_to_set(run: Run) -> None:
    code, out, err = run("check")
    assert (code, err) == (FAILED, "")
    assert "Settings   in order" in out
    assert "Name a real one under [[probe]]" in out
    assert "simulated: nothing is switched" in out
    assert out.endswith("In short   not yet: probe and relay are still simulated; all else is in order\n")


def test_check_with_a_probe_says_what_would_be_done(
    run: Run, room: Callable[..., Path], probe_files: ProbeFiles, tmp_path: Path
) -> None:
    probe_files.write(52.0, 23.5)
    code, out, err = run("check", "--settings", str(room(HWMON)))
    assert (code, err) == (DONE, "")
    assert "52.0 %RH, 23.5 °C" in out
    assert 'hwmon probe "sht4x" at "1-0044"' in out
    assert "Now        On: the room is drier than wanted, 52.0 %RH" in out
    assert out.endswith("In short   in order\n")
    assert not (tmp_path / "state").exists()  # it only looks


def test_check_doubts_a_least_temperature_that_no_room_has(
    run: Run, room: Callable[..., Path], probe_files: ProbeFiles
) -> None:
    probe_files.write(52.0, 23.5)
    _, out, _ = run("check", "--settings", str(room(HWMON + "[guards]\nlowest_temp_c = 61\n")))
    assert "Careful: no mist into a room colder than 61 °C (guards.lowest_temp_c)" in out
    assert 'Fahrenheit is written "61 °F"' in out
    _, out, _ = run("check", "--settings", str(room(HWMON + '[guards]\nlowest_temp_c = "61 °F"\n')))
    assert "Careful" not in out


@pytest.mark.parametrize(("hours", "words"), [(23, "at most 23 h in any 24"), (24, "with no runtime cap")])
def test_check_says_the_cap_or_that_there_is_none(
    run: Run, room: Callable[..., Path], probe_files: ProbeFiles, hours: int, words: str
) -> None:
    probe_files.write(52.0, 23.5)
    _, out, _ = run("check", "--settings", str(room(HWMON + f"[runtime]\ncap_hours_in_any_24 = {hours}\n")))
    assert f"hysteresis, {words}\n" in out


def test_check_of_a_wet_room(run: Run, room: Callable[..., Path], probe_files: ProbeFiles) -> None:
    probe_files.write(85.0, 23.5)
    code, out, _ = run("check", "--settings", str(room(HWMON)))
    assert code == DONE
    assert "Now        Off: 85.0 %RH is at the ceiling" in out


def test_check_of_a_probe_that_fails(run: Run, room: Callable[..., Path], probe_files: ProbeFiles) -> None:
    probe_files.say(b"nonsense")
    code, out, _ = run("check", "--settings", str(room(HWMON)))
    assert code == FAILED
    assert "no reading, because" in out
    assert "not a number" in out


def test_check_of_a_probe_that_is_not_there(
    run: Run, room: Callable[..., Path], probe_files: ProbeFiles
) -> None:
    code, out, _ = run("check", "--settings", str(room('[[probe]]\nkind = "hwmon"\nat = "1-0099"\n')))
    assert code == FAILED
    assert '"1-0044"' in out  # the one that is there is offered


def test_check_of_a_missing_replay_file(run: Run, room: Callable[..., Path]) -> None:
    code, out, err = run("check", "--settings", str(room('[[probe]]\nkind = "replay"\nfile = "/no/x.csv"\n')))
    assert code in (FAILED, 2)
    assert "/no/x.csv" in out + err


def test_check_of_a_relay_that_cannot_be_reached(run: Run, room: Callable[..., Path]) -> None:
    code, out, _ = run("check", "--settings", str(room('[relay]\nkind = "gpiozero"\nchip = 63\n')))
    assert code == FAILED
    assert "gpiochip63" in out
    assert out.endswith("In short   NOT in order: probe, relay\n")


def test_check_names_what_is_next_and_what_hangs_at_the_shelf(
    run: Run, room: Callable[..., Path], probe_files: ProbeFiles, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("controller.devices.relay_words.relay_reachable", lambda relay: "")
    probe_files.write(52.0, 23.5)
    file = room(HWMON + '[relay]\nkind = "libgpiod"\n[shelf]\nbutton_pin = 5\nlamp_alarm_pin = 6\n')
    code, out, _ = run("check", "--settings", str(file))
    assert code == DONE
    assert "Shelf      button on pin 5, lamp alarm on pin 6\n" in out
    assert f"not commissioned yet: hygrohold commission --settings {file} is next\n" in out


@pytest.fixture
def settings(room: Callable[..., Path]) -> tuple[str, str]:
    return "--settings", str(room(HWMON))


def test_status_of_a_rehearsal_names_nothing_that_is_refused(run: Run, room: Callable[..., Path]) -> None:
    file = room()
    code, out, _ = run("status", "--settings", str(file))
    assert code == NOT_RUNNING
    assert f"It cannot be run yet: {file} has a simulated probe" in out
    assert "Start it with" not in out
    assert run("run", "--settings", str(file))[0] != DONE


def test_status_without_a_loop(run: Run, settings: tuple[str, str]) -> None:
    code, out, err = run("status", *settings)
    assert (code, err) == (NOT_RUNNING, "")
    begin = f"hygrohold run --settings {settings[1]}"
    assert out == f"The program is not running for room room.\nStart it with `{begin}`.\n"
    code, out, _ = run("status", "--json", *settings)
    assert (code, json.loads(out)) == (NOT_RUNNING, {"running": False})


def test_status_of_no_room_in_particular(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path))
    code, out, _ = run("status")
    assert code == NOT_RUNNING
    assert "say which with --settings FILE" in out


def test_status_of_a_program_that_was_killed(run: Run, tmp_path: Path, settings: tuple[str, str]) -> None:
    """It leaves a fresh status file, but holds its room no longer."""
    told(tmp_path, 64.0)
    with room_lock.hold(tmp_path / "state" / "room"):
        assert run("status", *settings)[0] == DONE
    code, out, _ = run("status", *settings)
    assert code == NOT_RUNNING
    assert out.startswith("The program is not running: this is what it said ")


def told(tmp_path: Path, rh_pct: float, failure: str = "", ago_s: float = 0.0) -> Path:
    """A status file as a loop left it ``ago_s`` ago."""
    path = tmp_path / "state" / "room" / "status.json"
    bench = Bench(flat(), for_s=1200.0)
    bench.clock.wall = datetime.now().astimezone() - timedelta(seconds=1200.0 + ago_s)
    assert isinstance(bench.probe, FakeProbe)
    bench.probe.rh_pct, bench.probe.failure = rh_pct, failure
    Loop(bench.parts(tellers=(StatusFile(path, "room", 10.0, 0.4),)), 10.0).run()
    return path


def test_status_of_a_running_loop(run: Run, tmp_path: Path, settings: tuple[str, str]) -> None:
    told(tmp_path, 50.0)
    code, out, err = run("status", *settings)
    assert (code, err) == (DONE, "")
    why, to_do, blank, *rows = out.splitlines()
    assert why.startswith("On: the room is drier than wanted, 50.0")
    assert to_do.startswith("Fill the tank and say `hygrohold note refilled`")
    assert blank == ""
    assert any(row.startswith("Humidifier  on") for row in rows)


def test_status_as_json(run: Run, tmp_path: Path, settings: tuple[str, str]) -> None:
    told(tmp_path, 50.0)
    code, out, _ = run("status", "--json", *settings)
    plain = json.loads(out)
    assert code == DONE
    assert plain["running"] is True
    assert plain["relay_on"] is True
    assert plain["rh_pct"] == pytest.approx(50.0, abs=0.1)


def test_status_with_an_alarm(run: Run, tmp_path: Path, settings: tuple[str, str]) -> None:
    told(tmp_path, 50.0, failure="it is gone")
    code, out, _ = run("status", *settings)
    assert code == DONE
    assert out.splitlines()[0].startswith("Off: the probe is not to be trusted")
    assert "Check its plug" in out.splitlines()[1]


def test_status_of_a_loop_that_died(run: Run, tmp_path: Path, settings: tuple[str, str]) -> None:
    told(tmp_path, 50.0, ago_s=7200.0)
    code, out, _ = run("status", *settings)
    assert code == NOT_RUNNING
    assert out.startswith("The program is not running: this is what it said 2 h")
    code, out, _ = run("status", "--json", *settings)
    assert (code, json.loads(out)["running"]) == (NOT_RUNNING, False)


@pytest.mark.parametrize("text", ["", "{", "null", "[]", '{"sentence": "x", "at": "soon"}', '{"at": 1}'])
def test_status_of_a_spoilt_file(run: Run, tmp_path: Path, settings: tuple[str, str], text: str) -> None:
    path = told(tmp_path, 50.0)
    path.write_text(text)
    code, _, _ = run("status", *settings)
    assert code == NOT_RUNNING
