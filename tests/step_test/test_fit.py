"""The fit against closed forms, and against scipy's nonlinear least squares."""

from __future__ import annotations

from math import inf, sqrt

import pytest

from controller.step_test.fit import Fit, fit, least_squares, response
from controller.step_test.gains import gains, rise_share
from tests.step_test.known import minutes, noisy, on

MIST = ((20, 45),)
COUNT = 70


@pytest.mark.parametrize(("tau_s", "theta_s"), [(1800.0, 0.0), (1800.0, 90.0), (300.0, 725.0)])
def test_the_response_is_the_closed_form(tau_s: float, theta_s: float) -> None:
    """Superposed step responses, exact: to rounding."""
    known = minutes(COUNT, MIST, 1.0, tau_s, theta_s, ground=0.0, ahead=0.0)
    assert response(on(COUNT, MIST), tau_s, theta_s) == pytest.approx(known, abs=1e-12)


@pytest.mark.parametrize(
    ("gain", "tau_s", "theta_s", "mist"),
    [(30.0, 3600.0, 90.0, MIST), (20.0, 900.0, 250.0, ((3, 9), (18, 24), (30, 50)))],
)
def test_without_noise_the_truth_is_found(
    gain: float, tau_s: float, theta_s: float, mist: tuple[tuple[int, int], ...]
) -> None:
    """Known truth; 0.2 % is where the searches end. Mist before the test, and a drift, do no harm."""
    v: list[float | None] = list(minutes(COUNT, mist, gain, tau_s, theta_s, 35.0, 25.0, 4.0))
    v[7] = v[33] = None
    found = fit(v, on(COUNT, mist))
    assert found is not None
    assert (found.gain, found.tau_s) == pytest.approx((gain, tau_s), rel=2e-3)
    assert found.theta_s == pytest.approx(theta_s, abs=1.0)
    assert (found.ground, found.ahead, found.drift) == pytest.approx((35.0, 25.0, 4.0), abs=0.1)
    assert found.line == pytest.approx(minutes(COUNT, mist, gain, tau_s, theta_s, 35.0, 25.0, 4.0), abs=0.005)
    assert found.without == pytest.approx(minutes(COUNT, (), gain, tau_s, theta_s, 35.0, 25.0, 4.0), abs=0.1)


def test_scipy_finds_the_same_figures_and_the_same_uncertainty() -> None:
    """scipy.optimize.curve_fit (Levenberg-Marquardt on the closed form): figures within a twentieth of a
    standard deviation; standard deviations within 3 % (both are linearisations, by differences).
    """
    import numpy as np
    from scipy.optimize import curve_fit

    v = noisy(minutes(COUNT, MIST, 25.0, 1800.0, 100.0), 0.15)

    def model(_: object, gain: float, tau: float, theta: float, ground: float, ahead: float, drift: float):  # type: ignore[no-untyped-def]
        return np.array(minutes(COUNT, MIST, gain, tau, theta, ground, ahead, drift))

    best, cov = curve_fit(model, np.arange(COUNT), v, p0=(20.0, 1500.0, 80.0, 45.0, 15.0, 0.0))
    found = fit(v, on(COUNT, MIST))
    assert found is not None
    mine = (found.gain, found.tau_s, found.theta_s)
    for i in range(3):
        sd = sqrt(cov[i][i])
        assert mine[i] == pytest.approx(best[i], abs=0.05 * sd)
        assert sqrt(found.cov[i][i]) == pytest.approx(sd, rel=0.03)
        for j in range(3):
            correlated = cov[i][j] / sqrt(cov[i][i] * cov[j][j])
            mine_too = found.cov[i][j] / sqrt(found.cov[i][i] * found.cov[j][j])
            assert mine_too == pytest.approx(correlated, abs=0.02)


def fitted(**other: object) -> Fit:
    plain = Fit(
        30.0, 3600.0, 90.0, 50.0, 10.0, 0.0, ((9.0, 0.0, 0.0), (0.0, 32400.0, 0.0), (0.0, 0.0, 25.0)), 0.1,
        0.0, (), (), 10.0,
    )  # fmt: skip
    return plain._replace(**other)  # type: ignore[arg-type]


def test_gains_follow_the_rule_and_their_doubt_the_propagation_of_errors() -> None:
    """SIMC (Skogestad 2003), by hand: 3600 / (30 * 2 * (90 + 360)) = 2/15, tI = min(3600, 8 * 450) = 3600.
    d ln Kc = dtau/tau - dk/k - dtheta/(theta + 360): 0.1^2 + 0.05^2 + (5/450)^2, independent of each other.
    """
    found = gains(fitted(), 1.0, 720.0)
    assert found.gain_duty_per_rh_pct == pytest.approx(2.0 / 15.0)
    assert found.integral_s == pytest.approx(3600.0)
    assert found.sure_share == pytest.approx(sqrt(0.1**2 + 0.05**2 + (5.0 / 450.0) ** 2))
    assert not found.bounded
    assert rise_share(fitted()) == pytest.approx(sqrt(0.1**2 + 0.05**2))


def test_a_correlated_rest_makes_less_sure() -> None:
    """A first-order autoregressive rest: (1 + r) / (1 - r) times the variance of a mean (Bartlett 1946)."""
    plain, correlated = (gains(fitted(correlated=r), 1.0, 720.0).sure_share for r in (0.0, 0.6))
    assert correlated == pytest.approx(plain * sqrt(1.6 / 0.4))


@pytest.mark.parametrize(("gain", "bound"), [(3000.0, 0.01), (0.3, 0.5)])
def test_gains_keep_the_bounds_of_learned_ones(gain: float, bound: float) -> None:
    found = gains(fitted(gain=gain), 1.0, 720.0)
    assert found.gain_duty_per_rh_pct == bound
    assert found.bounded


def test_what_is_not_told_is_infinitely_unsure_or_none() -> None:
    nothing = ((inf, 0.0, 0.0), (0.0, inf, 0.0), (0.0, 0.0, inf))
    assert gains(fitted(cov=nothing), 1.0, 720.0).sure_share == inf
    assert fit([50.0] * 40, [0.0] * 40) is None
    assert fit([50.0, None] * 3, [0.0, 1.0] * 3) is None
    assert least_squares([[1.0, 2.0], [2.0, 4.0]], [1.0, 1.0]) is None
