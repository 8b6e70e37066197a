"""The bench as it stands: status, the answers to commands, health."""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime
from typing import Annotated, Literal

from pydantic import field_validator

from api.http.models.base import NO_UNIT, Answer, RequestModel, said
from controller.logbook.health import LogbookHealth
from controller.messages import RunState, Snapshot, TripReason
from controller.texts import Message

RigKind = Literal["bench", "rehearsal"]

State = Annotated[
    RunState,
    said(
        "Where the bench stands. The relay may be on in running and nowhere else.",
        NO_UNIT,
        RunState.RUNNING.value,
    ),
]
Reason = Annotated[
    TripReason | None,
    said(
        "Why the run was cut or paused, until acknowledged.", NO_UNIT, TripReason.LOST_CONTACT.value
    ),
]
RigField = Annotated[
    RigKind, said("Real bench, or the rehearsal bench's model.", NO_UNIT, "rehearsal")
]
VersionField = Annotated[str, said("Version of the program.", NO_UNIT, "0.1.0")]
RelayField = Annotated[bool, said("Whether the relay output reads on.", NO_UNIT, True)]
MessageField = Annotated[
    str | None,
    said(
        "What happened last and what to do, for a person.",
        NO_UNIT,
        "Relay on. Zero offset 1.20 mA taken out.",
    ),
]
RunField = Annotated[str | None, said("The run on the bench.", NO_UNIT, "20260314-091500-7")]


def spoken(message: Message | str | None) -> str | None:
    """Return the sentence of a message, or None."""
    return None if message is None else str(message)


class Status(Answer):
    """The newest snapshot of the bench. What is not known is null, never 0."""

    sequence: Annotated[int, said("Number of the snapshot, rising.", NO_UNIT, 1204)]
    at_s: Annotated[
        float, said("Monotonic time of this boot at which it was taken.", "s", 48211.25)
    ]
    at_utc: Annotated[
        datetime, said("Wall time, a label that may jump.", NO_UNIT, "2026-03-14T09:20:01Z")
    ]
    state: State
    reason: Reason
    message: MessageField
    run_id: RunField
    piece: Annotated[str | None, said("Name of the piece.", NO_UNIT, "fern brooch")]
    metal: Annotated[str | None, said("Metal of the run.", NO_UNIT, "fine-silver")]
    depth_mm: Annotated[
        float | None, said("Best estimate of the mean depth of an open floor.", "mm", 0.121)
    ]
    depth_low_mm: Annotated[
        float | None, said("Lower end of the depth's 95 % interval.", "mm", 0.098)
    ]
    depth_high_mm: Annotated[
        float | None, said("Upper end of the depth's 95 % interval.", "mm", 0.15)
    ]
    target_depth_mm: Annotated[float | None, said("Depth that the run stops at.", "mm", 0.25)]
    charge_coulombs: Annotated[float | None, said("Charge counted so far.", "C", 871.4)]
    target_charge_coulombs: Annotated[
        float | None, said("Charge at which the run stops.", "C", 1801.2)
    ]
    uncertain_charge_coulombs: Annotated[
        float | None,
        said(
            "Between 0 and this much flowed uncounted; backwards, if reverse current left the range.",
            "C",
            0.0,
        ),
    ]
    current_a: Annotated[
        float | None, said("Newest current, zero offset taken out; positive etches.", "A", 3.002)
    ]
    voltage_v: Annotated[float | None, said("Newest cell voltage.", "V", 3.1)]
    current_density_a_per_dm2: Annotated[
        float | None, said("Newest current over the planned open area.", "A/dm2", 39.1)
    ]
    on_time_s: Annotated[float | None, said("Time with the relay on in this run.", "s", 290.4)]
    remaining_s: Annotated[
        float | None,
        said("Relay-on time left at the mean current of the last seconds.", "s", 309.9),
    ]
    planned_s: Annotated[float | None, said("Relay-on time planned.", "s", 600.4)]
    first_look_due: Annotated[
        bool,
        said(
            "30 s into the run: somebody should look for gas at the minus plate and even matting.",
            NO_UNIT,
            False,
        ),
    ]
    in_bath_without_current: Annotated[
        bool,
        said(
            "The plate is taken to hang in the bath without current, until somebody says otherwise.",
            NO_UNIT,
            False,
        ),
    ]
    soak_s: Annotated[
        float | None,
        said("Time so far in the bath without current; widens the upper bound only.", "s", 42.0),
    ]
    gauge_stop_mm: Annotated[
        float | None, said("Gauge stop that paused the run; null when none did.", "mm", 0.188)
    ]
    next_gauge_stop_mm: Annotated[
        float | None, said("Depth at which the run pauses next to be gauged.", "mm", 0.188)
    ]
    max_charge_coulombs: Annotated[
        float | None, said("Ceiling on charge: ends the run whatever is believed.", "C", 2251.5)
    ]
    bath: Annotated[str | None, said("Name of the bath.", NO_UNIT, "silver bath of March")]
    sample_age_s: Annotated[
        float | None, said("Age of the newest sample when the snapshot was taken.", "s", 0.02)
    ]
    zero_offset_a: Annotated[
        float | None,
        said("Sensor reading without current, taken out of every sample.", "A", 0.0012),
    ]
    bath_degc: Annotated[
        float | None, said("Bath temperature, null without a thermometer.", "degC", 21.4)
    ]
    relay_on: RelayField
    relay_welded: Annotated[
        bool,
        said(
            "Current or voltage was seen with the relay off: pull the supply's plug.",
            NO_UNIT,
            False,
        ),
    ]
    sensor_message: Annotated[
        str | None,
        said(
            "What is wrong with the sensor outside a run.",
            NO_UNIT,
            "Check the sensor's four wires.",
        ),
    ]
    warnings: Annotated[
        tuple[str, ...],
        said("What a person should know now.", NO_UNIT, ["The store is nearly full."]),
    ]
    rig: RigField
    version: VersionField
    logbook_ready: Annotated[
        bool, said("Whether the logbook's check at start is over.", NO_UNIT, True)
    ]
    logbook_message: Annotated[
        str | None,
        said(
            "What is wrong with the logbook and what to do.",
            NO_UNIT,
            "the logbook cannot be written",
        ),
    ]
    run_in_logbook: Annotated[
        bool,
        said("Whether the run's beginning is in the logbook: it can be asked for.", NO_UNIT, True),
    ]

    @classmethod
    def of(cls, snapshot: Snapshot, logbook: LogbookHealth, rig: RigKind, version: str) -> Status:
        """Return the status in a snapshot."""
        values = {field.name: getattr(snapshot, field.name) for field in fields(snapshot)}
        return cls(
            **values,
            rig=rig,
            version=version,
            logbook_ready=logbook.ready,
            logbook_message=spoken(logbook.message or logbook.notice),
            run_in_logbook=snapshot.run_id is not None and snapshot.run_id == logbook.kept_run_id,
        )


class FirstLookBody(RequestModel):
    """What somebody saw 30 s into the run."""

    is_well: Annotated[
        bool,
        said(
            "Gas at the minus plate and even matting of the work; false pauses the run.",
            NO_UNIT,
            True,
            strict=True,
        ),
    ]


class CeilingsBody(RequestModel):
    """That a person wants the ceilings raised."""

    is_confirmed: Annotated[Literal[True], said("Must be true.", NO_UNIT, True)]

    @field_validator("is_confirmed", mode="before")
    @classmethod
    def _true_itself(cls, value: object) -> object:
        if value is not True:
            raise ValueError(
                "ceilings guard the plate and the person: confirm with true that they are to be raised"
            )
        return value


class CommandAnswer(Answer):
    """What a command did."""

    state: State
    reason: Reason
    message: MessageField
    run_id: RunField
    relay_on: RelayField


class StartAnswer(Answer):
    """A run was begun: the rig is being checked, the relay turns on after that."""

    run_id: Annotated[str, said("Name of the new run.", NO_UNIT, "20260314-091500-7")]


class StopAnswer(Answer):
    """What Stop did. The relay was told to turn off before anything else."""

    relay_on: Annotated[
        bool | None,
        said(
            "Whether the relay output still reads on; null when it cannot be read.", NO_UNIT, False
        ),
    ]
    state: Annotated[
        RunState | None,
        said(
            "Newest known state; null when the loop has never told one.",
            NO_UNIT,
            RunState.STOPPED.value,
        ),
    ]
    loop_alive: Annotated[bool, said("Whether the control loop is alive.", NO_UNIT, True)]
    message: Annotated[
        str,
        said("What was done and what to do now.", NO_UNIT, "The relay is off. Stopped by Stop."),
    ]


class LoopHealth(Answer):
    """How the control loop is."""

    alive: Annotated[bool, said("Whether the loop completed a pass lately.", NO_UNIT, True)]
    silent_s: Annotated[float, said("Time since it completed a pass.", "s", 0.02)]
    watchdog_s: Annotated[
        float | None,
        said(
            "Completed passes feed the service manager's watchdog so often; null: no watchdog waits.",
            "s",
            2.5,
        ),
    ]


class SensorHealth(Answer):
    """How the sensor is."""

    sample_age_s: Annotated[
        float | None, said("Age of the newest sample when the snapshot was taken.", "s", 0.02)
    ]
    message: Annotated[
        str | None, said("What is wrong with it.", NO_UNIT, "Check the sensor's four wires.")
    ]


class LogbookHealthAnswer(Answer):
    """How the logbook is."""

    ready: Annotated[bool, said("Whether the check at start is over.", NO_UNIT, True)]
    message: Annotated[
        str | None, said("What is wrong and what to do.", NO_UNIT, "The logbook cannot be written.")
    ]
    failing_since_at_utc: Annotated[
        datetime | None,
        said("Since when nothing could be written, a label.", NO_UNIT, "2026-03-14T09:20:01Z"),
    ]
    notice: Annotated[
        str | None,
        said(
            "What a person should know once.",
            NO_UNIT,
            "The logbook was damaged. It was renamed, and a new one was begun.",
        ),
    ]
    lost: Annotated[int, said("Rows that were not and will not be kept.", NO_UNIT, 0)]
    lost_note: Annotated[
        str | None, said("Newest reason for a loss.", NO_UNIT, "There was no room for Mean.")
    ]
    waiting: Annotated[int, said("Rows that wait to be written.", NO_UNIT, 12)]
    kept_run_id: Annotated[
        str | None, said("Newest run that is in the file.", NO_UNIT, "20260314-091500-7")
    ]

    _spoken = field_validator("message", "notice", "lost_note", mode="before")(spoken)


class Health(Answer):
    """How the parts of the service are. A silent loop answers 503 instead."""

    loop: Annotated[
        LoopHealth,
        said("The control loop.", NO_UNIT, {"alive": True, "silent_s": 0.02, "watchdog_s": 2.5}),
    ]
    sensor: Annotated[
        SensorHealth, said("The sensor.", NO_UNIT, {"sample_age_s": 0.02, "message": None})
    ]
    logbook: Annotated[
        LogbookHealthAnswer,
        said(
            "The logbook. A run goes on while it fails.",
            NO_UNIT,
            {
                "ready": True,
                "message": None,
                "failing_since_at_utc": None,
                "notice": None,
                "lost": 0,
                "lost_note": None,
                "waiting": 12,
                "kept_run_id": "20260314-091500-7",
            },
        ),
    ]
    rig: RigField
    version: VersionField
