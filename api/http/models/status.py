"""The state of the rig and of the run, in one snapshot."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated, Literal

from pydantic import BeforeValidator

from api.http.models.base import NO_UNIT, Answer, described
from api.http.models.figures import with_figures
from api.http.models.places import EXAMPLE, PlaceDepthAnswer
from controller.figures import FIGURES, values_of
from controller.logbook.health import LogbookHealth
from controller.messages import Finding, RunState, Snapshot, TripReason
from controller.texts import Message


def rendered(message: Message | str | None) -> str | None:
    """Return the sentence of a message, or None when there is none."""
    return None if message is None else str(message)


RigKind = Literal["bench", "rehearsal"]

State = Annotated[
    RunState,
    described(
        "State of the rig. The relay may be on in running and in no other state.",
        NO_UNIT,
        RunState.RUNNING.value,
    ),
]
Reason = Annotated[
    TripReason | None,
    described("Why the run tripped or paused, until acknowledged.", NO_UNIT, "lost_contact"),
]
RigField = Annotated[
    RigKind, described("Real bench, or the rehearsal bench's model.", NO_UNIT, "rehearsal")
]
VersionField = Annotated[str, described("Version of the program.", NO_UNIT, "0.1.0")]
NameField = Annotated[
    str | None, described("Name of the bench; null without one.", NO_UNIT, "the big bath")
]
RelayField = Annotated[bool, described("Whether the relay output reads on.", NO_UNIT, True)]
MessageField = Annotated[
    str | None,
    BeforeValidator(rendered),
    described(
        "What happened last and what to do, for a person. Programs read state and finding.",
        NO_UNIT,
        "The relay is on. The sensor's zero offset of 1.20 mA is subtracted.",
    ),
]
RunField = Annotated[str | None, described("The run in progress.", NO_UNIT, "20260314-091500-7")]


class FindingAnswer(Answer):
    """Why the run tripped or paused: the values, and the sentences made from them."""

    reason: Annotated[TripReason, described("The reason.", NO_UNIT, TripReason.OVER_VOLTAGE.value)]
    value: Annotated[
        float | None,
        described("What was measured; null where there is no number.", "the one in unit", 6.42),
    ]
    limit: Annotated[
        float | None, described("The limit; null where there is none.", "the one in unit", 6.0)
    ]
    unit: Annotated[str, described("Unit of value and limit; empty without numbers.", NO_UNIT, "V")]
    title: Annotated[str, described("The reason in a few words.", NO_UNIT, "Too much voltage")]
    what: Annotated[
        str,
        described(
            "What happened, with value and limit.",
            NO_UNIT,
            "The cell voltage is 6.42 V, over the limit of 6.00 V.",
        ),
    ]
    advice: Annotated[
        str, described("What to do.", NO_UNIT, "Turn the supply down. Then acknowledge.")
    ]

    @classmethod
    def of(cls, finding: Finding) -> FindingAnswer:
        """Return a finding with its sentences."""
        return cls(
            reason=finding.reason,
            value=finding.value,
            limit=finding.limit,
            unit=finding.unit,
            title=str(finding.title),
            what=str(finding.what),
            advice=str(finding.advice),
        )


@with_figures(Snapshot, {name: (about.description, about.live) for name, about in FIGURES.items()})
class Status(Answer):
    """The newest snapshot of the rig. What is not known is null, never 0."""

    # The figures without a description keep the order of the fields.
    sequence: Annotated[int, described("Number of the snapshot, rising.", NO_UNIT, 1204)]
    at_s: Annotated[
        float, described("Monotonic time of this boot at which it was taken.", "s", 48211.25)
    ]
    at_utc: Annotated[
        datetime, described("Wall time, a label that may jump.", NO_UNIT, "2026-03-14T09:20:01Z")
    ]
    state: State
    reason: Reason
    finding: Annotated[
        FindingAnswer | None,
        described(
            "Why the run tripped or paused, until acknowledged.",
            NO_UNIT,
            {
                "reason": "lost_contact",
                "value": 0.012,
                "limit": 0.3,
                "unit": "A",
                "title": "Contact lost",
                "what": "Hardly any current flows: 0.012 A. The limit is 0.300 A.",
                "advice": "Put it right and carry on, or stop.",
            },
        ),
    ]
    message: MessageField
    run_id: RunField
    piece: Annotated[str | None, described("Name of the piece.", NO_UNIT, "fern brooch")]
    metal: Annotated[str | None, described("Metal of the run.", NO_UNIT, "fine-silver")]
    depth_mm: float | None
    depth_low_mm: float | None
    depth_high_mm: float | None
    target_depth_mm: Annotated[float | None, described("Depth that the run stops at.", "mm", 0.25)]
    target_place: Annotated[
        str | None,
        described(
            "Where depth and target are meant; null: the mean depth.",
            NO_UNIT,
            "widest-floor-middle",
        ),
    ]
    places: Annotated[
        tuple[PlaceDepthAnswer, ...],
        described("The depth at each place of the artwork now.", NO_UNIT, [EXAMPLE]),
    ]
    charge_coulombs: float | None
    target_charge_coulombs: Annotated[
        float | None, described("Charge at which the run stops.", "C", 1801.2)
    ]
    uncertain_charge_coulombs: float | None
    current_a: float | None
    voltage_v: Annotated[float | None, described("Newest cell voltage.", "V", 3.1)]
    current_density_a_per_dm2: Annotated[
        float | None, described("Newest current over the planned open area.", "A/dm2", 39.1)
    ]
    on_time_s: float | None
    remaining_s: Annotated[
        float | None,
        described("Relay-on time left at the mean current of the last seconds.", "s", 309.9),
    ]
    planned_s: Annotated[float | None, described("Relay-on time planned.", "s", 600.4)]
    first_look_due: Annotated[
        bool,
        described(
            "30 s into the run: look for gas at the minus plate and even matting.",
            NO_UNIT,
            False,
        ),
    ]
    in_bath_without_current: Annotated[
        bool,
        described(
            "The plate counts as hanging in the bath without current until a person reports "
            "it lifted.",
            NO_UNIT,
            False,
        ),
    ]
    soak_s: Annotated[
        float | None,
        described(
            "Time so far in the bath without current; widens the upper bound only.", "s", 42.0
        ),
    ]
    gauge_stop_mm: Annotated[
        float | None, described("Gauge stop that paused the run; null when none did.", "mm", 0.188)
    ]
    next_gauge_stop_mm: Annotated[
        float | None, described("Depth at which the run pauses next to be gauged.", "mm", 0.188)
    ]
    max_charge_coulombs: Annotated[
        float | None,
        described("Ceiling on charge. It ends the run whatever the estimate.", "C", 2251.5),
    ]
    bath: Annotated[str | None, described("Name of the bath.", NO_UNIT, "silver bath of March")]
    sample_age_s: Annotated[
        float | None, described("Age of the newest sample when the snapshot was taken.", "s", 0.02)
    ]
    zero_offset_a: Annotated[
        float | None,
        described("Sensor reading without current, subtracted from every sample.", "A", 0.0012),
    ]
    bath_degc: Annotated[
        float | None, described("Bath temperature, null without a thermometer.", "degC", 21.4)
    ]
    relay_on: RelayField
    relay_welded: Annotated[
        bool,
        described(
            "Current or voltage was seen with the relay off: pull the supply's plug.",
            NO_UNIT,
            False,
        ),
    ]
    weld_latched: Annotated[
        bool,
        described("The relay was found welded, and no check has disproved it yet.", NO_UNIT, False),
    ]
    thermometer_silent: Annotated[
        bool,
        described("A thermometer is fitted, and it has no fresh reading.", NO_UNIT, False),
    ]
    clock_set: Annotated[
        bool,
        described(
            "The wall clock has been set from outside since the boot. Until then no pairing "
            "expires.",
            NO_UNIT,
            True,
        ),
    ]
    sensor_message: Annotated[
        str | None,
        BeforeValidator(rendered),
        described(
            "What is wrong with the sensor outside a run.",
            NO_UNIT,
            "Check the sensor's four wires.",
        ),
    ]
    sample_shows_off: Annotated[
        bool | None,
        described(
            "Whether the newest sample shows neither current nor the supply's voltage; null "
            "while the relay may be on and without a sample.",
            NO_UNIT,
            True,
        ),
    ]
    warnings: Annotated[
        tuple[str, ...],
        described("What a person should know now.", NO_UNIT, ["The store is nearly full."]),
    ]
    rig: RigField
    version: VersionField
    name: NameField
    logbook_ready: Annotated[
        bool, described("Whether the logbook's check at start is over.", NO_UNIT, True)
    ]
    logbook_message: Annotated[
        str | None,
        described(
            "What is wrong with the logbook and what to do.",
            NO_UNIT,
            "the logbook cannot be written",
        ),
    ]
    run_in_logbook: Annotated[
        bool,
        described(
            "Whether the logbook has the start of the run, so that /api/runs finds it.",
            NO_UNIT,
            True,
        ),
    ]

    @classmethod
    def of(
        cls,
        snapshot: Snapshot,
        logbook: LogbookHealth,
        rig: RigKind,
        version: str,
        name: str | None = None,
    ) -> Status:
        """Return the status in a snapshot."""
        finding = snapshot.finding
        values = {
            **values_of(snapshot),
            "finding": None if finding is None else FindingAnswer.of(finding),
            "warnings": tuple(str(warning) for warning in snapshot.warnings),
        }
        return cls(
            **values,
            rig=rig,
            version=version,
            name=name,
            logbook_ready=logbook.ready,
            logbook_message=rendered(logbook.message or logbook.notice),
            run_in_logbook=snapshot.run_id is not None and snapshot.run_id == logbook.kept_run_id,
        )
