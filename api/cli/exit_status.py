"""Exit statuses of the commands that etch, by the state in which the run ended."""

from __future__ import annotations

from controller.messages import RunState

EXIT_STATUS = {
    RunState.FINISHED: 0,
    RunState.STOPPED: 3,
    RunState.PAUSED: 3,
    RunState.INTERRUPTED: 3,
    RunState.TRIPPED: 4,
}
