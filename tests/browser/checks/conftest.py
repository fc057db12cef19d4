"""One browser and a few rooms for all checks: one with the real loop, one whose status the checks write."""

from __future__ import annotations

import base64
import json
import os
import time
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from selenium import webdriver
from selenium.webdriver.chrome.service import Service
from selenium.webdriver.common.by import By

from controller import room_lock
from tests.browser.room import MadeUpRoom, Served
from tests.page.conftest import status

PHONE, DESK, NARROW = (360, 640), (1280, 900), (320, 568)
AXE = Path(os.environ["HYGROHOLD_AXE"]).read_text(encoding="utf-8")
PICTURES = Path(os.environ["HYGROHOLD_PICTURES"])
PATIENCE_S = 20.0
PASSWORD = "four words do not belong"
ALARM = {
    "code": "no_mist", "since": "2026-01-14T10:00:00+00:00", "acked_by": "",
    "clears": "a trial that raises the air, or `hygrohold note refilled`",
    "words": "Humidifier: on, and the air does not get wetter, or a window or door stands open. The tank "
    "counts as empty: trial pulses look whether mist comes again. Water in the tank? The humidifier's own "
    "switch on, also after a power cut? Does mist come out? Is the outlet live, are window and door shut?",
}  # fmt: skip
NOTICE = {
    "code": "refill_soon", "since": "2026-01-14T11:00:00+00:00", "acked_by": "", "clears": "a filling",
    "words": "Tank: about 0.6 L left. Fill it today.",
}  # fmt: skip


class Attic(MadeUpRoom):
    """A room whose program is the check itself: it holds the lock and writes the status."""

    def says(self, **more: Any) -> None:
        now = datetime.now(UTC)
        empty = [(now + timedelta(hours=hours)).isoformat() for hours in (31, 26, 40)]
        plain = status(room=self.name, at=now.isoformat(), good_for_s=600.0, refill=empty)
        (self.state / "status.json").write_text(json.dumps({**plain, **more}))


class Rooms:
    def __init__(self, folder: Path, fern: MadeUpRoom, attic: Attic, hold: ExitStack) -> None:
        self.folder, self.fern, self.attic, self._hold = folder, fern, attic, hold
        self.both = self.serve(fern, attic)
        self.again = self.serve(fern)  # the pace of asking is each page's own

    def serve(self, *rooms: MadeUpRoom, more: tuple[str, ...] = ()) -> Served:
        served = Served(self.folder, *rooms, more=more)
        self._hold.callback(served.end)
        return served


@pytest.fixture(scope="session")
def rooms(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Rooms]:
    folder = tmp_path_factory.mktemp("rooms")
    with ExitStack() as hold:
        fern, attic = MadeUpRoom(folder), Attic(folder, "attic")
        attic.record(days=3)
        fern.state.mkdir(parents=True)
        for name in ("state-a.json", "state-b.json"):  # spoilt: the program begins with an alarm
            (fern.state / name).write_text("spoilt")
        (fern.state / "history.sqlite").write_bytes((attic.state / "history.sqlite").read_bytes())
        fern.start()
        hold.callback(fern.kill)
        hold.enter_context(room_lock.hold(attic.state))
        attic.says()
        yield Rooms(folder, fern, attic, hold)


@pytest.fixture(scope="session")
def chromium() -> Iterator[webdriver.Chrome]:
    options = webdriver.ChromeOptions()
    options.binary_location = "/usr/bin/chromium"
    for flag in ("--headless=new", "--no-sandbox", "--disable-gpu", "--hide-scrollbars", "--lang=en-GB"):
        options.add_argument(flag)
    driver = webdriver.Chrome(options=options, service=Service("/usr/bin/chromedriver"))
    yield driver
    driver.quit()


class Look:
    """The browser as a check uses it."""

    def __init__(self, driver: webdriver.Chrome, rooms: Rooms) -> None:
        self.driver, self.rooms, self.base = driver, rooms, rooms.both.address

    def size(self, wide: int, tall: int, dark: bool = False) -> None:
        self.driver.execute_cdp_cmd(
            "Emulation.setDeviceMetricsOverride",
            {"width": wide, "height": tall, "deviceScaleFactor": 1, "mobile": wide < 500},
        )
        scheme = {"name": "prefers-color-scheme", "value": "dark" if dark else "light"}
        self.driver.execute_cdp_cmd("Emulation.setEmulatedMedia", {"features": [scheme]})

    def scripts(self, on: bool) -> None:
        self.driver.execute_cdp_cmd("Emulation.setScriptExecutionDisabled", {"value": not on})

    def go(self, path: str) -> None:
        self.driver.get(self.base + path)

    def run(self, script: str, *words: Any) -> Any:
        return self.driver.execute_script(script, *words)

    def nudge(self) -> None:
        """Has the page's script look now, and not in some seconds."""
        self.run("dispatchEvent(new Event('pageshow'))")

    def text(self, css: str) -> str:
        """As it is shown; of whichever page is there in that moment."""
        return str(self.run("return document.querySelector(arguments[0])?.innerText || ''", css))

    def find(self, css: str) -> Any:
        return self.driver.find_element(By.CSS_SELECTOR, css)

    def until(self, true: Callable[[], Any], what: str) -> Any:
        end = time.monotonic() + PATIENCE_S
        while time.monotonic() < end:
            if found := true():
                return found
            time.sleep(0.1)
        raise AssertionError(f"not within {PATIENCE_S:g} s: {what}; {self.text('main')[:600]}")

    def picture(self, name: str, whole: bool = False) -> None:
        more: dict[str, Any] = {}
        if whole:
            wide, tall = self.run(
                "const d = document.documentElement; return [d.clientWidth, d.scrollHeight]"
            )
            more = {
                "captureBeyondViewport": True,
                "clip": {"x": 0, "y": 0, "width": wide, "height": tall, "scale": 1},
            }
        taken = self.driver.execute_cdp_cmd("Page.captureScreenshot", more)
        (PICTURES / name).write_bytes(base64.b64decode(taken["data"]))

    def violations(self) -> list[str]:
        """By axe-core, all of its rules, those of best practice too."""
        self.driver.execute_cdp_cmd("Runtime.evaluate", {"expression": AXE})  # the page's own policy bars it
        found = self.driver.execute_async_script(
            "const done = arguments[0]; axe.run(document, {resultTypes: ['violations']}).then(done, done)"
        )
        assert "violations" in found, found
        return [
            f"{each['id']} ({each['impact']}): {each['help']}: {node['html'][:160]}"
            for each in found["violations"]
            for node in each["nodes"]
        ]


@pytest.fixture
def look(chromium: webdriver.Chrome, rooms: Rooms) -> Iterator[Look]:
    found = Look(chromium, rooms)
    found.scripts(True)
    found.size(*PHONE)
    rooms.attic.says()
    yield found
    found.scripts(True)
    severe = [
        each["message"]
        for each in chromium.get_log("browser")
        if each["level"] == "SEVERE"
        and not any(code in each["message"] for code in (" 403 ", " 404 ", " 422 ", "ERR_CONN"))
    ]
    assert severe == []  # a script or style that the policy barred would be told here
    chromium.delete_all_cookies()
