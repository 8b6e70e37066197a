"""What follows from each reason, and what a person reads about it."""

from __future__ import annotations

import string

import pytest

from controller.config import LimitSettings
from controller.messages import Finding, TripReason, advice_for, title_of
from controller.safety.limits import RULES
from controller.safety.reasons import PAUSES, RESUMABLE
from controller.texts import CATALOGUE

R = TripReason


def test_every_reason_has_its_texts() -> None:
    part = CATALOGUE.part("guards")
    for reason in TripReason:
        assert not str(title_of(reason)).endswith("."), "a heading"
        assert str(advice_for(reason)).endswith((".", "?"))
        for key in ("title", "what", "advice", "noticed.what", "seconds_to_off.what"):
            assert f"{reason.value}.{key}" in part, (reason, key)
    tables = {key.partition(".")[0] for key in part}
    assert tables == {reason.value for reason in TripReason} | {"finding", "warning"}


def test_rules_name_their_setting() -> None:
    """The documentation's row states the setting that the rule declares."""
    part = CATALOGUE.part("guards")
    for rule in RULES:
        row = part[f"{rule.reason.value}.noticed.{rule.case}"]
        named = {name for _, name, _, _ in string.Formatter().parse(row) if name}
        assert rule.setting is None or rule.setting in named


def test_every_setting_is_documented() -> None:
    """A limit that no row of the table names guards nothing, or nobody knows what."""
    rows = [text for key, text in CATALOGUE.part("guards").items() if ".noticed." in key]
    named = {name for row in rows for _, name, _, _ in string.Formatter().parse(row) if name}
    assert named == set(LimitSettings.model_fields) - {"min_run_s", "max_run_s"}, "of a plan"


def test_pauses_are_resumable() -> None:
    assert {R.LOST_CONTACT, R.RESIST_LEAK, R.THERMOMETER_SILENT} == PAUSES
    assert PAUSES < RESUMABLE


def test_what_ends_a_run_for_good() -> None:
    """Used-up ceilings, a welded relay and a fault of the program."""
    assert set(TripReason) - RESUMABLE == ENDS_THE_RUN
    assert {
        R.OVER_TIME,
        R.OVER_CHARGE,
        R.DEPTH_LIMIT,
        R.RELAY_WELDED,
        R.CONTROLLER_FAULT,
    } == ENDS_THE_RUN


def test_supply_meter_is_witness() -> None:
    """Where nothing measures any more, only the supply's own ammeter can show that it is off."""
    for reason in (R.SENSOR_FAULT, R.SENSOR_STALE, R.CONTROLLER_FAULT):
        assert "supply's own ammeter: it must show zero" in str(advice_for(reason))


def test_welded_relay_asks_for_plug() -> None:
    assert str(advice_for(R.RELAY_WELDED)).startswith("PULL THE SUPPLY'S PLUG.")


@pytest.mark.parametrize(
    ("finding", "text"),
    [
        (
            Finding(R.OVER_CURRENT, 4.2, 3.9, "A"),
            "The current is 4.200 A, over the limit of 3.900 A.",
        ),
        (
            Finding(R.OVER_VOLTAGE, 6.789, 6.0, "V"),
            "The cell voltage is 6.79 V, over the limit of 6.00 V.",
        ),
        (
            Finding(R.OVER_VOLTAGE, 4.789, 4.5, "V", "risen"),
            "The cell voltage has risen to 4.79 V, far above its own mean. The limit is 4.50 V.",
        ),
        (
            Finding(R.OVER_TIME, 900.04, 900.0, "s"),
            "The relay has been on for 900.0 s. The ceiling is 900.0 s.",
        ),
        (
            Finding(R.OVER_CHARGE, 2250.04, 2250.0, "C"),
            "2250.0 C have flowed. The ceiling is 2250.0 C.",
        ),
        (
            Finding(R.DEPTH_LIMIT, 0.4619, 0.4615, "mm"),
            "The mean depth is 0.46 mm. The limit for this sheet is 0.46 mm.",
        ),
        (
            Finding(R.BATH_HOT, 45.25, 45.0, "degC"),
            "The bath is at 45.2 °C. The limit is 45.0 °C.",
        ),
        (
            Finding(R.SENSOR_SATURATED, 3.19, None, "A"),
            "The sensor reads 3.190 A, the end of its range. The true current is larger.",
        ),
        (
            Finding(R.LOST_CONTACT, 1.2, 1.8, "A", "weak"),
            "The current is far below the plan: 1.200 A. The limit is 1.800 A.",
        ),
        (
            Finding(R.LOST_CONTACT, 14.2, 10.0, "%", "one_piece"),
            "One of the pieces may have lost contact: the resistance has jumped up by 14 %. "
            "The limit is 10 %.",
        ),
    ],
)
def test_findings_as_sentences(finding: Finding, text: str) -> None:
    assert str(finding.what) == text
    assert str(finding.message) == f"{text} {finding.advice}"


ENDS_THE_RUN = frozenset(
    {
        TripReason.OVER_TIME,
        TripReason.OVER_CHARGE,
        TripReason.DEPTH_LIMIT,
        TripReason.RELAY_WELDED,
        TripReason.CONTROLLER_FAULT,
    }
)
"""Reasons after which the run is over: its ceilings are used up, or the rig cannot be trusted."""


def test_every_reason_is_decided() -> None:
    """Each reason is in exactly one set: whoever adds one decides whether the run may go on."""
    assert set(TripReason) == RESUMABLE | ENDS_THE_RUN
    assert set() == RESUMABLE & ENDS_THE_RUN
