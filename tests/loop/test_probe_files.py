"""The real loop and a real probe class over files that change under them: off in doubt, back by itself."""

from __future__ import annotations

import errno
import os
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.settings import ProbeSettings
from controller.history.store import SqliteHistory
from controller.loop import Loop
from tests.loop.helpers import HOUR_S, Bench, ProbeFiles, flat, moving

TICK_S = 20.0
FROM_S, TO_S = 900.0, 4500.0  # an hour of trouble
END_S = 5400.0
WHERE = ProbeSettings(kind="hwmon", at="1-0044")


class Trouble:
    """An opener that reads files, or raises ``error`` while there is one."""

    def __init__(self) -> None:
        self.error: OSError | None = None

    def __call__(self, path: Path) -> str:
        if self.error is not None:
            raise self.error
        return path.read_bytes().decode("ascii", errors="replace")


class Scene:
    """A dry room for ``END_S``; ``break_it`` each tick of the bad hour, ``mend`` once after it."""

    def __init__(self, tmp_path: Path) -> None:
        self.files = ProbeFiles(tmp_path / "sys")
        self.opener = Trouble()
        self.bench = Bench(flat(), for_s=END_S)
        self.bench.probe = HwmonProbe(WHERE, root=tmp_path / "sys", read_text=self.opener)
        self.record = SqliteHistory.in_memory()
        self.on_at: list[tuple[float, bool]] = []
        self.break_it: Callable[[], None] = lambda: None
        self.mend: Callable[[], None] = lambda: None
        self.bad = False
        self.bench.clock.hooks.append(self.moved)

    def moved(self, since_s: float) -> None:
        self.on_at.append((since_s, self.bench.relay.on))
        if self.files.plugged:
            self.files.write(moving(50.0, since_s), 24.0)
        if FROM_S <= since_s < TO_S:
            self.bad = True
            self.break_it()
        elif self.bad:
            self.bad = False
            self.mend()

    def run(self) -> None:
        self.record.close = lambda: None  # type: ignore[method-assign]  # a record in memory goes with it
        Loop(self.bench.parts(history=self.record), TICK_S).run()

    def on_share(self, from_s: float, to_s: float) -> float:
        seen = [on for since_s, on in self.on_at if from_s < since_s <= to_s]
        return sum(seen) / len(seen)

    def doubts(self) -> set[str]:
        """How the decisions worded their doubt during the bad hour."""
        return {
            reason.detail
            for decision in self.bench.watch.decisions
            for reason in decision.reasons
            if reason.code == "untrusted" and FROM_S <= decision.at.mono_s - self.bench.clock.began_s <= TO_S
        }


@pytest.fixture
def scene(tmp_path: Path) -> Iterator[Scene]:
    scene = Scene(tmp_path)
    close = scene.record.close
    yield scene
    close()


def held_off_and_back(scene: Scene, in_detail: str) -> None:
    """What every trouble has in common. The bridge is 60 s by default, trust returns after 3 good samples."""
    scene.run()
    bridge_s = scene.bench.settings.trust.bridge_s
    assert scene.on_share(600.0, FROM_S) == 1.0  # a dry room is humidified before ...
    assert scene.on_share(FROM_S + bridge_s + 2 * TICK_S, TO_S) == 0.0  # ... never in doubt ...
    back_s = TO_S + 4 * TICK_S + scene.bench.settings.guards.shortest_off_s
    assert scene.on_share(back_s, END_S) == 1.0  # ... and again afterwards, with nobody's help
    assert any(in_detail in doubt for doubt in scene.doubts())
    reader = scene.record.reader()
    lost = [message for message in reader.messages() if message.code == "probe_lost"]
    assert [(message.raised, message.kind) for message in lost] == [(True, "alarm"), (False, "alarm")]
    assert in_detail in lost[0].detail
    assert reader.reason_seconds()["untrusted"] >= TO_S - FROM_S - bridge_s - 60.0
    bad_minutes = [row for row in reader.minutes() if row.rh_pct is None]
    assert 57 <= len(bad_minutes) <= 60  # an hour less the bridge
    assert {row.reason for row in bad_minutes} == {"untrusted"}
    because = [(row.on, row.because) for row in reader.switchings()]
    assert (False, "untrusted") in because[1:]


def test_unplugged_for_an_hour(scene: Scene) -> None:
    scene.break_it = lambda: scene.files.unplug() if scene.files.plugged else None
    scene.mend = lambda: scene.files.plug(0)
    held_off_and_back(scene, "ENODEV")


def test_plugged_in_again_under_another_number(scene: Scene) -> None:
    scene.break_it = lambda: scene.files.unplug() if scene.files.plugged else None
    scene.mend = lambda: scene.files.plug(7)
    held_off_and_back(scene, "ENODEV")


@pytest.mark.parametrize("number", [errno.EIO, errno.EREMOTEIO, errno.ETIMEDOUT])
def test_an_error_from_the_bus(scene: Scene, number: int) -> None:

    def break_it() -> None:
        scene.opener.error = OSError(number, os.strerror(number))

    def mend() -> None:
        scene.opener.error = None

    scene.break_it, scene.mend = break_it, mend
    held_off_and_back(scene, errno.errorcode[number])


@pytest.mark.parametrize(
    ("text", "in_detail"),
    [
        (b"", "empty"),
        (b"nonsense\n", "not a number"),
        (b"nan\n", "not a number"),
        (b"inf\n", "not a number"),
        (b"\xff\xfe\x00", "not a number"),
        (b"5" * 3000, "too long"),
        (b"0\n", "zero"),
        (b"100000\n", "all_ones"),
        (b"-5000\n", "zero"),
    ],
)
def test_a_file_that_says_no_humidity(scene: Scene, text: bytes, in_detail: str) -> None:
    scene.break_it = lambda: scene.files.say(text)
    held_off_and_back(scene, in_detail)


def test_a_broken_temperature_is_no_reading_either(scene: Scene) -> None:
    scene.break_it = lambda: scene.files.say(b"50000\n", b"-40000\n")
    held_off_and_back(scene, "out_of_range")


def test_a_short_gap_is_bridged(scene: Scene) -> None:
    """Two bad samples of twenty seconds lie inside the bridge of 60 s: nobody switches or hears."""
    bad: list[int] = []

    def break_it() -> None:
        if len(bad) < 2:
            bad.append(1)
            scene.files.say(b"")

    scene.break_it = break_it
    scene.run()
    assert len(bad) == 2
    assert scene.on_share(600.0, END_S) == 1.0
    assert not [m for m in scene.record.reader().messages() if m.code == "probe_lost"]


def test_swapped_numbers_do_not_swap_the_probes(scene: Scene, tmp_path: Path) -> None:
    """hwmon0 and hwmon1 change places, as after a reboot: the room is still measured at its address."""
    other = ProbeFiles(tmp_path / "sys", "1-0045", 1)  # in the water: 97 %RH
    other.write(97.0, 24.0)
    swapped: list[float] = []

    def swap(since_s: float) -> None:
        if since_s >= FROM_S and not swapped:
            swapped.append(since_s)
            scene.files.unplug()
            other.unplug()
            other.plug(0)
            scene.files.plug(1)
        other.write(moving(97.0, since_s), 24.0)

    scene.bench.clock.hooks.insert(0, swap)
    scene.run()
    assert swapped
    raw = {round(row.raw_rh_1_pct) for row in scene.record.reader().minutes() if row.raw_rh_1_pct is not None}
    assert raw == {50}
    assert scene.on_share(FROM_S, END_S) == 1.0


def test_a_wetter_room_ends_the_run_at_once(scene: Scene) -> None:
    """The files rule: at 90 %RH, above the ceiling, nothing runs, and the record says ceiling."""
    scene.break_it = lambda: scene.files.write(moving(90.0, scene.bench.clock.since_s), 24.0)
    scene.run()
    # The jump of 40 %RH is doubted, then believed after three samples that agree.
    assert scene.on_share(FROM_S + 60.0 + 2 * TICK_S, TO_S) == 0.0
    assert scene.record.reader().reason_seconds()["ceiling"] >= HOUR_S - 180.0


def test_a_probe_that_stands_still_while_it_mists_is_not_believed(scene: Scene) -> None:
    """Twenty minutes of mist that moves nothing (trust.frozen_on_minutes): off, until something moves."""
    scene.break_it = lambda: scene.files.write(50.0, 24.0)
    scene.run()
    assert scene.on_share(FROM_S + 1200.0 + 2 * TICK_S, TO_S) == 0.0
    assert "frozen" in scene.doubts()
    assert scene.on_share(TO_S + 300.0, END_S) == 1.0
