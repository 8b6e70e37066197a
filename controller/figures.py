"""The figures of a run, each declared once.

Snapshot, logbook, API and CSV take names, descriptions and storage from here. The end of a name is
its unit. DEVELOPERS.md has the recipe for a new figure.
"""

from __future__ import annotations

from dataclasses import dataclass, field, fields
from typing import Any


@dataclass(frozen=True, slots=True)
class Shown:
    """How the API documents a figure.

    :param listed: an example from the list of runs.
    :param live: an example from the status during a run.
    """

    description: str
    listed: float
    live: float


@dataclass(frozen=True, slots=True)
class Kept:
    """How the API documents a figure of one second, and how the logbook stores it.

    :param column: its column in the table ``means``.
    :param parts: the column counts so many parts of the unit as whole numbers; None: it holds the
        number itself.
    """

    description: str
    example: float
    column: str
    parts: float | None = None


def shown(description: str, *, listed: float, live: float) -> dict[str, Any]:
    """Return the metadata of a figure of ``Figures``."""
    return {"about": Shown(description, listed, live)}


def kept(
    description: str, example: float, column: str, parts: float | None = None
) -> dict[str, Any]:
    """Return the metadata of a figure of ``MeanSample``."""
    return {"about": Kept(description, example, column, parts)}


@dataclass(frozen=True, slots=True, kw_only=True)
class Figures:
    """How far a run has come. An unknown figure is None.

    Each is a column of the table ``progress`` and a field of status and run list.
    """

    on_time_s: float | None = field(
        default=None,
        metadata=shown("Time with the relay on in this run.", listed=600.4, live=290.4),
    )
    charge_coulombs: float | None = field(
        default=None, metadata=shown("Charge counted so far.", listed=1801.2, live=871.4)
    )
    uncertain_charge_coulombs: float | None = field(
        default=None,
        metadata=shown(
            "Between 0 and this much flowed uncounted; "
            "backwards, if reverse current left the range.",
            listed=0.0,
            live=0.0,
        ),
    )
    current_a: float | None = field(
        default=None,
        metadata=shown(
            "Newest current, zero offset taken out; positive etches.", listed=0.0, live=3.002
        ),
    )
    depth_mm: float | None = field(
        default=None,
        metadata=shown(
            "Best estimate of the depth at the target place; without places, the mean depth.",
            listed=0.25,
            live=0.121,
        ),
    )
    depth_low_mm: float | None = field(
        default=None,
        metadata=shown("Lower end of the depth's 95 % interval.", listed=0.199, live=0.098),
    )
    depth_high_mm: float | None = field(
        default=None,
        metadata=shown("Upper end of the depth's 95 % interval.", listed=0.312, live=0.15),
    )
    metal_left_mm: float | None = field(
        default=None,
        metadata=shown(
            "Metal left under the deepest place, at the upper end of its depth; null where places "
            "or thickness are not known.",
            listed=0.78,
            live=1.01,
        ),
    )


@dataclass(frozen=True, slots=True)
class PlaceFigures:
    """The depth at one place of the plate.

    :param name: key of the catalogue under ``places.name``.
    :param x_mm, y_mm: from the artwork's top left corner.
    :param share_of_area: share of the open area that is of this kind, 0 to 1.
    """

    name: str
    x_mm: float
    y_mm: float
    share_of_area: float
    depth_mm: float
    depth_low_mm: float
    depth_high_mm: float


@dataclass(frozen=True, slots=True)
class MeanSample:
    """One second of a run, and one row of its CSV table. An unknown figure is None.

    :param elapsed_s: whole seconds since the run began. The second begins with it.
    """

    elapsed_s: int
    on_time_s: float = field(
        metadata=kept("Relay-on time at its last sample.", 11.6, "on_time_ms", 1e3)
    )
    current_a: float = field(metadata=kept("Mean current.", 3.002, "current_ua", 1e6))
    voltage_v: float = field(metadata=kept("Mean cell voltage.", 3.1, "voltage_uv", 1e6))
    charge_coulombs: float = field(
        metadata=kept("Charge at its last sample.", 34.8, "charge_mc", 1e3)
    )
    depth_mm: float | None = field(
        default=None,
        metadata=kept("Best estimate of the depth at its last sample; see depth_mm of a run.", 0.0048, "depth_nm", 1e6),
    )
    bath_degc: float | None = field(
        default=None, metadata=kept("Bath temperature.", 21.4, "bath_mdegc", 1e3)
    )


FIGURES: dict[str, Shown] = {figure.name: figure.metadata["about"] for figure in fields(Figures)}
"""By name, in the order of the table ``progress``."""

FIGURES_OF_A_SECOND: dict[str, Kept] = {
    figure.name: figure.metadata["about"] for figure in fields(MeanSample) if figure.metadata
}
"""By name, in the order of the CSV table."""


def values_of(value: Any, kind: Any = None) -> dict[str, Any]:
    """Return the fields of a dataclass instance by name, of ``kind`` alone if it is given."""
    return {found.name: getattr(value, found.name) for found in fields(kind or value)}
