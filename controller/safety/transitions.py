"""Which command is accepted in which state.

``stop`` is not in the table. It is a request to the relay gate, accepted in every state.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from controller.errors import WrongStateError
from controller.messages import RunState
from controller.texts import Message


class Command(StrEnum):
    """What a person may ask for, besides Stop."""

    START = "start"
    PAUSE = "pause"
    RESUME = "resume"
    ACKNOWLEDGE = "acknowledge"


ACCEPTED_IN: Mapping[Command, frozenset[RunState]] = {
    Command.START: frozenset({RunState.IDLE, RunState.FINISHED, RunState.STOPPED}),
    Command.PAUSE: frozenset({RunState.RUNNING}),
    Command.RESUME: frozenset({RunState.PAUSED, RunState.INTERRUPTED}),
    Command.ACKNOWLEDGE: frozenset({RunState.TRIPPED, RunState.FINISHED, RunState.STOPPED}),
}
"""The states in which each command is accepted; in all others it is refused."""

STOP_ENDS = frozenset({RunState.CHECKING, RunState.RUNNING, RunState.PAUSED, RunState.INTERRUPTED})
"""The states that Stop changes to ``stopped``.

In all others the relay is already off, and the state does not change.
"""

AT_WORK = frozenset({RunState.CHECKING, RunState.RUNNING})
"""The states that a sensor fault ends."""


def require(command: Command, state: RunState) -> None:
    """Raise WrongStateError when the state refuses a command. The error names what is possible."""
    if state in ACCEPTED_IN[command]:
        return
    raise WrongStateError(
        "supervisor.refused.command",
        command=command.value,
        state=state.value,
        possible=Message(f"supervisor.possible.{state.value}"),
    )
