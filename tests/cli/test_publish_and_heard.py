"""publish and heard: what they take, and what they say. The broker itself is in tests/outlets."""

from __future__ import annotations

import json
import signal
import time
from collections.abc import Callable, Iterator
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest

from controller.cli import DONE, FAILED, WRONG, broker, heard
from controller.outlets import heard as ear
from controller.outlets import program
from controller.outlets.heard import HeardRoom
from controller.service import folders
from tests.cli.conftest import Run
from tests.outlets.helpers import NOON


@pytest.fixture(autouse=True)
def signals() -> Iterator[None]:
    numbers = (signal.SIGTERM, signal.SIGINT, signal.SIGHUP)
    before = [signal.getsignal(number) for number in numbers]
    yield
    for number, handler in zip(numbers, before, strict=True):
        signal.signal(number, handler)


@pytest.fixture
def asked(monkeypatch: pytest.MonkeyPatch) -> list[Any]:
    """What ``program.run`` was called with; it is told to end by a signal, as from outside."""
    found: list[Any] = []

    def run(files: Any, wanted: Any, every_s: float, ending: Any, say: Any) -> None:
        found.extend((files, wanted, every_s))
        signal.raise_signal(signal.SIGTERM)
        assert ending.is_set()

    monkeypatch.setattr(program, "run", run)
    return found


def test_everything_at_once(run: Run, room: Callable[..., Path], asked: list[Any], tmp_path: Path) -> None:
    secret = tmp_path / "secret"
    secret.write_text("pass word\n")
    secret.chmod(0o600)
    oak = room('name = "oak"\nunits = "us"\n', "oak.toml")
    code, out, err = run(
        "publish", "--settings", str(room()), "--settings", str(oak), "--metrics", "localhost:9100",
        "--metrics-file", str(tmp_path / "x.prom"), "--broker", "broker.example", "--user", "ann",
        "--password-file", str(secret), "--tls-ca", "ca.pem", "--mqtt", "3.1.1", "--board", "shed-a",
        "--no-senml", "--every", "5s",
    )  # fmt: skip
    assert (code, out, err) == (DONE, "", "Publishing room, oak. Ctrl-C ends it.\n")
    files, wanted, every_s = asked
    assert [(file.room, file.units) for file in files] == [("room", "si"), ("oak", "us")]
    assert files[0].status == tmp_path / "state" / "room" / "status.json"
    assert wanted.metrics == ("localhost", 9100)
    assert wanted.metrics_file == tmp_path / "x.prom"
    assert wanted.broker == ("broker.example", 8883, "ann", "pass word", Path("ca.pem"), "3.1.1")
    assert (wanted.board, wanted.with_senml, every_s) == ("shed-a", False, 5.0)


def test_what_others_could_read_is_said(
    run: Run, room: Callable[..., Path], asked: list[Any], tmp_path: Path
) -> None:
    secret = tmp_path / "secret"
    secret.write_text("x")
    secret.chmod(0o600)
    more = ("--metrics", "0.0.0.0:9100", "--user", "ann", "--password-file", str(secret))
    code, _, err = run("publish", "--settings", str(room()), "--broker", "broker.example:1884", *more)
    assert code == DONE
    assert "Everybody who reaches 0.0.0.0:9100 can read the metrics" in err
    assert "The password goes to the broker in the clear" in err
    assert asked[1].broker[:2] == ("broker.example", 1884)
    _, _, err = run("publish", "--settings", str(room()), "--broker", "localhost", *more[2:])
    assert "in the clear" not in err


def test_without_a_file_it_is_every_room_of_the_service(
    run: Run, room: Callable[..., Path], asked: list[Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(folders, "SETTINGS", tmp_path / "etc")
    code, _, err = run("publish", "--metrics", "localhost:9100")
    assert code == WRONG
    assert "no room was named, and the service runs none: say which with --settings FILE" in err
    (tmp_path / "etc").mkdir()
    for name in ("elm", "oak"):
        room(f'name = "{name}"\n', f"etc/{name}.toml")
    assert run("publish", "--metrics", "localhost:9100")[0] == DONE
    assert [file.room for file in asked[0]] == ["elm", "oak"]
    monkeypatch.setenv("HYGROHOLD_SETTINGS", str(tmp_path / "etc" / "oak.toml"))
    asked.clear()
    assert run("publish", "--metrics", "localhost:9100")[0] == DONE
    assert [file.room for file in asked[0]] == ["oak"]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "say where to: --metrics HOST:PORT, --metrics-file PATH or --broker HOST"),
        (("--metrics", "localhost"), "--metrics: 'localhost' is not a host and port like localhost:9100"),
        (("--metrics", "localhost:99999"), "is not a host and port"),
        (("--metrics", ":9100"), "is not a host and port"),
        (("--metrics", "::1:9100"), "an IPv6 address goes into brackets, as in [::1]:9100"),
        (("--broker", "mqtt://x"), "--broker: 'mqtt://x' is not a host and port like localhost:1883"),
        (("--broker", "a b"), "is not a host and port"),
        (("--metrics-file", "x.txt"), "collectors look for names that end with .prom"),
        (("--metrics-file", "none/x.prom"), "there is no folder"),
        (("--broker", "x", "--board", "Shed A"), "--board: 'Shed A' is to be small letters"),
        (("--broker", "x", "--every", "2min"), "--every: 0.5s to 60s"),
        (("--metrics", "localhost:1", "--board", "a"), "belong to --broker HOST"),
        (("--broker", "x", "--password-file", "y"), "--password-file needs --user"),
        (("--broker", "x", "--user", "a", "--password-file", "none"), "none cannot be read: No such file"),
        (("--broker", "x", "--settings", "none.toml"), "none.toml"),
    ],
)
def test_what_does_not_fit_is_said(
    run: Run, room: Callable[..., Path], asked: list[Any], arguments: tuple[str, ...], words: str
) -> None:
    settings = () if "--settings" in arguments else ("--settings", str(room()))
    code, out, err = run("publish", *settings, *arguments)
    assert (code, out, asked) == (WRONG, "", [])
    assert words in err


def test_two_rooms_of_one_name_are_refused(run: Run, room: Callable[..., Path], asked: list[Any]) -> None:
    code, _, err = run(
        "publish",
        "--metrics",
        "localhost:1",
        "--settings",
        str(room()),
        "--settings",
        str(room("", "b.toml")),
    )
    assert code == WRONG
    assert "there is a room 'room' already; change room.name" in err


@pytest.mark.parametrize(
    ("content", "mode", "words"),
    [
        (b"x", 0o644, "every user of this machine may use"),
        (b"", 0o600, "is to hold one line, the password"),
        (b"a\nb\n", 0o600, "is to hold one line"),
        (b"\xff", 0o600, "is no text in UTF-8"),
        (b"x" * 2000, 0o600, "it is far too large"),
    ],
)
def test_password_files(run: Run, tmp_path: Path, content: bytes, mode: int, words: str) -> None:
    path = tmp_path / "secret"
    path.write_bytes(content)
    path.chmod(mode)
    code, _, err = run("heard", "--broker", "x", "--user", "ann", "--password-file", str(path))
    assert code == WRONG
    assert words in err


@pytest.mark.parametrize(
    ("text", "found"),
    [("host", ("host", 1883)), ("host:1", ("host", 1)), ("[::1]", ("::1", 1883)), ("[::1]:5", ("::1", 5))],
)
def test_hosts_and_ports(text: str, found: tuple[str, int]) -> None:
    assert broker.host_and_port(text, "--broker", 1883) == found
    assert broker.is_loopback("::1")


ROOM = HeardRoom("shed-a", "larch", NOON, 12.04, True, "On: dry.", 61.25, 65.0, ("It is dry.",), 23.5, True)
GONE = ROOM._replace(
    online=False, room="oak", rh_pct=None, target_rh_pct=None, temp_c=None, age_s=7200.0, alarms=()
)
BARE = HeardRoom("shed-b", "elm", None, None, False, "It is not running.", None, None, ())


class FakeHeard:
    """Implements what ``heard`` needs of ``Heard``: one state after the other, the last for ever."""

    states: list[tuple[str, tuple[HeardRoom, ...]]]
    ignored = 0

    def __init__(self, where: Any) -> None:
        self.stopped = False

    @property
    def trouble(self) -> str:
        return self.states[0][0]

    def start(self) -> None: ...

    def stop(self) -> None:
        self.stopped = True

    def rooms(self) -> tuple[HeardRoom, ...]:
        return self.states[0][1]


@pytest.fixture
def fake(monkeypatch: pytest.MonkeyPatch) -> type[FakeHeard]:
    now_s = [0.0]

    def sleep(seconds: float) -> None:
        now_s[0] += seconds
        if len(FakeHeard.states) > 1:
            FakeHeard.states.pop(0)
        elif now_s[0] > 60.0:
            raise KeyboardInterrupt

    monkeypatch.setattr(heard, "sleep", sleep)
    monkeypatch.setattr(heard, "monotonic", lambda: now_s[0])
    monkeypatch.setattr(ear, "Heard", FakeHeard)
    monkeypatch.setenv("TZ", "UTC")
    time.tzset()
    return FakeHeard


def test_rooms_are_listed(run: Run, fake: type[FakeHeard]) -> None:
    fake.states = [("not yet", ()), ("", ()), ("", (ROOM,)), ("", (ROOM, GONE, BARE))]
    code, out, err = run("heard", "--broker", "x")
    assert (code, err) == (DONE, "")
    assert out == (
        "shed-a/larch: online, 12 s old (of 2026-01-12 12:00)\n"
        "  On: dry.\n"
        "  Room        61.2 %RH, 23.5 °C; target 65.0 %RH\n"
        "  Alarm       It is dry.\n\n"
        "shed-a/oak: NOT ONLINE, 2 h old (of 2026-01-12 12:00)\n  On: dry.\n\n"
        "shed-b/elm: NOT ONLINE\n  It is not running.\n"
    )


def test_rooms_as_json(run: Run, fake: type[FakeHeard], monkeypatch: pytest.MonkeyPatch) -> None:
    fake.states = [("", (ROOM, BARE))]
    monkeypatch.setattr(fake, "ignored", 3)
    code, out, err = run("heard", "--broker", "x", "--json")
    assert code == DONE
    first, second = json.loads(out)
    assert (first["at"], first["age_s"], first["online"]) == ("2026-01-12T12:00:00+00:00", 12.0, True)
    assert (second["at"], second["age_s"], second["alarms"]) == (None, None, [])
    assert err == "3 messages were not understood, or too many.\n"


def test_a_broker_without_rooms(run: Run, fake: type[FakeHeard]) -> None:
    fake.states = [("", ())]
    code, out, _ = run("heard", "--broker", "x")
    assert code == DONE
    assert "No room is heard at x. A board tells of its rooms by `hygrohold publish`." in out


def test_a_broker_that_is_not_reached(run: Run, fake: type[FakeHeard]) -> None:
    fake.states = [("nothing listens there", ())]
    code, out, err = run("heard", "--broker", "x", "--wait", "2s")
    assert (code, out) == (FAILED, "")
    assert "no connection to the broker at x: nothing listens there" in err


def test_a_broker_that_never_stops_talking_is_listened_to_for_so_long(
    run: Run, fake: type[FakeHeard]
) -> None:
    fake.states = [("", (ROOM,) * (number % 2)) for number in range(100)]
    assert run("heard", "--broker", "x", "--wait", "3s")[0] == DONE


def test_following_shows_each_room_when_it_changes(run: Run, fake: type[FakeHeard]) -> None:
    later = ROOM._replace(at=NOON + timedelta(seconds=30), sentence="Off: enough.")
    fake.states = [
        ("not yet", ()),
        ("", (ROOM,)),
        ("", (ROOM._replace(age_s=13.0),)),
        ("", (later,)),
        ("it is gone", (GONE._replace(room="larch"),)),
        ("it is gone", (GONE._replace(room="larch", sentence="older", age_s=7300.0),)),
    ]
    code, out, err = run("heard", "--broker", "x", "--follow")
    assert code == DONE  # by Ctrl-C
    assert err == "Broker: not yet.\nBroker: connected.\nBroker: it is gone.\n"
    assert [line for line in out.splitlines() if not line.startswith(" ")] == [
        "shed-a/larch: online, 12 s old (of 2026-01-12 12:00)",
        "shed-a/larch: online, 12 s old (of 2026-01-12 12:00)",
        "shed-a/larch: NOT ONLINE, 2 h old (of 2026-01-12 12:00)",
    ]
    fake.states = [("", (ROOM,))]
    _, out, _ = run("heard", "--broker", "x", "--follow", "--json")
    assert json.loads(out)["room"] == "larch"
