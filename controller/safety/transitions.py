"""States x commands as one table. ``stop`` is taken in every state, outside this table: it is a request to the relay gate."""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum

from controller.errors import WrongStateError
from controller.messages import RunState


class Command(StrEnum):
    """What a person may ask for, besides Stop."""

    START = "start"
    PAUSE = "pause"
    RESUME = "resume"
    ACKNOWLEDGE = "acknowledge"


TAKEN_IN: Mapping[Command, frozenset[RunState]] = {
    Command.START: frozenset({RunState.IDLE, RunState.FINISHED, RunState.STOPPED}),
    Command.PAUSE: frozenset({RunState.RUNNING}),
    Command.RESUME: frozenset({RunState.PAUSED, RunState.INTERRUPTED}),
    Command.ACKNOWLEDGE: frozenset({RunState.TRIPPED, RunState.FINISHED, RunState.STOPPED}),
}
"""The states in which each command is taken; in all others it is refused."""

STOP_ENDS = frozenset({RunState.CHECKING, RunState.RUNNING, RunState.PAUSED, RunState.INTERRUPTED})
"""The states that Stop changes to ``stopped``. In the others the relay is off already and the state stays."""

AT_WORK = frozenset({RunState.CHECKING, RunState.RUNNING})
"""The states that a sensor fault ends."""


def require(command: Command, state: RunState) -> None:
    """Raise WrongStateError when the state does not take the command, saying what it does take."""
    if state in TAKEN_IN[command]:
        return
    taken = [other.value for other in Command if state in TAKEN_IN[other]]
    if state in STOP_ENDS:
        taken.append("stop")
    raise WrongStateError(
        f"cannot {command.value} while {state.value}: {' or '.join(taken)} is possible now"
    )
