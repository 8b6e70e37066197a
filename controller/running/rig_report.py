"""The rig check as a whole: the check with the relay off, and whether it counts now. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from controller.messages import RunState, Snapshot, TripReason
from controller.safety.checks import CheckReport
from controller.texts import Message

NOT_PROVEN = (
    Message("rig_check.not_proven.contact_open"),
    Message("rig_check.not_proven.plate_contact"),
    Message("rig_check.not_proven.clips"),
)
"""Faults that no reading with the relay off can show."""


@dataclass(frozen=True, slots=True)
class RigLine:
    """One line of the rig check. ``value`` and ``limit`` are in ``unit``."""

    name: str
    passed: bool
    value: float | None
    limit: float | None
    unit: str
    note: Message | str


@dataclass(frozen=True, slots=True)
class RigReport:
    """The rig check with the relay off.

    :param passed: whether all that could be checked is in order now.
    :param message: the fault, or why the readings do not count now, and the remedy; None if passed.
    :param proven: what the readings prove; empty unless passed.
    :param zero_offset_a: mean reading without current, or None without enough readings.
    """

    passed: bool
    message: Message | str | None
    reason: TripReason | None
    lines: tuple[RigLine, ...]
    proven: tuple[Message, ...]
    zero_offset_a: float | None
    relay_on: bool


def rig_report(check: CheckReport | None, snapshot: Snapshot, max_sample_age_s: float) -> RigReport:
    """Return the rig check from the check with the relay off and the newest snapshot.

    The readings count only while they are fresh: not during a run, and not with a silent sensor.

    :param check: on the newest samples with the relay off, or None when there are too few.
    """
    message = _message(check, snapshot, max_sample_age_s)
    passed = message is None and not snapshot.relay_welded
    finding = None if check is None else check.finding
    return RigReport(
        passed=passed,
        message=message if message is not None or passed else snapshot.message,
        reason=snapshot.reason if finding is None else finding.reason,
        lines=_lines(check, snapshot, max_sample_age_s),
        proven=_proven(check) if passed and check is not None else (),
        zero_offset_a=None if check is None else check.zero_offset_a,
        relay_on=snapshot.relay_on,
    )


def _is_at_work(snapshot: Snapshot) -> bool:
    return snapshot.state in (RunState.CHECKING, RunState.RUNNING)


def _answers(snapshot: Snapshot, max_sample_age_s: float) -> bool:
    """Return whether the sensor answers."""
    age_s = snapshot.sample_age_s
    return snapshot.sensor_message is None and age_s is not None and age_s <= max_sample_age_s


def _message(
    check: CheckReport | None, snapshot: Snapshot, max_sample_age_s: float
) -> Message | str | None:
    """Return the fault, or why the readings do not count now, or None."""
    if _is_at_work(snapshot):
        return Message("rig_check.at_work", {"state": snapshot.state.value})
    if not _answers(snapshot, max_sample_age_s):
        return snapshot.sensor_message or Message("rig_check.sensor_silent")
    if check is None:
        return Message("rig_check.too_few")
    if check.finding is not None:
        return check.finding.message
    if snapshot.relay_on:
        return Message("rig_check.relay_reads_on")
    if snapshot.weld_latched and not snapshot.relay_welded:
        return Message("guards.warning.weld_latched")
    return None


def _lines(
    check: CheckReport | None, snapshot: Snapshot, max_sample_age_s: float
) -> tuple[RigLine, ...]:
    answers = _answers(snapshot, max_sample_age_s)
    sensor = RigLine(
        name="sensor",
        passed=answers,
        value=snapshot.sample_age_s,
        limit=max_sample_age_s,
        unit="s",
        note=Message(f"rig_check.note.{'sensor_age' if answers else 'sensor_silent'}"),
    )
    relay = RigLine(
        name="relay output",
        passed=_is_at_work(snapshot) or not snapshot.relay_on,
        value=None,
        limit=None,
        unit="",
        note=Message(f"rig_check.note.{'relay_on' if snapshot.relay_on else 'relay_off'}"),
    )
    checked = () if check is None else check.items
    return (
        sensor,
        relay,
        *(
            RigLine(item.name, item.passed, item.value, item.limit, item.unit, item.note)
            for item in checked
        ),
    )


def _proven(check: CheckReport) -> tuple[Message, ...]:
    return (
        Message("rig_check.proven.zero", {"zero_offset_ma": check.zero_offset_a * 1000.0}),
        Message("rig_check.proven.no_current"),
    )
