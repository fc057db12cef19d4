"""The quick saturation pressure, and the dew point of a vapour pressure, against outside values."""

import pytest

from controller.core import air


# ASHRAE Handbook Fundamentals 2017, chapter 1, table 3 (at -5 °C over ice); the handbook claims 300 ppm for
# its equations.
@pytest.mark.parametrize(
    ("temp_c", "pressure_pa"), [(-5.0, 401.74), (5.0, 872.6), (25.0, 3169.7), (50.0, 12351.3)]
)
def test_quick_saturation_is_the_handbook_s(temp_c: float, pressure_pa: float) -> None:
    assert air.quick_saturation()(temp_c) * 1000.0 == pytest.approx(pressure_pa, rel=3e-4)


def test_quick_saturation_is_the_equation_between_its_steps() -> None:
    """As its docstring says: 6e-6, and 1e-4 where water takes over from ice."""
    saturation_kpa = air.quick_saturation()
    for hundredths in range(-6000, 8001):
        temp_c = hundredths / 100.0
        tolerance = 1e-4 if 0.0 < temp_c < 0.05 else 6e-6
        assert saturation_kpa(temp_c) * 1000.0 == pytest.approx(
            air.saturation_pressure_pa(temp_c), rel=tolerance
        )


# psychrolib 2.5.0, which follows ASHRAE Handbook Fundamentals 2017, chapter 1, equations 5 and 6.
@pytest.mark.parametrize(
    ("vapour_pa", "dew_c"),
    [(1169.4, 9.272), (1586.9, 13.886), (895.5, 5.374), (2388.1, 20.337), (3396.8, 26.169), (207.9, -12.490)],
)
def test_dew_point_of_a_vapour_pressure(vapour_pa: float, dew_c: float) -> None:
    assert air.dew_point_of_vapour_c(vapour_pa) == pytest.approx(dew_c, abs=0.01)
