"""The option that adds faults to a rehearsal."""

from __future__ import annotations

from collections.abc import Callable

import click

from api.cli.options import Function
from controller.texts import text

FAULT_NAMES = (
    "lead_off",
    "short_circuit",
    "supply_runaway",
    "supply_lost",
    "polarity_reversed",
    "relay_welded",
    "chip_reset",
    "i2c_errors",
    "bus_stuck",
    "sample_stuck",
    "thermometer_silent",
    "ripple_worst",
    "resist_leak",
    "stirrer_stopped",
    "bath_warming",
    "dendrite_bridge",
    "contact_corroding",
    "one_piece_off",
    "plate_lifted",
    "black_film",
)
"""The faults of the rehearsal rig, repeated here so that help need not load the rehearsal rig."""


def fault_option(key: str) -> Callable[[Function], Function]:
    """Return the option ``--fault``, given to the command as ``faults``.

    :param key: its help in the catalogue, which lists the names.
    """
    return click.option(
        "--fault",
        "faults",
        multiple=True,
        metavar="NAME@SECONDS",
        help=text(key, names=", ".join(FAULT_NAMES)),
    )
