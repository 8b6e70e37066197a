"""Constants with their source, and the conversions that happen at the edge.

Inside, lengths are mm, areas mm2, volumes mm3, charge C, current A, time s, mass g.
"""

from __future__ import annotations

import math

from controller.errors import RefusedError

FARADAY_COULOMBS_PER_MOL = 96485.33212
"""Faraday constant, C/mol. Source: CODATA 2018 and 2022 (exact since the 2019 SI, e * N_A, rounded to ten digits)."""

MM2_PER_CM2 = 100.0
MM2_PER_DM2 = 10_000.0
MM3_PER_CM3 = 1000.0
MM_PER_INCH = 25.4
"""Source: international yard and pound agreement, 1959 (exact)."""
MM_PER_MIL = MM_PER_INCH / 1000.0
SECONDS_PER_HOUR = 3600.0
JOULE_PER_L_K = 4180.0
"""Heat capacity of water, J/(L K), taken for the dilute bath. Source: handbook value near 20 degC; 9 W for 10 min into 1 L
give 1.3 K."""


def cm2_to_mm2(area_cm2: float) -> float:
    """Return the area in mm2."""
    return area_cm2 * MM2_PER_CM2


def mm2_to_cm2(area_mm2: float) -> float:
    """Return the area in cm2."""
    return area_mm2 / MM2_PER_CM2


def current_density_a_per_dm2(current_a: float, area_mm2: float) -> float:
    """Return the current density in A/dm2 for a current in A over an area in mm2 (> 0)."""
    return current_a / (area_mm2 / MM2_PER_DM2)


def not_negative(value: float, field: str, unit: str, note: str = "") -> float:
    """Return value if it is finite and not below zero.

    Raises: RefusedError naming the field, the value with its unit and the limit.
    """
    if not math.isfinite(value) or value < 0.0:
        unit = f" {unit}" if unit else ""
        raise RefusedError(
            f"{field} is {value:g}{unit}, it must be a number of at least 0{unit}{note}",
            field=field,
            limit=f"0{unit}",
        )
    return value


def positive(value: float, field: str, unit: str) -> float:
    """Return value if it is finite and above zero.

    Raises: RefusedError naming the field, the value with its unit and the limit.
    """
    if not math.isfinite(value) or value <= 0.0:
        unit = f" {unit}" if unit else ""
        raise RefusedError(
            f"{field} is {value:g}{unit}, it must be a number above 0{unit}",
            field=field,
            limit=f"above 0{unit}",
        )
    return value
