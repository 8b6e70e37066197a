"""Stop button, lamp, buzzer, dead-man output and second contactor, by gpiozero.

Every output is active high and off at first. Lamp and buzzer are the alarm that reaches people in
the workshop. Their patterns follow the time of the snapshots; gpiozero's blink and beep would start
threads on the machine's clock.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Protocol

from controller.messages import OffRequest, RunState, Snapshot
from controller.ports import OffLatch
from controller.safety.outbox import OutboxItem


class Output(Protocol):
    """What the panel needs of gpiozero's DigitalOutputDevice."""

    value: int

    def on(self) -> None:
        """Drive the pin high."""

    def off(self) -> None:
        """Drive the pin low."""

    def toggle(self) -> None:
        """Drive the pin to the other level."""


@dataclass(frozen=True, slots=True)
class Pattern:
    """On for ``on_s`` at the start of each ``period_s``.

    Always off when ``on_s`` is 0, always on when it equals the period.
    """

    on_s: float
    period_s: float

    def is_on(self, at_s: float) -> bool:
        """Return whether the output is on at a monotonic time in s."""
        return at_s % self.period_s < self.on_s


OFF = Pattern(0.0, 1.0)
STEADY = Pattern(1.0, 1.0)
LAMP: Mapping[RunState, Pattern] = {
    RunState.IDLE: OFF,
    RunState.CHECKING: Pattern(1.0, 2.0),
    RunState.RUNNING: STEADY,
    RunState.PAUSED: Pattern(0.5, 1.0),
    RunState.FINISHED: Pattern(2.5, 3.0),
    RunState.STOPPED: OFF,
    RunState.TRIPPED: Pattern(0.25, 0.5),
    RunState.INTERRUPTED: Pattern(0.25, 0.5),
}
BUZZER: Mapping[RunState, Pattern] = {
    RunState.IDLE: OFF,
    RunState.CHECKING: OFF,
    RunState.RUNNING: OFF,
    RunState.PAUSED: Pattern(0.25, 10.0),
    RunState.FINISHED: Pattern(1.0, 5.0),
    RunState.STOPPED: OFF,
    RunState.TRIPPED: Pattern(0.5, 1.0),
    RunState.INTERRUPTED: Pattern(0.25, 10.0),
}
"""Patterns by state. A welded relay sounds without pause. A pattern ends when the person
acknowledges, resumes or stops."""


class Signals:
    """Lamp and buzzer, each optional."""

    def __init__(self, lamp: Output | None, buzzer: Output | None) -> None:
        self._lamp = lamp
        self._buzzer = buzzer

    def follow(self, snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        """Set both to their levels at the snapshot's time."""
        for output, patterns in ((self._lamp, LAMP), (self._buzzer, BUZZER)):
            if output is None:
                continue
            pattern = STEADY if snapshot.relay_welded else patterns[snapshot.state]
            if pattern.is_on(snapshot.at_s):
                output.on()
            else:
                output.off()


class SecondContactor:
    """A contactor in series with the relay.

    It is energised while all is well, and released when the relay is found welded. Acknowledging
    does not close it again: the next check does, and opens it when the weld is still there.
    """

    def __init__(self, output: Output) -> None:
        self._output = output

    def follow(self, snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        """Release it when the relay is welded or may be, else keep it energised."""
        is_checked = snapshot.state in (RunState.CHECKING, RunState.RUNNING)
        if snapshot.relay_welded or (snapshot.weld_latched and not is_checked):
            self._output.off()
        else:
            self._output.on()


class DeadManPulse:
    """The dead-man output. Its edges restart a timer in the coil supply.

    When they stop, the timer drops the relay.
    """

    def __init__(self, output: Output) -> None:
        self._output = output

    def pulse(self) -> None:
        """Change the level once."""
        self._output.toggle()


def stop_on_press(gate: OffLatch) -> Callable[[], None]:
    """Return the function that the stop button calls, on gpiozero's thread."""

    def pressed() -> None:
        gate.revoke(OffRequest.STOP_BUTTON)

    return pressed
