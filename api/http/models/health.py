"""Whether the parts of the controller work."""

from __future__ import annotations

from datetime import datetime
from typing import Annotated

from pydantic import BeforeValidator

from api.http.models.base import NO_UNIT, Answer, described
from api.http.models.status import NameField, RigField, VersionField, rendered


class LoopHealth(Answer):
    """Whether the control loop works."""

    alive: Annotated[
        bool, described("Whether the loop completed a pass in the last 3 s.", NO_UNIT, True)
    ]
    silent_s: Annotated[float, described("Time since it completed a pass.", "s", 0.02)]
    watchdog_s: Annotated[
        float | None,
        described(
            "Interval at which completed passes feed the service manager's watchdog; "
            "null without a watchdog.",
            "s",
            2.5,
        ),
    ]


class SensorHealth(Answer):
    """Whether the sensor works."""

    sample_age_s: Annotated[
        float | None, described("Age of the newest sample when the snapshot was taken.", "s", 0.02)
    ]
    message: Annotated[
        str | None, described("What is wrong with it.", NO_UNIT, "Check the sensor's four wires.")
    ]


class LogbookHealthAnswer(Answer):
    """Whether the logbook works."""

    ready: Annotated[bool, described("Whether the check at start is over.", NO_UNIT, True)]
    message: Annotated[
        str | None,
        BeforeValidator(rendered),
        described("What is wrong and what to do.", NO_UNIT, "The logbook cannot be written."),
    ]
    failing_since_at_utc: Annotated[
        datetime | None,
        described("Since when nothing could be written, a label.", NO_UNIT, "2026-03-14T09:20:01Z"),
    ]
    notice: Annotated[
        str | None,
        BeforeValidator(rendered),
        described(
            "What a person should know once.",
            NO_UNIT,
            "The logbook was damaged. It was renamed, and a new one was begun.",
        ),
    ]
    lost: Annotated[int, described("Rows that are lost.", NO_UNIT, 0)]
    lost_note: Annotated[
        str | None,
        BeforeValidator(rendered),
        described("Newest reason for a loss.", NO_UNIT, "There was no room for Mean."),
    ]
    waiting: Annotated[int, described("Rows that wait to be written.", NO_UNIT, 12)]
    kept_run_id: Annotated[
        str | None, described("Newest run that is in the file.", NO_UNIT, "20260314-091500-7")
    ]


class Health(Answer):
    """Whether the parts of the controller work. The response is 503 unless all is well."""

    ready: Annotated[
        bool, described("Whether all is well, so that a run may begin.", NO_UNIT, True)
    ]
    reasons: Annotated[
        tuple[str, ...],
        described("Why not, and what to do.", NO_UNIT, ["The logbook cannot be written."]),
    ]
    notes: Annotated[
        tuple[str, ...],
        described("What a person should know although all is well.", NO_UNIT, ["Clock not set."]),
    ]
    loop: Annotated[
        LoopHealth,
        described(
            "The control loop.", NO_UNIT, {"alive": True, "silent_s": 0.02, "watchdog_s": 2.5}
        ),
    ]
    sensor: Annotated[
        SensorHealth, described("The sensor.", NO_UNIT, {"sample_age_s": 0.02, "message": None})
    ]
    logbook: Annotated[
        LogbookHealthAnswer,
        described(
            "The logbook. A run continues while the logbook fails.",
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
    name: NameField
