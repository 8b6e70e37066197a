"""What a person reads: every reason has its advice, every number its unit."""

from __future__ import annotations

import pytest

from controller.messages import Finding, TripReason
from controller.safety.advice import PAUSES, RESUMABLE, WHAT_TO_DO, describe

R = TripReason


def test_every_reason_says_what_to_do() -> None:
    assert set(WHAT_TO_DO) == set(TripReason)
    assert all(text.endswith((".", "?")) for text in WHAT_TO_DO.values())


def test_what_pauses_can_be_resumed() -> None:
    assert PAUSES < RESUMABLE


def test_used_up_ceilings_a_welded_relay_and_a_bug_end_the_run_for_good() -> None:
    assert set(TripReason) - RESUMABLE == {
        R.OVER_TIME,
        R.OVER_CHARGE,
        R.DEPTH_LIMIT,
        R.RELAY_WELDED,
        R.CONTROLLER_FAULT,
    }


def test_where_nothing_measures_the_supplys_own_meter_is_the_witness() -> None:
    for reason in (R.SENSOR_FAULT, R.SENSOR_STALE, R.CONTROLLER_FAULT):
        assert "supply's own ammeter: it must show zero" in WHAT_TO_DO[reason]


def test_a_welded_relay_asks_for_the_plug_first() -> None:
    assert WHAT_TO_DO[R.RELAY_WELDED].startswith("PULL THE SUPPLY'S PLUG.")


@pytest.mark.parametrize(
    ("finding", "text"),
    [
        (
            Finding(R.OVER_CURRENT, 4.2, 3.9, "A", "the current is too high"),
            "The current is too high: 4.200 A, limit 3.900 A. ",
        ),
        (
            Finding(R.OVER_VOLTAGE, 6.789, 6.0, "V", "the cell voltage is too high"),
            "The cell voltage is too high: 6.79 V, limit 6.00 V. ",
        ),
        (
            Finding(R.OVER_TIME, 900.04, 900.0, "s", "on for too long"),
            "On for too long: 900.0 s, limit 900.0 s. ",
        ),
        (
            Finding(R.DEPTH_LIMIT, 0.4619, 0.4615, "mm", "too deep"),
            "Too deep: 0.462 mm, limit 0.462 mm. ",
        ),
        (Finding(R.BATH_HOT, 45.25, 45.0, "degC", "hot"), "Hot: 45.2 degC, limit 45.0 degC. "),
        (
            Finding(R.SENSOR_SATURATED, 3.19, None, "A", "the end of its range"),
            "The end of its range: 3.190 A. ",
        ),
        (Finding(R.SENSOR_FAULT, detail="no answer at 0x40"), "No answer at 0x40. "),
        (Finding(R.STORE_FULL), "Store full. "),
    ],
)
def test_messages(finding: Finding, text: str) -> None:
    assert describe(finding) == text + WHAT_TO_DO[finding.reason]
