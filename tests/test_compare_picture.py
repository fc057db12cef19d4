"""The picture of a comparison, from traces made by hand: what is drawn, at every length."""

from __future__ import annotations

import struct
from array import array
from math import sin
from pathlib import Path
from typing import Any

import pytest

from controller import compare_picture, picture_parts
from controller.comparison import WAYS, Compared
from controller.rehearsal import Hours, Summary, Trace
from controller.settings import Settings
from controller.simulator.weather import Outdoor, Weather

WEATHER = Weather.from_hourly([Outdoor(0.0, 0.003, 101325.0)] * 24, name="a still day", invented=True)


def made(days: float) -> list[Compared]:
    """Four rooms: dry at 20, then waving about 75, 66 and 65 %RH. The humidifier: never on; on in every other
    hour; a quarter and a tenth of each minute."""
    settings = Settings(bench={"days": days})
    minutes = int(days * 1440)
    hours = array("d", ((minute + 1) / 60.0 for minute in range(minutes)))
    flat = array("d", [66.5] * minutes)
    found = []
    for way, middle, on in zip(WAYS, (20.0, 75.0, 66.5, 65.5), (0.0, 0.5, 0.25, 0.1), strict=True):
        wave = 0.0 if way.key == "no_control" else 8.0
        share = [on] * minutes
        if way.key == "timer":
            share = [minute // 60 % 2.0 for minute in range(minutes)]
        true = array("d", (middle + wave * sin(minute / 40.0) for minute in range(minutes)))
        trace = Trace(hours, true, true, flat, array("d", share), flat, flat, flat, flat, flat)
        summary = Summary(
            days, Hours(0.0, 60.0, 0.0), Hours(0.0, 39.5, 0.5), min(true), max(true), middle, 0.0, 0.0, 0.0,
            1.5, 24.0 * on, 0.0, 9.6 * on, 0, 0.0, {}, 0.0,
        )  # fmt: skip
        found.append(Compared(way, settings, summary, trace))
    return found


@pytest.mark.parametrize(
    "days",
    [0.01, pytest.param(0.1, marks=pytest.mark.slow), 3.0, pytest.param(40.0, marks=pytest.mark.slow), 130.0],
)
def test_a_png_of_sensible_size_at_every_length(tmp_path: Path, days: float) -> None:
    path = tmp_path / "p.png"
    compare_picture.draw(path, made(days), WEATHER)
    content = path.read_bytes()
    assert content.startswith(b"\x89PNG\r\n\x1a\n")  # PNG specification, section 5.2
    width, height = struct.unpack(">II", content[16:24])  # IHDR, section 11.2.2
    assert (1000 <= width <= 3000, 1000 <= height <= 3000) == (True, True)
    assert 30_000 < len(content) < 2_000_000


@pytest.fixture(scope="module")
def drawn(tmp_path_factory: pytest.TempPathFactory) -> Any:
    """The figure as it was saved, of two days; nobody changes it."""
    saved: list[Any] = []
    save = picture_parts.save

    def keep(figure: Any, path: Path) -> None:
        saved.append(figure)
        save(figure, path)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(picture_parts, "save", keep)
        compare_picture.draw(tmp_path_factory.mktemp("drawn") / "p.png", made(2.0), WEATHER)
    return saved[0]


def of(drawn: Any, label: str) -> list[Any]:
    """That line in each of the four strips of air."""
    return [line for axis in drawn.axes for line in axis.lines if line.get_label() == label][:8]


def test_four_strips_on_the_same_axes(drawn: Any) -> None:
    strips = [axis for axis in drawn.axes if axis.get_title(loc="left")]
    assert [axis.get_title(loc="left") for axis in strips] == ["no control", "timer", "hysteresis", "pid"]
    assert len({axis.get_xlim() for axis in strips}) == len({axis.get_ylim() for axis in strips}) == 1
    low, high = strips[0].get_ylim()
    assert low < 20.0 < 83.0 < high  # every figure, and the ceiling of 80 %RH, is inside
    assert {axis.get_title(loc="right").split("   ·   ")[0] for axis in strips} == {
        "in the band 99 % of the time"  # 99.5 of 100 h, cut
    }


def test_the_line_is_the_mean_of_each_quarter_of_an_hour(drawn: Any) -> None:
    for line, middle in zip(of(drawn, "room, true"), (20.0, 75.0, 66.5, 65.5), strict=True):
        drawn_rh = list(line.get_ydata())
        assert len(drawn_rh) == 2 * 96
        wave = 0.0 if middle == 20.0 else 8.0
        told = [middle + wave * sin(minute / 40.0) for minute in range(15)]
        assert drawn_rh[0] == pytest.approx(sum(told) / 15.0)


def test_target_and_ceiling_differ_from_the_air_by_their_dashes(drawn: Any) -> None:
    """In black and white a dash is all there is: no two lines of a strip have the same."""
    strip = drawn.axes[0]
    looks = {line.get_label(): line.get_linestyle() for line in strip.lines if line.get_label()[0] != "_"}
    assert looks == {"room, true": "-", "target": "--", "ceiling": "--"}
    dashes = {line.get_label(): tuple(line._unscaled_dash_pattern[1] or ()) for line in strip.lines}
    assert dashes["target"] != dashes["ceiling"]
    assert set(of(drawn, "ceiling")[0].get_ydata()) == {80.0}  # as the table counts, the keeper's own


def test_the_humidifier_s_strip_is_its_share_of_the_time(drawn: Any) -> None:
    strips = [axis for axis in drawn.axes if axis.get_ylabel() == "% on"]
    highest = [axis.collections[0].get_paths()[0].vertices[:, 1].max() for axis in strips]
    assert highest == pytest.approx([0.0, 100.0, 25.0, 10.0])
    assert [text.get_text() for axis in strips for text in axis.texts] == ["off all the time"]


def test_the_shares_beside_it_are_the_whole_of_the_time(drawn: Any) -> None:
    beside = [axis for axis in drawn.axes if axis.patches and axis.axison and not axis.get_ylabel()]
    assert len(beside) == 4
    for axis in beside:
        shares = [bar.get_width() for bar in axis.patches if bar.get_height() == 1.0]
        assert sum(shares) == pytest.approx(100.0)
    (dry,) = (bar for bar in beside[0].patches if bar.get_height() == 1.0)
    assert (dry.get_y(), dry.get_width()) == (20.0, pytest.approx(100.0))
