"""Finding a probe: by address, by name, after its numbers changed, and refusing when in doubt."""

from __future__ import annotations

import errno
from pathlib import Path
from typing import Any

import pytest

from controller.core.records import Reading
from controller.devices.probe_hwmon import HwmonProbe
from controller.devices.settings import ProbeSettings
from controller.devices.sysfs import list_probes
from controller.errors import ProbeError

AT = ProbeSettings(kind="hwmon", at="1-0044")
CHIP = ProbeSettings(kind="hwmon", chip="sht4x")


def failed(reading: Reading) -> bool:
    return bool(reading.failure) and reading.rh_pct is None and reading.temp_c is None


def test_is_found_by_address_among_others(tree: Any) -> None:
    tree.sht4x("1-0045", 0, rh="30000")
    tree.sht4x("1-0044", 1, rh="55000")
    tree.hwmon("1-0048", 2, "lm75", temp1_input="30000")
    assert HwmonProbe(AT, root=tree.root).read().rh_pct == 55.0


def test_address_is_not_a_matter_of_capitals(tree: Any) -> None:
    tree.sht4x("1-004a")
    assert HwmonProbe(ProbeSettings(kind="hwmon", at="1-004A"), root=tree.root).read().rh_pct == 55.0


def test_is_found_on_another_bus_by_the_class_link(tree: Any) -> None:
    folder = tree.sht4x()
    moved = tree.root / "devices/platform/sht15.0/hwmon/hwmon0"
    moved.parent.mkdir(parents=True)
    tree.unbind(folder)
    moved.mkdir()
    (moved / "device").symlink_to("../../../sht15.0")
    (moved / "humidity1_input").write_text("41000\n")
    (moved / "temp1_input").write_text("22000\n")
    (tree.root / "class/hwmon/hwmon0").symlink_to(moved)
    probe = HwmonProbe(ProbeSettings(kind="hwmon", at="sht15.0"), root=tree.root)
    assert probe.read() == Reading(41.0, 22.0)


def test_is_found_by_name(tree: Any) -> None:
    tree.hwmon("1-0040", 0, "sht21", humidity1_input="10000", temp1_input="10000")
    tree.sht4x("1-0044", 1)
    probe = HwmonProbe(CHIP, root=tree.root)
    assert (probe.read().rh_pct, probe.address, probe.chip) == (55.0, "1-0044", "sht4x")


def test_address_goes_before_name(tree: Any) -> None:
    tree.sht4x("1-0045", 0, rh="30000")
    tree.hwmon("1-0044", 1, "sht3x", humidity1_input="55000", temp1_input="24000")
    both = ProbeSettings(kind="hwmon", at="1-0044", chip="sht4x")
    assert HwmonProbe(both, root=tree.root).read().rh_pct == 55.0


def test_two_of_one_name_are_refused_with_a_list(tree: Any) -> None:
    tree.sht4x("1-0044", 0)
    tree.sht4x("1-0045", 1)
    with pytest.raises(ProbeError) as told:
        HwmonProbe(CHIP, root=tree.root)
    words = str(told.value)
    assert '2 probes fit kind = "hwmon", chip = "sht4x"' in words
    assert 'kind = "hwmon", at = "1-0044"  (chip = "sht4x")' in words
    assert 'kind = "hwmon", at = "1-0045"  (chip = "sht4x")' in words
    assert "Write kind and at" in words


def test_none_that_fits_lists_the_others_whatever_their_kind(tree: Any) -> None:
    tree.iio("1-0076", 0, "bme280", in_humidityrelative_input="50000", in_temp_input="20000")
    with pytest.raises(
        ProbeError, match=r'(?s)no probe fits.*kind = "iio", at = "1-0076"  \(chip = "bme280"\)'
    ):
        HwmonProbe(AT, root=tree.root)


def test_none_at_all_says_what_to_look_at(tmp_path: Path) -> None:
    with pytest.raises(ProbeError, match=r"offers no humidity probe at all.*dtoverlay"):
        HwmonProbe(AT, root=tmp_path / "nothing")


def test_a_thermometer_is_no_humidity_probe(tree: Any) -> None:
    tree.hwmon("1-0044", 0, "lm75", temp1_input="30000")
    with pytest.raises(ProbeError, match="no humidity probe at all"):
        HwmonProbe(AT, root=tree.root)


@pytest.mark.parametrize("by", [AT, CHIP], ids=["address", "name"])
def test_follows_its_address_when_numbers_are_swapped(tree: Any, by: ProbeSettings) -> None:
    # Seen on a live kernel: two probes rebound in the other order trade hwmon0 and hwmon1.
    mine = tree.sht4x("1-0044", 0, rh="55000")
    other = tree.hwmon("1-0040", 1, "sht21", humidity1_input="30000", temp1_input="20000")
    probe = HwmonProbe(by, root=tree.root)
    assert probe.read().rh_pct == 55.0
    tree.unbind(mine)
    tree.unbind(other)
    tree.hwmon("1-0040", 0, "sht21", humidity1_input="31000", temp1_input="20000")
    tree.sht4x("1-0044", 1, rh="56000")
    assert probe.read().rh_pct == 56.0


def test_links_are_not_followed_to_another_device(tmp_path: Path) -> None:
    # A tree whose class folders are no links: only their ``device`` says whose figures they hold.
    def folder(number: int, address: str, rh: str) -> None:
        path = tmp_path / f"class/hwmon/hwmon{number}"
        path.mkdir(parents=True, exist_ok=True)
        (path / "device").unlink(missing_ok=True)
        (path / "device").symlink_to(f"../../../{address}")
        (path / "humidity1_input").write_text(rh)
        (path / "temp1_input").write_text("24000")

    folder(0, "1-0044", "55000")
    folder(1, "1-0045", "30000")
    probe = HwmonProbe(AT, root=tmp_path)
    assert probe.read().rh_pct == 55.0
    folder(0, "1-0045", "30000")
    folder(1, "1-0044", "56000")
    assert probe.read().rh_pct == 56.0


def test_unplugged_and_plugged_in_again(tree: Any) -> None:
    folder = tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root)
    tree.unbind(folder)
    gone = probe.read()
    assert failed(gone)
    assert "unplugged" in gone.failure
    tree.sht4x(number=7, rh="57000")
    assert probe.read() == Reading(57.0, 24.0)


def test_a_namesake_elsewhere_is_not_taken_for_it(tree: Any) -> None:
    folder = tree.sht4x("1-0044", 0)
    probe = HwmonProbe(CHIP, root=tree.root)
    tree.unbind(folder)
    tree.sht4x("1-0045", 0, rh="30000")
    assert failed(probe.read())


def test_two_at_one_address_while_running_is_a_failed_reading(tree: Any) -> None:
    folder = tree.sht4x()
    probe = HwmonProbe(AT, root=tree.root)
    tree.unbind(folder)
    tree.sht4x(number=1)
    tree.sht4x(number=2)
    assert "2 probes now answer to 1-0044" in probe.read().failure


def test_a_tree_that_cannot_be_listed_is_named(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def denied(path: Path, pattern: str) -> None:
        raise PermissionError(errno.EACCES, "Permission denied")

    monkeypatch.setattr(Path, "glob", denied)
    with pytest.raises(ProbeError, match="list of probes cannot be read: Permission denied"):
        HwmonProbe(AT, root=tmp_path)


def test_list_of_probes_names_each_once(tree: Any) -> None:
    sht = tree.sht4x("1-0044", 3)
    tree.hwmon("1-0048", 0, "lm75", temp1_input="30000")
    bme = tree.iio("1-0076", 0, "bme280", in_humidityrelative_input="50000", in_temp_input="20000")
    assert [tuple(probe) for probe in list_probes(tree.root)] == [
        ("hwmon", "1-0044", "sht4x", sht.resolve()),
        ("iio", "1-0076", "bme280", bme.resolve()),
    ]


def test_list_of_probes_bears_an_unreadable_name(tree: Any) -> None:
    (tree.sht4x() / "name").unlink()
    assert [(probe.address, probe.name) for probe in list_probes(tree.root)] == [("1-0044", "")]


def test_name_for_people(tree: Any) -> None:
    tree.sht4x()
    assert HwmonProbe(AT, root=tree.root).name == "sht4x at 1-0044"
    assert HwmonProbe(AT, root=tree.root, name="door").name == "door"
