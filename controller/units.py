"""Constants with their sources, and conversions of units.

Inside the program, lengths are in mm, areas in mm2, volumes in mm3, charge in C, current in A,
time in s and mass in g.
"""

from __future__ import annotations

import math

from controller.errors import RefusedError
from controller.texts import Message, text, text_or_none

FARADAY_COULOMBS_PER_MOL = 96485.33212
"""Faraday constant, C/mol. Source: CODATA 2018 and 2022, exact since the 2019 SI: e * N_A, rounded
to ten digits."""

MM2_PER_CM2 = 100.0
MM2_PER_DM2 = 10_000.0
MM3_PER_CM3 = 1000.0
MM_PER_INCH = 25.4
"""Source: international yard and pound agreement, 1959 (exact)."""
SECONDS_PER_HOUR = 3600.0
JOULE_PER_L_K = 4180.0
"""Heat capacity of water, J/(L K), used for the dilute bath. Source: handbook value near 20 degC.
9 W for 10 min warm 1 L by 1.3 K."""


def cm2_to_mm2(area_cm2: float) -> float:
    """Return the area in mm2."""
    return area_cm2 * MM2_PER_CM2


def mm2_to_cm2(area_mm2: float) -> float:
    """Return the area in cm2."""
    return area_mm2 / MM2_PER_CM2


def current_density_a_per_dm2(current_a: float, area_mm2: float) -> float:
    """Return the current density in A/dm2 for a current in A over an area in mm2 (> 0)."""
    return current_a / (area_mm2 / MM2_PER_DM2)


def not_negative(value: float, field: str, unit: str) -> float:
    """Return value if it is finite and not below zero.

    :param field: the input's name; its name for a person is ``physics.field.<field>``.
    :param unit: the unit as printed, or empty for a ratio or a count.
    Raises: RefusedError.
    """
    if not math.isfinite(value) or value < 0.0:
        raise _refused("physics.number.at_least_zero", value, field, unit)
    return value


def positive(value: float, field: str, unit: str) -> float:
    """Return value if it is finite and above zero.

    :param field: the input's name; its name for a person is ``physics.field.<field>``.
    :param unit: the unit as printed, or empty for a ratio or a count.
    Raises: RefusedError.
    """
    if not math.isfinite(value) or value <= 0.0:
        raise _refused("physics.number.above_zero", value, field, unit)
    return value


def _refused(key: str, value: float, field: str, unit: str) -> RefusedError:
    named = f"physics.field.{field}"
    name = Message(named) if text_or_none(named) else field
    if not unit:
        key += "_plain"
    if not math.isfinite(value):
        limit = text(f"{key}_limit", unit=unit)
        return RefusedError(
            "physics.number.not_finite", field=field, limit=limit, name=name, value=value
        )
    return RefusedError(key, field=field, name=name, value=value, unit=unit)
