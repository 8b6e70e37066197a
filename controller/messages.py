"""What the rooms say to each other: frozen values, units in the names, absence is None."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime
from enum import StrEnum
from typing import Any

from controller.figures import Figures


class RunState(StrEnum):
    """Where the bench stands. The relay may be on in ``running`` and nowhere else."""

    IDLE = "idle"
    CHECKING = "checking"
    RUNNING = "running"
    PAUSED = "paused"
    FINISHED = "finished"
    STOPPED = "stopped"
    TRIPPED = "tripped"
    INTERRUPTED = "interrupted"


class TripReason(StrEnum):
    """Why a run was cut or paused. First reason wins and stays until a person acknowledges it."""

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
    RESIST_LEAK = "resist_leak"
    STORE_FULL = "store_full"
    CONTROLLER_FAULT = "controller_fault"


class OffRequest(StrEnum):
    """Who asked the relay gate for off. The first request stands until the supervisor has dealt with it."""

    STOP = "stop"
    STOP_BUTTON = "stop_button"
    SHUTDOWN = "shutdown"
    SENSOR_STALE = "sensor_stale"


@dataclass(frozen=True, slots=True)
class Sample:
    """One finished conversion of the sensor.

    :param taken_at_s: monotonic time at which the reader saw it.
    :param current_a: current through the shunt, the zero offset still in it; positive etches.
    :param voltage_v: cell voltage, from behind the shunt to the minus pole.
    :param saturated: the shunt reading stands at the end of its range, the true current is larger.
    :param averaged: False for a quick second look, which carries a part of the supply's ripple, its voltage all of it.
    """

    taken_at_s: float
    current_a: float
    voltage_v: float
    saturated: bool = False
    averaged: bool = True

    def less_offset(self, zero_offset_a: float) -> Sample:
        """Return the sample with the sensor's zero offset in A taken out."""
        return Sample(
            self.taken_at_s,
            self.current_a - zero_offset_a,
            self.voltage_v,
            self.saturated,
            self.averaged,
        )


@dataclass(frozen=True, slots=True)
class Finding:
    """What a guard or a check found.

    :param reason: the trip reason.
    :param value: what was measured, in ``unit``, or None where there is no number.
    :param limit: the limit that it broke, in ``unit``, or None.
    :param unit: unit of value and limit, as printed.
    :param detail: what happened, in words, without the numbers above.
    """

    reason: TripReason
    value: float | None = None
    limit: float | None = None
    unit: str = ""
    detail: str = ""


class EventKind(StrEnum):
    """Kinds of entry in a run's event list.

    ``state``: the bench changed its state. ``command``: a person asked for something, and it was
    done. ``check``: the outcome of the rig check, with its figures. ``warning``: something that a
    person should look at. ``note``: everything else.
    """

    STATE = "state"
    COMMAND = "command"
    CHECK = "check"
    WARNING = "warning"
    NOTE = "note"


@dataclass(frozen=True, slots=True)
class Event:
    """One line of a run's event list.

    :param run_id: the run, or None when it concerns the bench.
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
    """Everything that status, page and panel show, replaced as a whole by the loop. None means not known."""

    sequence: int
    at_s: float
    at_utc: datetime
    state: RunState
    reason: TripReason | None
    message: str | None
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
    relay_on: bool
    relay_welded: bool
    sensor_message: str | None
    warnings: tuple[str, ...] = ()
