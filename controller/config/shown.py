"""Values of the configuration as a person reads them."""

from __future__ import annotations

from typing import Any

UNITS = {
    "_g_per_cm3": "g/cm3",
    "_s_per_m": "S/m",
    "_mm": "mm",
    "_degc": "°C",
    "_ohm": "ohm",
    "_a": "A",
    "_v": "V",
    "_s": "s",
}
"""Unit of a key by the end of its name. Fractions and counts have none."""

LONGEST = 60
"""A longer text is cut short in a message."""


def unit_of(name: str) -> str:
    """Return the unit of a key, or an empty text."""
    return next((unit for ending, unit in UNITS.items() if name.endswith(ending)), "")


def with_unit(value: float, name: str) -> str:
    """Return a number with the unit that its key has."""
    return f"{value:.10g} {unit_of(name)}".rstrip()


def shown(value: Any, name: str) -> str:
    """Return the value of a key as TOML would hold it, a number with its unit."""
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, int | float):
        return with_unit(value, name)
    written = repr(value)
    return written if len(written) <= LONGEST else written[: LONGEST - 3] + "..."
