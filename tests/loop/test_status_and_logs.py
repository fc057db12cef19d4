"""What the loop says of itself: the status file, its text, and the log."""

from __future__ import annotations

import errno
import itertools
import json
import os
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from tempfile import TemporaryDirectory
from typing import Any

import pytest
import structlog
from hypothesis import given
from hypothesis import strategies as st

from controller.core.records import Decision, Inputs, Request, Water
from controller.core.state import State
from controller.core.step import advance
from controller.files import aside_name, write_whole
from controller.logs import LogTeller, configure
from controller.loop import Loop
from controller.status import (
    StatusFile,
    age_s,
    as_text,
    is_stale,
    read_status,
    to_do,
)
from tests.loop.helpers import NOON, Bench, FakeProbe, flat


def decisions(for_s: float = 600.0, rh_pct: float = 50.0, failure: str = "") -> list[Decision]:
    bench = Bench(for_s=for_s)
    bench.inbox.asked.append(Request("refilled"))
    assert isinstance(bench.probe, FakeProbe)
    bench.probe.rh_pct, bench.probe.failure = rh_pct, failure
    Loop(bench.parts(), 10.0).run()
    return bench.watch.decisions


def plain_of(decision: Decision) -> dict[str, Any]:
    """As a reader finds it."""
    with TemporaryDirectory() as folder:
        path = Path(folder) / "status.json"
        StatusFile(path, "room", 10.0, 0.4).ticked(Inputs(), decision, True)
        found = read_status(path)
    assert found is not None
    return found


@pytest.mark.parametrize(("on_disk", "most_apart_s"), [(True, 300.0), (False, 30.0)])
def test_the_file_is_rewritten_on_change_and_now_and_then(
    tmp_path: Path, on_disk: bool, most_apart_s: float
) -> None:
    """Often where it is in memory, seldom on a card; between two writings nobody takes the loop for dead."""
    path = tmp_path / "run" / "status.json"
    bench = Bench(for_s=3600.0)
    written: list[float] = []
    status = StatusFile(path, "room", 10.0, 0.4, on_disk=on_disk)

    class Ear:
        def ticked(self, inputs: Inputs, decision: Decision, changed: bool) -> None:
            before = path.read_text() if path.exists() else ""
            status.ticked(inputs, decision, changed)
            if path.read_text() != before:
                written.append(decision.at.mono_s)
            found = read_status(path)
            assert found is not None
            assert not is_stale(found, decision.at.wall)

    Loop(bench.parts(tellers=(Ear(),)), 10.0).run()
    apart = [b - a for a, b in itertools.pairwise(written)]
    assert max(apart) == most_apart_s
    assert len(written) < 3600.0 / most_apart_s + 10
    found = read_status(path)
    assert found is not None
    assert found["relay_on"] is True
    assert found["rh_pct"] == pytest.approx(50.0, abs=0.1)
    status.remove()
    status.remove()
    assert read_status(path) is None


def test_a_full_disk_does_not_stop_the_loop(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    status = StatusFile(tmp_path / "status.json", "room", 10.0, 0.4)

    def full(*_: object) -> int:
        raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))

    monkeypatch.setattr(os, "open", full)
    status.ticked(Inputs(), decisions()[0], True)
    assert not (tmp_path / "status.json").exists()


def test_the_first_line_is_why_and_the_second_what_to_do() -> None:
    plain = plain_of(decisions()[-1])
    first, second, third, *rows = as_text(plain, NOON + timedelta(minutes=10)).split("\n")
    assert first.startswith("On: the room is drier than wanted, 50.")
    assert "65.0 is the target" in first
    assert second == "Nothing to do."
    assert third == ""
    assert [row.split()[0] for row in rows][:5] == ["Room", "Target", "Humidifier", "Ran", "Tank"]


def test_the_tank_by_the_clock_or_by_hours_of_mist_and_what_was_learned() -> None:
    last = decisions()[-1]
    assert last.water is not None
    now = last.at.wall

    def rows(water: Water) -> list[str]:
        text = as_text(plain_of(last._replace(water=water, tank_l=1.4)), now)
        return [row for row in text.split("\n") if row.startswith(("Tank", "Output"))]

    t = 10 * 86400.0
    runs = tuple((t - hour * 3600.0, t - (hour - 0.5) * 3600.0) for hour in range(24, 0, -1))
    learned = Water(1.4, 0.1, 0.28, 0.02, 5, runs, None, t, whole_day=True)
    by = now + timedelta(hours=9.5)  # five hours of mist, half an hour in each
    tank, output = rows(learned)
    assert tank.startswith(f"Tank        about 1.4 L left, empty at about {by:%H:%M} (between ")
    words = (
        "about 0.28 L an hour, give or take 0.01 L, learned from 5 fillings or dry tanks; "
        "the settings say 0.4 L an hour"
    )
    assert output == f"Output      {words}"
    tank, output = rows(learned._replace(whole_day=False, counts=1))
    assert tank == "Tank        about 1.4 L, 5.0 h of mist"
    assert "learned from one filling or dry tank" in output
    assert len(rows(learned._replace(counts=0))) == 1


def test_a_status_file_without_what_is_learned_is_read() -> None:
    plain = plain_of(decisions()[-1]._replace(water=None))
    for key in ("refill", "output_l_per_h", "output_sd_l_per_h", "output_counts", "settings_l_per_h"):
        del plain[key]
    assert "Output" not in as_text(plain, NOON)


def test_nothing_known_is_said_so() -> None:
    text = as_text(plain_of(decisions(failure="it is gone")[-1]), NOON + timedelta(minutes=10))
    assert text.startswith("Off: the probe is not to be trusted (it is gone)")
    assert "not known" in text


def test_an_alarm_comes_with_what_to_do() -> None:
    last = decisions(for_s=1200.0, failure="it is gone")[-1]
    assert [alarm.code for alarm in last.alarms] == ["probe_lost"]
    assert "Check its plug and cable" in to_do(last)
    assert "Alarm" in as_text(plain_of(last), last.at.wall)


def test_a_live_outlet_is_never_called_off() -> None:
    """With its own switch at hand the outlet has power, whatever is commanded here."""
    bench = Bench(for_s=60.0)
    Loop(bench.parts(hand=lambda: True), 10.0).run()
    last = bench.watch.decisions[-1]
    lines = as_text(plain_of(last), last.at.wall).split("\n")
    assert lines[0].startswith("By hand: the outlet")
    assert "by hand: the outlet is live" in next(line for line in lines if line.startswith("Humidifier"))
    assert not any("off" in line.split() for line in lines[:1])


def test_an_unknown_tank_asks_to_be_filled() -> None:
    _, decision = advance(State(), Inputs(), flat(), decisions()[0].at)
    assert "note refilled" in to_do(decision)


@pytest.mark.parametrize(
    ("later_s", "stale"), [(0.0, False), (30.0, False), (3600.0, True), (86400.0, True), (-86400.0, True)]
)
def test_an_old_file_is_no_running_loop(later_s: float, stale: bool) -> None:
    last = decisions()[-1]
    plain = plain_of(last)
    now = last.at.wall + timedelta(seconds=later_s)
    assert age_s(plain, now) == pytest.approx(later_s, abs=1.0)
    assert is_stale(plain, now) is stale
    text = as_text(plain, now)
    assert text.startswith("The program is not running") is stale
    if later_s < 0.0:
        assert "a clock has jumped" in text


def test_the_reader_s_time_zone_decides_how_times_are_said() -> None:
    last = decisions(for_s=1200.0, failure="gone")[-1]
    here = last.at.wall.astimezone(UTC)
    there = here.astimezone(datetime.strptime("+0530", "%z").tzinfo)
    assert f"since {last.alarms[0].since:%Y-%m-%d %H:%M}" in as_text(plain_of(last), here)
    assert "since 2026-01-10 17:30" in as_text(plain_of(last), there)  # 12:00 UTC


@given(st.binary(max_size=200))
def test_a_spoilt_status_file_is_none(tmp_path_factory: pytest.TempPathFactory, content: bytes) -> None:
    path = tmp_path_factory.mktemp("status") / "status.json"
    path.write_bytes(content)
    assert read_status(path) is None


@pytest.mark.parametrize("text", ["null", "[]", "{}", '{"sentence": "x"}', "[" * 100_000, '{"at": 1}'])
def test_a_status_file_of_another_make_is_none(tmp_path: Path, text: str) -> None:
    path = tmp_path / "status.json"
    path.write_text(text)
    assert read_status(path) is None


def test_a_status_file_with_a_spoilt_time_brings_no_traceback(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    path.write_text(json.dumps({**plain_of(decisions()[-1]), "at": "soon"}))
    found = read_status(path)
    assert found is None or is_stale(found, NOON)


@pytest.fixture
def log(capsys: pytest.CaptureFixture[str]) -> Iterator[pytest.CaptureFixture[str]]:
    yield capsys
    structlog.reset_defaults()


def tell(json_lines: bool) -> list[Decision]:
    configure(json_lines)
    teller = LogTeller()
    bench = Bench(for_s=3600.0)
    bench.inbox.asked.append(Request("pause", by="Ann", for_s=120.0))
    assert isinstance(bench.probe, FakeProbe)
    probe = bench.probe

    def silent(since_s: float) -> None:
        probe.failure = "gone" if 1200.0 <= since_s < 2400.0 else ""

    bench.clock.hooks.append(silent)
    Loop(bench.parts(tellers=(teller, bench.watch)), 10.0).run()
    return bench.watch.decisions


def test_the_log_for_eyes_tells_changes_only(log: pytest.CaptureFixture[str]) -> None:
    told = tell(json_lines=False)
    lines = log.readouterr().err.splitlines()
    assert 5 <= len(lines) < len(told) / 10
    assert any("Request pause by Ann: paused for 2 min." in line for line in lines)
    assert any(line.startswith("2026-01-10 12:") and "! Alarm. Probe: gone." in line for line in lines)
    assert any("Over: Probe" in line for line in lines)


def test_the_log_under_a_service_is_json(log: pytest.CaptureFixture[str]) -> None:
    tell(json_lines=True)
    rows = [json.loads(line) for line in log.readouterr().err.splitlines()]
    assert {row["level"] for row in rows} == {"info", "error"}
    assert all(row["event"] and row["timestamp"] for row in rows)
    (alarm,) = [row for row in rows if row["level"] == "error"]
    assert alarm["code"] == "probe_lost"


def test_a_file_is_whole_or_the_old_one(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "x.json"
    write_whole(path, "old")
    write_whole(path, "ünd")
    assert path.read_text(encoding="utf-8") == "ünd"

    def full(_: int) -> None:
        raise OSError(errno.EIO, os.strerror(errno.EIO))

    monkeypatch.setattr(os, "fsync", full)
    with pytest.raises(OSError, match="Input/output"):
        write_whole(path, "new")
    assert path.read_text(encoding="utf-8") == "ünd"


def test_a_file_is_on_the_disk_before_it_has_its_name(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """fsync of the text, then the rename, then fsync of the folder: else a power cut may leave it empty."""
    order: list[str] = []
    real_sync, real_replace = os.fsync, Path.replace

    def sync(number: int) -> None:
        order.append("folder" if os.path.isdir(f"/proc/self/fd/{number}") else "text")  # noqa: PTH112
        real_sync(number)

    def replace(self: Path, target: Path) -> Path:
        order.append("name")
        return real_replace(self, target)

    monkeypatch.setattr(os, "fsync", sync)
    monkeypatch.setattr(Path, "replace", replace)
    write_whole(tmp_path / "x", "text")
    assert order == ["text", "name", "folder"]
    order.clear()
    write_whole(tmp_path / "x", "text", durable=False)
    assert order == ["name"]


def test_two_set_aside_in_one_second_have_names_of_their_own(tmp_path: Path) -> None:
    asides = set()
    for content in ("1", "2", "3"):
        aside = aside_name(tmp_path / "x")
        assert not aside.exists()
        assert aside.name.startswith("x.unreadable-")
        aside.write_text(content)
        asides.add(aside)
    assert {path.read_text() for path in asides} == {"1", "2", "3"}
