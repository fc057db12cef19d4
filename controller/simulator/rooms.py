"""Named rooms for rehearsals: invented, in general words, each a set of settings on top of the default.

Add one here and `hygrohold bench --room NAME` knows it. Keys are paths below the settings' top.
"""

from __future__ import annotations

from typing import NamedTuple


class NamedRoom(NamedTuple):
    about: str
    settings: dict[str, float]


ROOMS: dict[str, NamedRoom] = {
    "spare-bedroom": NamedRoom("30 m³, half an air change an hour, an ordinary humidifier", {}),
    "leaky-attic": NamedRoom(
        "50 m³, seven tenths of an air change an hour, a big humidifier that must run half the day",
        {
            "bench.room.volume_m3": 50,
            "bench.room.air_changes_per_h": 0.7,
            "bench.room.heat_loss_w_per_k": 90,
            "bench.room.heater_w": 3500,
            "tank.tank_l": 8,
            "tank.full_tank_lasts_h": 12,
            "runtime.cap_hours_in_any_24": 18,
            "bench.keeper.fills_below_l": 7,
        },
    ),
    "tight-cellar": NamedRoom(
        "20 m³, a fifth of an air change an hour, walls that take up much, a small humidifier",
        {
            "bench.room.volume_m3": 20,
            "bench.room.air_changes_per_h": 0.2,
            "bench.room.store_times_air": 8,
            "bench.room.store_hours": 2,
            "bench.room.heat_loss_w_per_k": 30,
            "tank.tank_l": 4,
            "tank.full_tank_lasts_h": 20,
        },
    ),
}
