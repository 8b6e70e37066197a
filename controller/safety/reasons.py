"""Which reasons pause a run, and which end it for good.

The sentences about each reason are in controller/texts/guards.toml.
"""

from __future__ import annotations

from controller.messages import TripReason

PAUSES = frozenset({TripReason.LOST_CONTACT, TripReason.RESIST_LEAK, TripReason.THERMOMETER_SILENT})
"""Reasons that pause the run and ask a question. All others trip."""

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
        TripReason.THERMOMETER_SILENT,
        TripReason.RESIST_LEAK,
        TripReason.STORE_FULL,
    }
)
"""Reasons after which a person may carry on with the same run, once acknowledged.

Each is listed: whoever adds a reason decides. Any other reason ends the run for good.
"""
