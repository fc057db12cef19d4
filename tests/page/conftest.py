"""A room without processes: a status file, the room's lock held as by a loop, the app called at once."""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from http.cookies import SimpleCookie
from io import BytesIO
from pathlib import Path
from typing import Any, NamedTuple
from urllib.parse import urlencode

import pytest

from controller import room_lock
from controller.core.records import Answer, Request
from controller.page.app import App, Metrics
from controller.page.door import Door
from controller.page.elsewhere import Elsewhere
from controller.page.gate import Gate
from controller.page.keys import Keys, fresh
from controller.page.rooms import Room
from controller.settings import Settings
from controller.spool import Spool

NOON = datetime(2026, 1, 14, 12, 0, tzinfo=UTC)
HOST = "localhost:8321"
ALARM = {
    "code": "no_mist",
    "since": "2026-01-14T10:00:00+00:00",
    "acked_by": "",
    "clears": "a trial that raises the air",
    "words": "Humidifier: on, and the air does not get wetter. The tank counts as empty. Is water in it?",
}


def status(**more: Any) -> dict[str, Any]:
    """As ``status.describe`` makes it; its own test holds that against a real decision."""
    return {
        "room": "larch",
        "at": NOON.isoformat(),
        "tick_s": 10.0,
        "relay_on": False,
        "sentence": "Off: humid enough at 66.1 %RH; it starts below 63.0.",
        "to_do": "Nothing to do.",
        "reasons": ["enough"],
        "rh_pct": 66.1,
        "temp_c": 24.3,
        "target_rh_pct": 65.0,
        "is_day": True,
        "ceiling_rh_pct": 78.0,
        "duty": None,
        "tank_l": 3.0,
        "tank_on_h": 7.5,
        "used_h_in_24": 3.5,
        "next_possible_on": None,
        "alarms": [],
        "notices": [],
        "good_for_s": 100.0,
        **more,
    }


class Reply(NamedTuple):
    status: int
    heads: dict[str, str]
    text: str


class Browser:
    """Keeps cookies, and can find the seal of a page's forms. ``sends``: heads that it always sends."""

    def __init__(self, app: App, address: str = "192.0.2.7", **sends: str) -> None:
        self.app, self.address, self.sends = app, address, sends
        self.cookies: dict[str, str] = {}

    def ask(self, method: str, path: str, body: bytes = b"", **more: Any) -> Reply:
        path, _, query = path.partition("?")
        environ: dict[str, Any] = {
            "REQUEST_METHOD": method,
            "PATH_INFO": path,
            "QUERY_STRING": query,
            "HTTP_HOST": HOST,
            "SERVER_NAME": "localhost",
            "SERVER_PORT": "8321",
            "SERVER_PROTOCOL": "HTTP/1.1",
            "REMOTE_ADDR": self.address,
            "wsgi.input": BytesIO(body),
            "wsgi.errors": _NoErrors(),
            "wsgi.url_scheme": "http",
            "CONTENT_LENGTH": str(len(body)),
            **self.sends,
            **more,
        }
        if self.cookies:
            environ["HTTP_COOKIE"] = "; ".join(f"{name}={value}" for name, value in self.cookies.items())
        begun: dict[str, Any] = {}

        def start(line: str, heads: list[tuple[str, str]], *_: Any) -> None:
            begun["status"], begun["heads"] = int(line.split()[0]), heads

        text = b"".join(self.app.wsgi(environ, start)).decode()
        for name, value in begun["heads"]:
            if name == "Set-Cookie":
                for key, morsel in SimpleCookie(value).items():
                    self.cookies[key] = morsel.value
        return Reply(begun["status"], dict(begun["heads"]), text)

    def get(self, path: str, **more: Any) -> Reply:
        return self.ask("GET", path, **more)

    def post(self, path: str, fields: dict[str, str], **more: Any) -> Reply:
        kind = {"CONTENT_TYPE": "application/x-www-form-urlencoded"}
        return self.ask("POST", path, urlencode(fields).encode(), **{**kind, **more})

    def seal(self, path: str = "/room/larch") -> str:
        found = re.search(r'name="seal" value="(\w+)"', self.get(path).text)
        assert found
        return found[1]

    def tell(self, form: str, path: str = "/room/larch", **fields: str) -> Reply:
        """Fills a form of the room's page and sends it."""
        return self.post(f"{path}/ask/{form}", {"seal": self.seal(path), **fields})


class _NoErrors:
    """Where a server writes what nobody foresaw: there shall be nothing."""

    def write(self, words: str) -> None:
        raise AssertionError(words)

    def flush(self) -> None:
        pass


class Site:
    """Rooms below a folder, a clock, and the app over them."""

    def __init__(self, folder: Path, hold: ExitStack) -> None:
        self.folder, self._hold = folder, hold
        self.mono_s, self.now, self.wall_s = 1000.0, NOON, NOON.timestamp()
        self.keys: Keys = fresh()
        self.rooms: list[Room] = []

    def room(self, name: str = "larch", runs: bool = True, units: str = "si") -> Room:
        made = Settings(room={"name": name, "state_dir": str(self.folder), "timezone": "UTC", "units": units})
        room = Room(
            made,
            start_words="Start it with `hygrohold run`.",
            now=lambda tz: self.now.astimezone(tz),
            now_s=lambda: self.mono_s,
        )
        room.places.state.mkdir(parents=True, exist_ok=True)
        if runs:
            self._hold.enter_context(room_lock.hold(room.places.state))
        self.rooms.append(room)
        return room

    def says(self, room: Room, **more: Any) -> None:
        """The program says something new."""
        plain = status(room=room.name, at=self.now.isoformat(), **more)
        room.places.status.write_text(json.dumps(plain))

    def passes(self, seconds: float) -> None:
        self.mono_s += seconds
        self.now += timedelta(seconds=seconds)

    def app(
        self, *names: str, https: bool = False, metrics: Metrics | None = None,
        heard: Callable[[], Elsewhere] | None = None,
    ) -> App:  # fmt: skip
        door = Door(lambda: self.keys, names, lambda: self.wall_s, https)
        return App(self.rooms, Gate(door, lambda: self.keys), metrics, heard)

    def asked(self, room: Room) -> list[Request]:
        """What lies in the room's spool, taken as the loop takes it."""
        spool = Spool(room.places.spool)
        spool.prepare()
        return list(spool.poll(self.now))

    def answers(self, room: Room, request: Request, done: bool, words: str) -> None:
        Spool(room.places.spool).answer((Answer(request, done, words),))


@pytest.fixture
def site(tmp_path: Path) -> Iterator[Site]:
    with ExitStack() as hold:
        yield Site(tmp_path / "state", hold)


@pytest.fixture
def larch(site: Site) -> Room:
    """One room that runs and has spoken."""
    room = site.room()
    site.says(room)
    return room


@pytest.fixture
def browser(site: Site, larch: Room) -> Browser:
    return Browser(site.app())
