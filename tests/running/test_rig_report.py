"""The whole rig check: what passes, what fails, and what the readings show."""

from __future__ import annotations

from typing import Any

import pytest

from controller.config import Settings
from controller.messages import RunState, Sample, Snapshot, TripReason
from controller.running.rig_report import NOT_PROVEN, RigReport, rig_report
from controller.safety.checks import CheckReport, check_rig
from controller.texts import CATALOGUE, Message
from tests.recording.test_recorder import snap

MAX_AGE_S = 1.0


def check(current_a: float = 0.001, voltage_v: float = 0.2) -> CheckReport:
    settings = Settings()
    return check_rig(
        [Sample(float(i), current_a, voltage_v) for i in range(16)],
        settings.limits,
        settings.max_zero_offset_a,
    )


def idle(**known: Any) -> Snapshot:
    values: dict[str, Any] = {
        "sample_age_s": 0.05,
        "relay_on": False,
        "relay_welded": False,
        "weld_latched": False,
        "thermometer_silent": False,
        "clock_set": True,
        "first_look_due": False,
        "in_bath_without_current": False,
        "warnings": (),
        "places": (),
        "sequence": 1,
    } | known
    return snap(values.pop("state", RunState.IDLE), 0.0, **values)


def report(checked: CheckReport | None, snapshot: Snapshot) -> RigReport:
    return rig_report(checked, snapshot, MAX_AGE_S)


def test_sound_rig_passes() -> None:
    found = report(check(), idle())
    assert found.passed
    assert found.message is None
    assert found.reason is None
    assert [line.name for line in found.lines] == [
        "sensor", "relay output", "zero offset", "cell voltage"
    ]  # fmt: skip
    assert all(line.passed for line in found.lines)
    assert [message.key for message in found.proven] == [
        "rig_check.proven.zero", "rig_check.proven.no_current"
    ]  # fmt: skip
    assert found.proven[0].values["zero_offset_ma"] == pytest.approx(1.0)


@pytest.mark.parametrize(
    ("checked", "snapshot", "key"),
    [
        (None, idle(), "rig_check.too_few"),
        (check(), idle(state=RunState.RUNNING, relay_on=True), "rig_check.at_work"),
        (check(), idle(sample_age_s=7.0), "rig_check.sensor_silent"),
        (check(), idle(sample_age_s=None), "rig_check.sensor_silent"),
        (check(), idle(relay_on=True), "rig_check.relay_reads_on"),
    ],
)
def test_unsound_rig_fails(checked: CheckReport | None, snapshot: Snapshot, key: str) -> None:
    found = report(checked, snapshot)
    assert not found.passed
    assert isinstance(found.message, Message)
    assert found.message.key == key
    assert found.proven == ()


@pytest.mark.parametrize(
    ("checked", "reason"),
    [
        (check(current_a=1.0), TripReason.RELAY_WELDED),
        (check(current_a=0.012), TripReason.ZERO_OFFSET),
        (check(voltage_v=3.0), TripReason.RELAY_WELDED),
    ],
)
def test_finding_fails_check(checked: CheckReport, reason: TripReason) -> None:
    found = report(checked, idle())
    assert not found.passed
    assert found.reason is reason
    assert found.message
    assert found.proven == ()


def test_sensor_message_wins() -> None:
    """The sensor's own message is more precise than the fact that no sample came."""
    found = report(check(), idle(sensor_message="Check the sensor's four wires."))
    assert not found.passed
    assert found.message == "Check the sensor's four wires."


def test_welded_relay_never_passes() -> None:
    """A relay that was found welded fails the check even when its readings look good now."""
    found = report(check(), idle(relay_welded=True, message="PULL THE SUPPLY'S PLUG."))
    assert not found.passed
    assert found.message == "PULL THE SUPPLY'S PLUG."
    assert found.proven == ()


def test_run_may_have_relay_on() -> None:
    """A relay output that is on passes in a run and fails without one."""
    for state, passed in ((RunState.RUNNING, True), (RunState.IDLE, False)):
        lines = report(check(), idle(state=state, relay_on=True)).lines
        assert {line.name: line.passed for line in lines}["relay output"] is passed


def test_catalogue_has_every_key() -> None:
    """Each key of the rig check has a sentence, and each sentence is listed here."""
    used = {message.key.removeprefix("rig_check.") for message in NOT_PROVEN}
    used |= {"at_work", "sensor_silent", "too_few", "relay_reads_on"}
    used |= {f"note.{it}" for it in ("sensor_age", "sensor_silent", "relay_on", "relay_off")}
    used |= {"proven.zero", "proven.no_current"}
    assert set(CATALOGUE.part("rig_check")) == used
