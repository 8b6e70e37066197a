"""What the commands take and return."""

from __future__ import annotations

from typing import Annotated, Literal

from pydantic import field_validator

from api.http.models.base import NO_UNIT, Answer, RequestModel, described
from api.http.models.status import MessageField, Reason, RelayField, RunField, State
from controller.errors import RefusedError
from controller.messages import RunState


class FirstLookBody(RequestModel):
    """What a person saw 30 s into the run."""

    is_well: Annotated[
        bool,
        described(
            "Gas at the minus plate and even matting of the work; false pauses the run.",
            NO_UNIT,
            True,
            strict=True,
        ),
    ]


class CeilingsBody(RequestModel):
    """The confirmation that the ceilings are to be raised."""

    is_confirmed: Annotated[Literal[True], described("Must be true.", NO_UNIT, True)]

    @field_validator("is_confirmed", mode="before")
    @classmethod
    def _refuse_all_but_true(cls, value: object) -> object:
        if value is not True:
            raise RefusedError("http.command.ceilings_unconfirmed", field="is_confirmed")
        return value


class CommandAnswer(Answer):
    """State of the run after a command."""

    state: State
    reason: Reason
    message: MessageField
    run_id: RunField
    relay_on: RelayField


class StartAnswer(Answer):
    """A run has begun. The rig is checked first, then the relay turns on."""

    run_id: Annotated[str, described("Name of the new run.", NO_UNIT, "20260314-091500-7")]


class StopAnswer(Answer):
    """What Stop did. The relay was switched off before anything else."""

    relay_on: Annotated[
        bool | None,
        described(
            "Whether the relay output still reads on; null when it cannot be read.", NO_UNIT, False
        ),
    ]
    state: Annotated[
        RunState | None,
        described(
            "Newest known state; null before the loop's first report.",
            NO_UNIT,
            RunState.STOPPED.value,
        ),
    ]
    loop_alive: Annotated[bool, described("Whether the control loop is alive.", NO_UNIT, True)]
    off_at_s: Annotated[
        float | None,
        described(
            "Monotonic time at which the relay had been turned off, on the clock of the status; "
            "null when that failed.",
            "s",
            48211.25,
        ),
    ]
    message: Annotated[
        str,
        described(
            "What was done and what to do now.", NO_UNIT, "The relay is off. Stop was pressed."
        ),
    ]
