"""Fixed points and the fit.

Outside truth: L. Greenspan, J. Res. NBS 81A (1977) 89-96. The rows at 15, 20 and 25 °C agree to one decimal
with a conservator's published table; the second decimal and the uncertainties are from memory. His
polynomials (from memory as well) and the CRC Handbook's A exp(B/T) (to +-2 %) stand beside them as second
sources.
"""

from __future__ import annotations

from math import exp

import pytest

from controller.calibration.fit import Nonsense, Point, fit
from controller.calibration.salts import SALTS, fixed_point, named

GREENSPAN = {  # name: polynomial in °C
    "NaCl": (75.5164, 0.0398321, -0.265459e-2, 0.2848e-4),
    "MgCl2": (33.6686, -0.00797397, -0.00108988),
    "KCl": (88.6190, -0.193340, 0.000899706),
    "K2SO4": (98.7792, -0.0590502),
}
CRC = {"LiCl": (14.53, -75.0), "MgCl2": (29.26, 34.0), "NaBr": (20.49, 308.0), "NaCl": (69.20, 25.0)}


@pytest.mark.parametrize("name", GREENSPAN)
@pytest.mark.parametrize("temp_c", [15.0, 18.0, 20.0, 22.5, 25.0, 27.0, 30.0])
def test_fixed_points_are_those_of_greenspans_polynomials(name: str, temp_c: float) -> None:
    point = fixed_point(SALTS[name], temp_c)
    assert point is not None
    polynomial = sum(factor * temp_c**power for power, factor in enumerate(GREENSPAN[name]))
    assert point.rh_pct == pytest.approx(polynomial, abs=0.1)


@pytest.mark.parametrize("name", CRC)
def test_fixed_points_are_near_the_crc_handbooks(name: str) -> None:
    factor, per_k = CRC[name]
    point = fixed_point(SALTS[name], 25.0)
    assert point is not None
    assert point.rh_pct == pytest.approx(factor * exp(per_k / 298.15), rel=0.02)


@pytest.mark.parametrize(
    ("name", "temp_c", "rh_pct"),
    [  # table 2, one decimal
        ("NaCl", 15.0, 75.6), ("NaCl", 25.0, 75.3), ("MgCl2", 20.0, 33.1), ("K2CO3", 25.0, 43.2),
        ("NaBr", 20.0, 59.1), ("NaBr", 25.0, 57.6), ("KCl", 20.0, 85.1), ("LiCl", 25.0, 11.3),
        ("K2SO4", 20.0, 97.6),
        # straight lines between 20 and 25 °C
        ("NaCl", 22.0, 75.40), ("MgCl2", 22.0, 32.95), ("NaBr", 22.0, 58.51),
    ],
)  # fmt: skip
def test_rows_of_the_table(name: str, temp_c: float, rh_pct: float) -> None:
    point = fixed_point(SALTS[name], temp_c)
    assert point is not None
    assert point.rh_pct == pytest.approx(rh_pct, abs=0.051)
    assert point.within_rh_pct >= 0.1


@pytest.mark.parametrize("temp_c", [14.9, 30.1, -300.0, float("nan"), float("inf")])
def test_no_figure_beyond_the_table(temp_c: float) -> None:
    assert fixed_point(SALTS["NaCl"], temp_c) is None


def test_salts_are_found_by_their_formula_in_any_case() -> None:
    assert named(" nacl ") is SALTS["NaCl"]
    assert named("sugar") is None


def test_two_points() -> None:
    """Reads 35.1 over MgCl2 (32.78) and 72.9 over NaCl (75.29) at 25 °C: worked by hand,
    gain 42.51 / 37.8 and offset 75.29 - gain * 72.9."""
    found = fit([Point(35.1, 32.78), Point(72.9, 75.29)])
    assert found.rh_gain == pytest.approx(42.51 / 37.8, abs=1e-6)
    assert found.rh_offset_pct == pytest.approx(75.29 - 72.9 * 42.51 / 37.8, abs=1e-6)
    assert found.corrected(60.0) == pytest.approx(60.783, abs=1e-3)
    assert found.corrected(35.1) == pytest.approx(32.78, abs=1e-9)


def test_one_point_is_an_offset() -> None:
    assert fit([Point(72.0, 75.3)]) == (1.0, pytest.approx(3.3))


@pytest.mark.parametrize(
    ("points", "words"),
    [
        ([], "no point"),
        ([Point(60.0, 75.3)], "no drift"),
        ([Point(95.0, 75.3)], "no drift"),
        ([Point(60.0, 59.1), Point(75.0, 75.3)], "apart"),
        ([Point(50.0, 33.0), Point(50.0, 75.3)], "frozen"),
        ([Point(20.0, 33.0), Point(75.0, 75.3)], "slope"),  # 0.77
        ([Point(43.0, 33.0), Point(75.0, 75.3)], "slope"),  # 1.32
        ([Point(75.0, 33.0), Point(33.0, 75.3)], "slope"),  # exchanged jars
        ([Point(float("nan"), 75.3)], "between 0 and 100"),
        ([Point(70.0, float("inf"))], "between 0 and 100"),
    ],
)
def test_what_no_probe_in_order_gives_is_refused(points: list[Point], words: str) -> None:
    with pytest.raises(Nonsense, match=words):
        fit(points)
