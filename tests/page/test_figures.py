"""`page --metrics` and `--broker`: the command's part of it, read back by the collector's own tools."""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from contextlib import ExitStack
from datetime import UTC, datetime
from pathlib import Path
from typing import Any, NamedTuple

import pytest
from prometheus_client.parser import text_string_to_metric_families

from controller import room_lock
from controller.cli import main
from controller.outlets import exposition, heard
from controller.outlets.link import Broker
from controller.outlets.roster import HeardRoom
from controller.page import keys, serve
from tests.outlets import helpers
from tests.page.conftest import NOON, Browser

Starts = Callable[..., Browser]
REAL = heard.Heard


class Served(NamedTuple):
    wsgi: Any


class FakeHeard:
    made: list[FakeHeard]

    def __init__(self, broker: Broker, say: Any) -> None:
        self.broker, self.say, self.steps = broker, say, ["made"]
        self.trouble, self.ignored = "", 0
        FakeHeard.made.append(self)

    def start(self) -> None:
        self.steps.append("started")

    def stop(self) -> None:
        self.steps.append("stopped")

    def rooms(self) -> tuple[HeardRoom, ...]:
        return tuple(
            HeardRoom(board, "larch", NOON, 3.0, True, "Off.", 60.0, 60.0, ()) for board in ("here", "there")
        )


@pytest.fixture(autouse=True)
def alone(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("HYGROHOLD_SETTINGS", "STATE_DIRECTORY", "RUNTIME_DIRECTORY", "XDG_RUNTIME_DIR"):
        monkeypatch.delenv(name, raising=False)
    monkeypatch.setenv("XDG_STATE_HOME", str(tmp_path / "xdg"))
    monkeypatch.setattr("controller.service.folders.SETTINGS", tmp_path / "etc")
    FakeHeard.made = []
    monkeypatch.setattr(heard, "Heard", FakeHeard)


@pytest.fixture
def starts(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Starts:
    """The command, with a browser at what it would serve; ``code``: what it ends with."""
    found: list[Any] = []

    def run(app: Any, sock: Any, say: Any) -> None:
        found.append(app)
        say("http://x/")
        sock.close()

    monkeypatch.setattr(serve, "run", run)
    file = tmp_path / "larch.toml"
    file.write_text(f'settings_version = 1\n[room]\nname = "larch"\nstate_dir = "{tmp_path}"\n')
    (tmp_path / "larch").mkdir()

    def start(*words: str, code: int = 0) -> Browser:
        assert main(["page", "--settings", str(file), "--port", "0", *words]) == code
        return Browser(Served(found[-1] if found else None))  # type: ignore[arg-type]

    return start


def runs(folder: Path, hold: ExitStack, **more: Any) -> dict[str, Any]:
    """The room's program runs and has just said this."""
    state = folder / "larch"
    plain = helpers.status(datetime.now(UTC), **more)
    (state / "status.json").write_text(json.dumps(plain))
    hold.enter_context(room_lock.hold(state))
    return plain


def samples(text: str) -> dict[str, float]:
    return {
        one.name.removeprefix("hygrohold_"): one.value
        for family in text_string_to_metric_families(text)
        for one in family.samples
        if "code" not in one.labels
    }


def test_figures_are_those_of_the_status(starts: Starts, tmp_path: Path) -> None:
    with ExitStack() as hold:
        runs(tmp_path, hold, rh_pct=61.5, temp_c=23.5, used_h_in_24=2.5)
        reply = starts("--metrics").get("/metrics")
    assert (reply.status, reply.heads["Content-Type"]) == (200, exposition.CONTENT_TYPE)
    found = samples(reply.text)
    assert found["up"] == 1.0
    assert found["relative_humidity_ratio"] == pytest.approx(0.615, rel=1e-12)
    assert found["temperature_celsius"] == 23.5
    assert found["humidifier_on_in_last_day_seconds"] == 9000.0
    assert found["status_age_seconds"] < 60.0


def test_a_program_that_is_gone_has_no_figures(starts: Starts, tmp_path: Path) -> None:
    with ExitStack() as hold:
        runs(tmp_path, hold)
    found = samples(starts("--metrics").get("/metrics").text)  # the lock is free: it was killed
    assert found.keys() == {"up", "status_age_seconds", "status_timestamp_seconds"}
    assert found["up"] == 0.0


def test_a_status_that_is_not_whole_is_none(starts: Starts, tmp_path: Path) -> None:
    with ExitStack() as hold:
        runs(tmp_path, hold, duty="much")
        assert samples(starts("--metrics").get("/metrics").text) == {"up": 0.0}


def test_without_the_option_there_are_none(starts: Starts) -> None:
    assert starts().get("/metrics").status == 404


def test_figures_are_behind_password_and_token(starts: Starts, tmp_path: Path) -> None:
    file = tmp_path / "keys.json"
    ring, token = keys.with_token(keys.fresh(), "collector")
    keys.save(file, ring)
    with ExitStack() as hold:
        runs(tmp_path, hold)
        browser = starts("--metrics", "--keys", str(file))
        reply = browser.get("/metrics")
        assert reply.status == 401
        assert "hygrohold_" not in reply.text
        assert browser.get("/metrics", HTTP_AUTHORIZATION="Bearer x").status == 401
        assert "hygrohold_up" in browser.get("/metrics", HTTP_AUTHORIZATION=f"Bearer {token}").text


@pytest.mark.parametrize(
    ("words", "library", "modules", "extra"),
    [
        (("--metrics",), "prometheus_client", ("exposition",), "metrics"),
        (("--broker", "localhost"), "paho.mqtt", ("link", "heard"), "mqtt"),
    ],
)
def test_without_its_library_it_says_which_extra(
    starts: Starts, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], library: str,
    modules: tuple[str, ...], extra: str, capsys: Any,
) -> None:  # fmt: skip
    monkeypatch.setitem(sys.modules, library, None)
    for module in modules:
        monkeypatch.delitem(sys.modules, f"controller.outlets.{module}", raising=False)
        monkeypatch.delattr(f"controller.outlets.{module}", raising=False)
    assert starts(*words, code=1).app.wsgi is None
    assert f"pip install '.[{extra}]'" in capsys.readouterr().err


def test_rooms_of_other_boards_are_listened_for_while_it_serves(starts: Starts, tmp_path: Path) -> None:
    browser = starts("--broker", "shed.example:1884", "--board", "here")
    (fake,) = FakeHeard.made
    assert fake.steps == ["made", "started", "stopped"]
    assert (fake.broker.host, fake.broker.port) == ("shed.example", 1884)
    page = browser.get("/").text
    assert "on there" in page
    assert "on here" not in page  # larch of this board is shown above
    assert starts().get("/").status == 303
    assert len(FakeHeard.made) == 1


def test_what_the_listener_says_and_a_password_in_the_clear_are_told(
    starts: Starts, tmp_path: Path, capsys: Any
) -> None:
    file = tmp_path / "broker-password"
    file.write_text("sesame\n")
    file.chmod(0o600)
    own = ("--user", "page", "--password-file", str(file))
    starts("--broker", "shed.example", *own)
    FakeHeard.made[0].say("Connected.")
    err = capsys.readouterr().err
    assert "The password goes to the broker in the clear" in err
    assert "Connected." in err
    starts("--broker", "localhost", *own)
    assert "in the clear" not in capsys.readouterr().err
    assert [fake.broker.password for fake in FakeHeard.made] == ["sesame", "sesame"]


@pytest.mark.parametrize(
    ("words", "told"),
    [
        (("--user", "page"), "belong to --broker"),
        (("--board", "here"), "belong to --broker"),
        (("--broker", "localhost", "--board", "Not Here"), "--board: 'Not Here'"),
        (("--broker", "localhost:many"), "--broker: 'localhost:many' is not a host and port"),
        (("--broker", "localhost", "--tls-ca", "/nowhere.pem"), "--tls-ca"),
    ],
)
def test_options_that_do_not_fit(
    starts: Starts, monkeypatch: pytest.MonkeyPatch, words: tuple[str, ...], told: str, capsys: Any
) -> None:
    monkeypatch.setattr(heard, "Heard", REAL)
    starts(*words, code=2)
    assert told in capsys.readouterr().err


@pytest.mark.process
def test_promtool_finds_nothing_to_say(starts: Starts, tmp_path: Path) -> None:
    """The linter of the collector's own project (Debian: apt install prometheus)."""
    promtool = shutil.which("promtool")
    if promtool is None:
        pytest.skip("NOT TESTED: there is no promtool here")
    with ExitStack() as hold:
        runs(tmp_path, hold, alarms=[helpers.ALARM], duty=0.25, reasons=["paused"])
        text = starts("--metrics").get("/metrics").text
    done = subprocess.run(
        (promtool, "check", "metrics"), input=text, capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
