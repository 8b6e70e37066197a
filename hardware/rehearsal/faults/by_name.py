"""All faults of the rehearsal rig by name, and the reading of NAME@SECONDS."""

from __future__ import annotations

from math import isfinite

from controller.errors import RefusedError
from hardware.rehearsal.faults.fast import FAST_FAULTS
from hardware.rehearsal.faults.kinds import Fault, FaultKind
from hardware.rehearsal.faults.slow import SLOW_FAULTS

FAULTS: dict[str, FaultKind] = {**FAST_FAULTS, **SLOW_FAULTS}
"""Every fault by name."""


def parse_fault(text: str) -> Fault:
    """Return the fault in NAME@SECONDS.

    Raises: RefusedError for an unknown name and for a time that is not a number of at least 0.
    """
    name, mark, seconds = text.partition("@")
    try:
        at_s = float(seconds)
    except ValueError:
        at_s = -1.0
    if name not in FAULTS or not mark or not isfinite(at_s) or at_s < 0.0:
        raise RefusedError(
            "hardware.fault.unknown", field="fault", fault=text, names=", ".join(FAULTS)
        )
    return Fault(name, at_s)
