"""What a person reads when a run is cut: what happened, value and limit with units, what to do. Pure."""

from __future__ import annotations

from collections.abc import Mapping

from controller.messages import Finding, TripReason

_ACKNOWLEDGE = "then acknowledge."
_SUPPLY_METER = "Look at the supply's own ammeter: it must show zero."

WHAT_TO_DO: Mapping[TripReason, str] = {
    TripReason.OVER_VOLTAGE: f"Turn the supply down, look for a loose clip, a low bath or a black film, {_ACKNOWLEDGE}",
    TripReason.OVER_CURRENT: f"Look for a lifted resist, a bridge to the minus plate or a wrong current setting, {_ACKNOWLEDGE}",
    TripReason.SHORT_CIRCUIT: f"Part the plates, look for touching clips or a metal bridge between them, {_ACKNOWLEDGE}",
    TripReason.LOST_CONTACT: "Is the plate in the bath, the clip bright and tight, the supply on and set to the planned current? "
    "Put it right and resume, or stop.",
    TripReason.REVERSE_CURRENT: f"Plus belongs to the plate: swap the leads at the supply, {_ACKNOWLEDGE}",
    TripReason.SENSOR_FAULT: f"{_SUPPLY_METER} Check the sensor's four wires and its address, {_ACKNOWLEDGE}",
    TripReason.SENSOR_STALE: f"{_SUPPLY_METER} Check the sensor's supply and wires, {_ACKNOWLEDGE}",
    TripReason.SENSOR_SATURATED: f"Turn the current down, look for a short, or fit a smaller shunt, {_ACKNOWLEDGE} "
    "What flowed beyond the range cannot be counted, it is booked as uncertain charge.",
    TripReason.SENSOR_RESET: f"The sensor lost its supply for a moment: check its plus wire and ground, {_ACKNOWLEDGE}",
    TripReason.ZERO_OFFSET: f"With the relay off the sensor must read zero: check its wiring and shunt, {_ACKNOWLEDGE}",
    TripReason.RELAY_WELDED: "PULL THE SUPPLY'S PLUG. The relay was told to open and current or voltage is still there: "
    "replace the relay before the next run.",
    TripReason.OVER_TIME: "The current was lower than planned or the plan too short. Gauge the plate, acknowledge, plan anew.",
    TripReason.OVER_CHARGE: "The charge ceiling of the plan is used up. Gauge the plate, acknowledge, plan the rest.",
    TripReason.DEPTH_LIMIT: "Deeper, edges and small fields may break through. Lift, rinse and gauge the plate, acknowledge.",
    TripReason.BATH_HOT: f"Lift the plate, let the bath cool, mind the fumes, {_ACKNOWLEDGE}",
    TripReason.RESIST_LEAK: "Lift and rinse the plate, look for lifted resist or tape and for metal grown from the minus plate. "
    "A bath topped up or stirred harder looks the same. "
    "Mend it and resume, or stop.",
    TripReason.STORE_FULL: f"Make room on the card or change logbook.when_full, {_ACKNOWLEDGE}",
    TripReason.CONTROLLER_FAULT: f"{_SUPPLY_METER} This is a fault of the program: keep the log, restart the service, "
    "gauge the plate.",
}

PAUSES = frozenset({TripReason.LOST_CONTACT, TripReason.RESIST_LEAK})
"""Reasons that pause with a question instead of tripping."""

RESUMABLE = frozenset(
    {
        TripReason.OVER_VOLTAGE,
        TripReason.OVER_CURRENT,
        TripReason.SHORT_CIRCUIT,
        TripReason.LOST_CONTACT,
        TripReason.REVERSE_CURRENT,
        TripReason.SENSOR_FAULT,
        TripReason.SENSOR_STALE,
        TripReason.SENSOR_SATURATED,
        TripReason.SENSOR_RESET,
        TripReason.ZERO_OFFSET,
        TripReason.BATH_HOT,
        TripReason.RESIST_LEAK,
        TripReason.STORE_FULL,
    }
)
"""Reasons after which the same run may go on once acknowledged. Not: used-up ceilings, a welded relay, a program fault."""

_DECIMALS: Mapping[str, int] = {"A": 3, "V": 2, "s": 1, "C": 1, "mm": 3, "degC": 1, "%": 0}


def describe(finding: Finding) -> str:
    """Return the message for a finding."""
    text = finding.detail or finding.reason.value.replace("_", " ")
    decimals = _DECIMALS.get(finding.unit, 3)
    if finding.value is not None:
        text += f": {finding.value:.{decimals}f} {finding.unit}"
        if finding.limit is not None:
            text += f", limit {finding.limit:.{decimals}f} {finding.unit}"
    return f"{text[0].upper()}{text[1:]}. {WHAT_TO_DO[finding.reason]}"
