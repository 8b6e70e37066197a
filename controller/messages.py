"""Values that the parts of the program exchange: frozen, units in the names, None for absence."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from controller.figures import Figures, PlaceFigures
from controller.texts import Message, Value


class RunState(StrEnum):
    """State of the rig. The relay may be on in ``running`` and in no other state."""

    IDLE = "idle"
    CHECKING = "checking"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    STOPPED = "stopped"
    TRIPPED = "tripped"
    INTERRUPTED = "interrupted"


class TripReason(StrEnum):
    """Why a run tripped or paused. The first reason wins and stays until it is acknowledged."""

    OVER_VOLTAGE = "over_voltage"
    OVER_CURRENT = "over_current"
    SHORT_CIRCUIT = "short_circuit"
    LOST_CONTACT = "lost_contact"
    REVERSE_CURRENT = "reverse_current"
    SENSOR_FAULT = "sensor_fault"
    SENSOR_STALE = "sensor_stale"
    SENSOR_SATURATED = "sensor_saturated"
    SENSOR_RESET = "sensor_reset"
    ZERO_OFFSET = "zero_offset"
    RELAY_WELDED = "relay_welded"
    OVER_TIME = "over_time"
    OVER_CHARGE = "over_charge"
    DEPTH_LIMIT = "depth_limit"
    BATH_HOT = "bath_hot"
    THERMOMETER_SILENT = "thermometer_silent"
    RESIST_LEAK = "resist_leak"
    STORE_FULL = "store_full"
    CONTROLLER_FAULT = "controller_fault"


class OffRequest(StrEnum):
    """Who asked the relay gate for off.

    The first request stays until the supervisor has dealt with it.
    """

    STOP = "stop"
    STOP_BUTTON = "stop_button"
    SHUTDOWN = "shutdown"
    SENSOR_STALE = "sensor_stale"


class SourceKind(StrEnum):
    """Where a command came from."""

    PAIRED = "paired"
    UNPAIRED = "unpaired"
    PROGRAM = "program"
    LOCAL = "local"
    BUTTON = "button"


@dataclass(frozen=True, slots=True)
class Source:
    """Who gave a command.

    :param kind: a paired device, one that is not paired, a program with the daemon's own token,
        the local socket, or the Stop button.
    :param address: network address, or None where there is none.
    :param device: name of the paired device, or None.
    """

    kind: SourceKind
    address: str | None = None
    device: str | None = None

    def to_json(self) -> dict[str, str | None]:
        """Return the values as JSON."""
        return {"kind": self.kind.value, "address": self.address, "device": self.device}

    def named(self, what: Message) -> Message:
        """Return what was commanded and by whom."""
        values: dict[str, Value] = {"what": what}
        if self.kind is not SourceKind.BUTTON:
            values["address"] = self.address or Message("supervisor.source.unknown_address")
        if self.device is not None:
            values["device"] = self.device
        return Message(f"supervisor.source.{self.kind.value}", values)


@dataclass(frozen=True, slots=True)
class Sample:
    """One finished conversion of the sensor.

    :param taken_at_s: monotonic time at which the reader saw it.
    :param current_a: current through the shunt, including the zero offset; positive when etching.
    :param voltage_v: cell voltage, from behind the shunt to the minus pole.
    :param saturated: the shunt reading is at the end of its range; the true current is larger.
    :param averaged: False for a quick second look. Its current carries part of the supply's
        ripple, its voltage all of it.
    """

    taken_at_s: float
    current_a: float
    voltage_v: float
    saturated: bool = False
    averaged: bool = True

    def less_offset(self, zero_offset_a: float) -> Sample:
        """Return the sample without the sensor's zero offset, in A."""
        return Sample(
            self.taken_at_s,
            self.current_a - zero_offset_a,
            self.voltage_v,
            self.saturated,
            self.averaged,
        )


UNIT_SUFFIXES = {
    "A": "a",
    "V": "v",
    "s": "s",
    "C": "coulombs",
    "mm": "mm",
    "degC": "degc",
    "%": "percent",
}
"""Units of findings, and how the values that sentences name end: ``value_a``, ``limit_degc``."""


@dataclass(frozen=True, slots=True)
class Finding:
    """The values that a guard or a check found. The catalogue turns them into sentences.

    :param value: what was measured, in ``unit``, or None where there is no number.
    :param limit: the limit that it broke, in ``unit``, or None.
    :param unit: unit of value and limit, one of ``UNIT_SUFFIXES``, or empty without numbers.
    :param case: selects the sentence, where the reason has several.
    :param cause: what led to it, or None where the reason alone is enough.
    """

    reason: TripReason
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    case: str = "what"
    cause: Message | None = None

    @property
    def title(self) -> Message:
        """The heading: the reason in a few words."""
        return title_of(self.reason)

    @property
    def what(self) -> Message:
        """What happened, with value and limit."""
        values: dict[str, Value] = {}
        for name, number in (("value", self.value), ("limit", self.limit)):
            if number is not None:
                values[f"{name}_{UNIT_SUFFIXES.get(self.unit, self.unit)}"] = number
        if self.cause is not None:
            values["cause"] = self.cause
        return Message(f"guards.{self.reason.value}.{self.case}", values)

    @property
    def advice(self) -> Message:
        """What to do."""
        return advice_for(self.reason)

    @property
    def message(self) -> Message:
        """What happened and what to do."""
        return Message("guards.finding", {"what": self.what, "advice": self.advice})


def title_of(reason: TripReason) -> Message:
    """Return the heading for a reason."""
    return Message(f"guards.{reason.value}.title")


def advice_for(reason: TripReason) -> Message:
    """Return what a person should do after a reason."""
    return Message(f"guards.{reason.value}.advice")


class EventKind(StrEnum):
    """Kinds of entry in a run's event list.

    ``state``: the rig changed its state. ``command``: a person gave a command, and it was carried
    out. ``check``: the outcome of the rig check, with its figures. ``warning``: a person should
    look at something. ``note``: everything else.
    """

    STATE = "state"
    COMMAND = "command"
    CHECK = "check"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Event:
    """One line of a run's event list.

    :param run_id: the run, or None when it concerns the rig.
    :param at_s: monotonic time of this boot.
    :param at_utc: wall time, a label only.
    :param on_time_s: time with the relay on so far in this run.
    :param text: what happened, for a person.
    :param data: numbers, units in the keys.
    """

    run_id: str | None
    at_s: float
    at_utc: datetime
    kind: EventKind
    text: str
    on_time_s: float = 0.0
    data: dict[str, Any] | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class Snapshot(Figures):
    """Everything that status, page and panel show. The loop replaces it as a whole.

    None means unknown. ``finding`` is why the run tripped or paused, until acknowledged.

    :param target_place: where target and depth are meant, or None for the mean depth.
    :param places: the depth at each known place.
    :param thermometer_silent: a thermometer is fitted, and it has no fresh reading.
    :param clock_set: the wall clock has been set from outside since the boot.
    :param weld_latched: the relay was found welded, and no check has disproved it yet. A second
        contactor is closed for a check and a run only.
    """

    sequence: int
    at_s: float
    at_utc: datetime
    state: RunState
    reason: TripReason | None
    message: Message | None
    run_id: str | None
    piece: str | None
    metal: str | None
    target_depth_mm: float | None
    target_charge_coulombs: float | None
    voltage_v: float | None
    current_density_a_per_dm2: float | None
    remaining_s: float | None
    planned_s: float | None
    first_look_due: bool
    in_bath_without_current: bool
    soak_s: float | None
    gauge_stop_mm: float | None
    next_gauge_stop_mm: float | None
    max_charge_coulombs: float | None
    bath: str | None
    sample_age_s: float | None
    zero_offset_a: float | None
    bath_degc: float | None
    thermometer_silent: bool
    relay_on: bool
    relay_welded: bool
    weld_latched: bool
    clock_set: bool
    sensor_message: Message | None
    sample_shows_off: bool | None = None
    warnings: tuple[Message, ...] = ()
    finding: Finding | None = None
    target_place: str | None = None
    places: tuple[PlaceFigures, ...] = ()
