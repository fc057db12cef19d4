"""Moisture store and heat under the real loop against scipy's integration of the same equations.

The right sides are written here afresh, from the balances themselves:
    dW/dt = n (Wo - W) + (S - M W)/th + g/m,  dS/dt = (M W - S)/th,  C dT/dt = Q - (UA + n m cp)(T - To) - g L
S is the store's water for each kg of dry air. The store answers to RH: M falls as saturation
rises. With an ideal thermostat: full heat below the set temperature, none above, at it what keeps it.
"""

from __future__ import annotations

from collections.abc import Callable
from itertools import pairwise
from typing import Any

import CoolProp.CoolProp as CoolProp
import numpy as np
import psychrolib
import pytest
from scipy.integrate import solve_ivp  # type: ignore[import-untyped]

from tests.truth.helpers import (
    HOUR_S,
    Looks,
    dry_air_kg,
    quiet,
    ratio_of,
    rehearse,
    rh_of,
    steady_outdoors,
)

N_PER_S = 0.5 / HOUR_S
TIMES, STORE_S = 3.0, 5400.0
OUTPUT_KG_PER_S = 0.3 / HOUR_S
DELAY_S = 135.0  # no multiple of the tick: a step is split
OUTDOOR_C, OUTDOOR_RH_PCT = 5.0, 80.0
WARM_C, COOL_C, MOST_KW = 25.0, 23.0, 1.15  # too weak for mist by day: every state of the thermostat occurs
LOSS_KW_PER_K, STORE_KJ_PER_K = 0.045, 900.0
AIR_KJ = 1.006  # kJ/(kg K), ASHRAE HoF 2017 ch.1 eq.30
MASS_KG = dry_air_kg(30.0, WARM_C)

ROOM: dict[str, Any] = {
    "store_times_air": TIMES,
    "store_hours": STORE_S / HOUR_S,
    "start_rh_pct": 45,
    "warm_temp_c": WARM_C,
    "cool_temp_c": COOL_C,
    "heater_w": MOST_KW * 1000,
    "heat_loss_w_per_k": LOSS_KW_PER_K * 1000,
    "heat_store_kj_per_k": STORE_KJ_PER_K,
    "mist_cools": True,
}


def misting(looks: Looks) -> list[tuple[float, float, float]]:
    """(from, until, kg/s): the relay's own record, later by the delay."""
    edges = [(0.0, 0.0)]
    edges += [(t_s + DELAY_S, OUTPUT_KG_PER_S if on else 0.0) for t_s, on in looks.switchings()]
    edges = [edge for edge in edges if edge[0] < looks.t_s[-1]]
    return [(a, b, g) for (a, g), (b, _) in pairwise([*edges, (looks.t_s[-1], 0.0)])]


def integrate(
    slope: Callable[[float, Any], Any], start: Any, begin_s: float, end_s: float, at_s: Any, **options: Any
) -> Any:
    done = solve_ivp(slope, (begin_s, end_s), start, rtol=1e-10, atol=1e-13, t_eval=at_s, **options)
    assert done.success
    return done


@pytest.fixture(scope="module")
def looks(tmp_path_factory: pytest.TempPathFactory) -> Looks:
    outdoors = steady_outdoors(tmp_path_factory.mktemp("weather"), OUTDOOR_C, OUTDOOR_RH_PCT)
    groups: dict[str, Any] = {
        "demand": {"method": "hysteresis", "deadband_rh_pct": 3},
        "tank": {"output_l_per_h": OUTPUT_KG_PER_S * HOUR_S},
        "loop": {"tick_s": 10},
        "bench": {
            "weather_file": outdoors,
            "days": 1,
            "room": ROOM,
            "humidifier": {"mist_delay_s": DELAY_S},
        },
    }
    _, looks = rehearse(quiet(60.0, groups))
    assert len(looks.switchings()) > 20
    return looks


def test_air_and_store(looks: Looks) -> None:
    outdoor = ratio_of(OUTDOOR_C, OUTDOOR_RH_PCT)
    start = ratio_of(COOL_C, 45.0)
    times, temps = np.array(looks.t_s), np.array(looks.temp_c)
    stored = TIMES * psychrolib.GetSatVapPres(WARM_C) / np.array([psychrolib.GetSatVapPres(t) for t in temps])
    state = np.array([start, stored[0] * start])
    store_water = np.array(looks.water_kg) / MASS_KG - np.array(looks.ratio)
    for begin_s, end_s, mist in misting(looks):

        def slope(t: float, y: Any, mist: float = mist) -> Any:
            ratio, store = y
            into = (np.interp(t, times, stored) * ratio - store) / STORE_S
            return [N_PER_S * (outdoor - ratio) - into + mist / MASS_KG, into]

        inside = np.flatnonzero((times > begin_s) & (times < end_s))
        done = integrate(slope, state, begin_s, end_s, [*times[inside], end_s], max_step=120.0)
        for place, ratio, store in zip(inside, done.y[0], done.y[1], strict=False):
            # tolerance 0.01 %RH of the integration, at the room's own temperature
            mine = rh_of(looks.temp_c[place], ratio)
            assert looks.rh_pct[place] == pytest.approx(mine, abs=0.01)
            assert store_water[place] == pytest.approx(store, rel=2e-4)
        state = done.y[:, -1]


def test_heat(looks: Looks) -> None:
    """Tolerance 0.01 K (0.03 %RH); the latent heat is IAPWS-95's, ours ASHRAE's, 0.1 % apart."""
    loss = LOSS_KW_PER_K + N_PER_S * MASS_KG * AIR_KJ
    times = np.array(looks.t_s)
    temp = COOL_C
    seen = set()
    for begin_s, end_s, mist in misting(looks):
        edges = [begin_s, *(t for t in (7 * HOUR_S, 21 * HOUR_S) if begin_s < t < end_s), end_s]
        for begin, end in pairwise(edges):
            hold = WARM_C if 7 * HOUR_S <= begin < 21 * HOUR_S else COOL_C
            at = [float(t) for t in times[(times > begin) & (times <= end)]]
            course, states = thermostat(temp, hold, begin, end, at, mist, loss)
            seen |= states
            for t_s, ours in zip(at, course, strict=False):
                assert looks.temp_c[round(t_s / 10)] == pytest.approx(ours, abs=0.01)
            temp = course[-1]
    assert seen == {"full", "off", "holding"}


def latent_kj(temp_c: float) -> float:
    """Heat of vaporisation, IAPWS-95."""
    at = ("T", temp_c + 273.15)
    vapour, water = (CoolProp.PropsSI("H", *at, "Q", quality, "Water") for quality in (1, 0))
    return float(vapour - water) / 1000


LATENT_24_KJ = latent_kj(24.0)
LATENT_PER_K = latent_kj(24.5) - latent_kj(23.5)


def thermostat(
    temp: float, hold: float, begin: float, end: float, at: list[float], mist: float, loss: float
) -> tuple[list[float], set[str]]:
    """The course at ``at`` and at ``end``, and the states it went through."""
    course: list[float] = []
    states = set()
    while True:
        taken = mist * (LATENT_24_KJ + LATENT_PER_K * (hold - 24.0))
        needed = loss * (hold - OUTDOOR_C) + taken
        if abs(temp - hold) < 1e-9 and 0.0 <= needed <= MOST_KW:
            states.add("holding")
            return [*course, *([hold] * (len([t for t in at if t > begin]) + 1))], states
        full = temp < hold or (abs(temp - hold) < 1e-9 and needed > MOST_KW)
        states.add("full" if full else "off")
        heat = MOST_KW if full else 0.0

        def slope(_: float, y: Any, heat: float = heat) -> Any:
            latent = mist * (LATENT_24_KJ + LATENT_PER_K * (y[0] - 24.0))
            return [(heat - loss * (y[0] - OUTDOOR_C) - latent) / STORE_KJ_PER_K]

        def reached(_: float, y: Any) -> Any:
            return y[0] - hold

        reached.terminal = True  # type: ignore[attr-defined]
        reached.direction = 1.0 if full else -1.0  # type: ignore[attr-defined]
        left = [t for t in at if t > begin]
        done = integrate(slope, [temp], begin, end, [*left, end] if end not in left else left, events=reached)
        got = [float(value) for value in done.y[0]]
        if done.status != 1:
            return [*course, *got, got[-1]], states
        course += got
        begin, temp = float(done.t_events[0][0]), hold
