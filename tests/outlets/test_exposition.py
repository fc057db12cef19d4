"""Rooms as metrics: read back by the library's own parser, and by promtool where it is installed."""

from __future__ import annotations

import shutil
import subprocess
from datetime import timedelta
from pathlib import Path

import pytest
from prometheus_client.parser import text_string_to_metric_families

from controller.outlets.exposition import CODES, FIGURES, text
from controller.outlets.seen import RoomFile, RoomSeen, look
from tests.outlets.helpers import ALARM, GOOD_FOR_S, NOON, seen, status, write

Samples = dict[tuple[str, str, str], float]


def samples(*rooms: RoomSeen) -> Samples:
    """(name without its prefix, room, code) -> value."""
    return {
        (one.name.removeprefix("hygrohold_"), one.labels["room"], one.labels.get("code", "")): one.value
        for family in text_string_to_metric_families(text(rooms))
        for one in family.samples
    }


def test_figures_are_in_base_units() -> None:
    """The base units of prometheus.io, "Metric and label naming": ratios of 1, °C, seconds."""
    room = seen(rh_pct=61.5, temp_c=23.5, used_h_in_24=2.5, tank_on_h=1.5, tank_l=0.75, target_rh_pct=60.0)
    found = samples(room)
    for name, value in (
        ("up", 1.0),
        ("status_age_seconds", 3.0),
        ("status_timestamp_seconds", NOON.timestamp()),
        ("relative_humidity_ratio", 0.615),
        ("target_relative_humidity_ratio", 0.60),
        ("temperature_celsius", 23.5),
        ("humidifier_on_in_last_day_seconds", 9000.0),
        ("tank_mist_left_seconds", 5400.0),
        ("tank_litres", 0.75),
        ("probe_believed", 1.0),
    ):
        assert found[name, "larch", ""] == pytest.approx(value, rel=1e-12), name


def test_what_is_not_known_is_missing_and_not_nought() -> None:
    found = samples(seen(rh_pct=None, temp_c=None, tank_l=None, tank_on_h=None, duty=None))
    for name in ("relative_humidity_ratio", "temperature_celsius", "tank_litres", "duty_ratio"):
        assert (name, "larch", "") not in found
    assert found["probe_believed", "larch", ""] == 0.0
    assert found["up", "larch", ""] == 1.0


def test_each_figure_of_a_status_with_everything_is_there() -> None:
    found = samples(seen(duty=0.4, tank_l=1.0, tank_on_h=2.0))
    assert {name for name, _, _ in found} >= {figure.name for figure in FIGURES}


def test_alarms_notices_and_reasons_are_told_by_their_codes() -> None:
    known = {**ALARM, "code": "humidifier_dry", "acked_by": "Ann"}
    room = seen(alarms=[ALARM, ALARM, known], notices=[], reasons=["paused", "ceiling"])
    found = samples(room)
    assert found["alarm", "larch", "probe_lost"] == found["alarm", "larch", "humidifier_dry"] == 1.0
    assert found["reason", "larch", "paused"] == found["reason", "larch", "ceiling"] == 1.0
    assert (found["alarms", "larch", ""], found["alarms_unacknowledged", "larch", ""]) == (3.0, 2.0)
    assert not [key for key in found if key[0] == "notice"]


def test_no_stale_figure_is_served(tmp_path: Path) -> None:
    """One second past what the status says it is good for: only up, age and time are left."""
    path = tmp_path / "status.json"
    write(path, NOON)
    good = look(RoomFile("larch", path), NOON + timedelta(seconds=GOOD_FOR_S))
    assert ("relative_humidity_ratio", "larch", "") in samples(good)
    late = look(RoomFile("larch", path), NOON + timedelta(seconds=GOOD_FOR_S + 1))
    assert samples(late) == {
        ("up", "larch", ""): 0.0,
        ("status_age_seconds", "larch", ""): GOOD_FOR_S + 1,
        ("status_timestamp_seconds", "larch", ""): NOON.timestamp(),
    }


@pytest.mark.parametrize("content", [None, "", "nonsense", "[]", '{"at": 1}', "[" * 5000])
def test_a_file_that_is_not_one_of_ours_is_none(tmp_path: Path, content: str | None) -> None:
    path = tmp_path / "status.json"
    if content is not None:
        path.write_text(content)
    found = look(RoomFile("larch", path), NOON)
    assert found == RoomSeen("larch", None, None, False)
    assert samples(found) == {("up", "larch", ""): 0.0}


def test_a_status_of_the_future_is_not_fresh(tmp_path: Path) -> None:
    path = tmp_path / "status.json"
    write(path, NOON)
    found = look(RoomFile("larch", path), NOON - timedelta(hours=1))
    assert (found.fresh, found.age_s) == (False, -3600.0)


def test_several_rooms_share_each_family() -> None:
    found = samples(seen("larch"), seen("oak", rh_pct=55.0), RoomSeen("elm", None, None, False))
    assert {room for name, room, _ in found if name == "up"} == {"larch", "oak", "elm"}
    assert text((seen("larch"), seen("oak"))).count("# TYPE hygrohold_temperature_celsius gauge") == 1


def test_the_names_are_those_of_the_page() -> None:
    page = (Path(__file__).parents[2] / "hardware_notes" / "outlets.md").read_text(encoding="utf-8")
    own = ["up", "status_age_seconds", "status_timestamp_seconds"]
    for name in [*own, *(figure.name for figure in FIGURES), *(name for name, _, _ in CODES)]:
        assert f"`hygrohold_{name}`" in page, name


@pytest.mark.process
def test_promtool_finds_nothing_to_say() -> None:
    """The linter of the collector's own project (Debian: apt install prometheus)."""
    promtool = shutil.which("promtool")
    if promtool is None:
        pytest.skip("NOT TESTED: there is no promtool here")
    rooms = (
        seen("larch", alarms=[ALARM], notices=[ALARM], duty=0.25, reasons=["paused"]),
        seen("oak", fresh=False),
        RoomSeen("elm", None, None, False),
    )
    done = subprocess.run(
        (promtool, "check", "metrics"), input=text(rooms), capture_output=True, text=True, check=False
    )
    assert (done.returncode, done.stdout, done.stderr) == (0, "", "")


def test_the_status_used_here_is_a_whole_one() -> None:
    assert status()["surface_measured"] is True
    assert status()["rh_pct"] is not None
