"""SALTS: the air over a saturated solution of a salt has one humidity, which depends on temperature alone.

In:    a salt's name, a temperature from 15 to 30 °C.
Out:   its fixed point in %RH with its uncertainty, and what to mind with it.
Never: reaches beyond the temperatures of the table.

Fixed points: L. Greenspan, "Humidity fixed points of binary saturated aqueous solutions", Journal of Research
of the National Bureau of Standards 81A (1977) 89-96, table 2. Straight lines between its rows are within
0.03 %RH of its own polynomials. The practice is that of ASTM E104.
"""

from __future__ import annotations

from typing import NamedTuple

COLDEST_C, WARMEST_C = 15.0, 30.0
_AT_C = (15.0, 20.0, 25.0, 30.0)


class Salt(NamedTuple):
    name: str
    words: str
    rh_pct: tuple[float, ...]  # at 15, 20, 25 and 30 °C
    within_rh_pct: tuple[float, ...]  # Greenspan's uncertainty at the same
    caution: str


class FixedPoint(NamedTuple):
    rh_pct: float
    within_rh_pct: float


GENERAL = (
    "Only the air over the salt may reach the probe: one splash spoils it for good, since salt draws water.",
    "A glass jar with a tight lid, the salt a wet paste with some of it undissolved, the probe above it.",
    "Keep jar and probe out of sun and draught, at one temperature; out of reach of animals and children.",
    "Gloves and glasses; wash your hands after it; never use a jar for food again.",
)

SALTS: dict[str, Salt] = {
    salt.name: salt
    for salt in (
        Salt(
            "LiCl", "lithium chloride", (11.30, 11.31, 11.30, 11.28), (0.35, 0.31, 0.27, 0.24),
            "Harmful if swallowed, irritating: read its safety data sheet. Far drier than a snake room.",
        ),
        Salt(
            "MgCl2", "magnesium chloride", (33.30, 33.07, 32.78, 32.44), (0.21, 0.18, 0.16, 0.14),
            "It draws water from the room: keep its packet closed.",
        ),
        Salt(
            "K2CO3", "potassium carbonate", (43.15, 43.16, 43.16, 43.17), (0.33, 0.33, 0.39, 0.50),
            "Its solution is caustic: gloves and glasses, read its safety data sheet.",
        ),
        Salt(
            "NaBr", "sodium bromide", (60.68, 59.14, 57.57, 56.03), (0.51, 0.44, 0.40, 0.38),
            "It moves by 0.3 %RH with each degree: the temperature must be right to half a degree.",
        ),
        Salt(
            "NaCl", "table salt without additives", (75.61, 75.47, 75.29, 75.09), (0.18, 0.14, 0.12, 0.11),
            "Pure salt: iodine and anti-caking agents shift it a little.",
        ),
        Salt(
            "KCl", "potassium chloride", (85.92, 85.11, 84.34, 83.62), (0.33, 0.29, 0.26, 0.25),
            "Wetter than the ceiling of most rooms; take it only as a second point above NaCl.",
        ),
        Salt(
            "K2SO4", "potassium sulfate", (97.89, 97.59, 97.30, 97.00), (0.63, 0.53, 0.45, 0.40),
            "So wet that water may condense on the probe, which can spoil it: not for a probe in use.",
        ),
    )
}  # fmt: skip


def fixed_point(salt: Salt, temp_c: float) -> FixedPoint | None:
    """None where the temperature is not within the table, or no number."""
    if not COLDEST_C <= temp_c <= WARMEST_C:
        return None
    at = min(int((temp_c - COLDEST_C) / 5.0), len(_AT_C) - 2)
    share = (temp_c - _AT_C[at]) / 5.0
    low, high = salt.rh_pct[at : at + 2]
    wide = max(salt.within_rh_pct[at : at + 2])
    return FixedPoint(low + share * (high - low), wide)


def named(text: str) -> Salt | None:
    """A salt by its formula, in any case: "nacl"."""
    return next((salt for name, salt in SALTS.items() if name.casefold() == text.strip().casefold()), None)
