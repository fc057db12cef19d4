"""The two sides of a balance: water that the air asks for, and what the humidifier gives.

In:    an hour's outdoor air, the room, its humidifier.
Out:   litres an hour.
"""

from __future__ import annotations

from controller.core import air
from controller.core.rules import Rules
from controller.simulator.humidifier import NAMEPLATE_RH_PCT
from controller.simulator.settings import BenchSettings
from controller.simulator.weather import Outdoor


def load_l_per_h(
    volume_m3: float, air_changes_per_h: float, temp_c: float, rh_pct: float, outdoor: Outdoor
) -> float:
    """Water to hold ``rh_pct`` at ``temp_c``; never negative. A litre is taken as 1 kg."""
    inside = air.humidity_ratio(temp_c, rh_pct, outdoor.pressure_pa)
    dry_air_kg = volume_m3 / air.volume_m3(temp_c, inside, outdoor.pressure_pa)
    return max(0.0, dry_air_kg * air_changes_per_h * (inside - outdoor.humidity_ratio))


def output_of(rules: Rules, bench: BenchSettings) -> float:
    """What the humidifier gives at the target: its dial counted, and damp air where that slows it."""
    machine = bench.humidifier
    output = (machine.output_l_per_h or rules.tank.rate_l_per_h) * machine.dial
    if machine.kind == "evaporative":
        damp_pct = max(rules.target.day_rh_pct, rules.target.night_rh_pct)
        output *= max(0.05, (100.0 - damp_pct) / (100.0 - NAMEPLATE_RH_PCT))
    return output
