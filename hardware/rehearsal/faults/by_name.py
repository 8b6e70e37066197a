"""All faults of the rehearsal bench by their names, and how one is asked for."""

from __future__ import annotations

from math import isfinite

from controller.errors import RefusedError
from hardware.rehearsal.faults.fast import FAST_FAULTS
from hardware.rehearsal.faults.kinds import Fault, FaultKind
from hardware.rehearsal.faults.slow import SLOW_FAULTS

FAULTS: dict[str, FaultKind] = {**FAST_FAULTS, **SLOW_FAULTS}
"""Every fault by its name."""


def parse_fault(text: str) -> Fault:
    """Return the fault in NAME@SECONDS.

    Raises: RefusedError for an unknown name, which lists the known ones, and for a time that is none.
    """
    name, mark, seconds = text.partition("@")
    try:
        at_s = float(seconds)
    except ValueError:
        at_s = -1.0
    if name not in FAULTS or not mark or not isfinite(at_s) or at_s < 0.0:
        raise RefusedError(
            f"fault {text!r} cannot be used: give NAME@SECONDS, seconds from 0 up after the relay first turns on "
            f"(0: there from the beginning), and one of the names {', '.join(FAULTS)}",
            field="fault",
            limit="NAME@SECONDS",
        )
    return Fault(name, at_s)
