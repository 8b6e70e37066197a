"""Stop button, lamp, buzzer, dead-man output and second contactor, by gpiozero.

Every output is active high and off at first. Lamp and buzzer are the alarm that reaches people in
the workshop. Their patterns follow the time of the snapshots; gpiozero's blink and beep would start
threads on the machine's clock.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from enum import Enum
from typing import Protocol

from controller.messages import OffRequest, RunState, Snapshot
from controller.notices.two_minutes import TwoMinutes
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
"""Patterns by state. A welded relay lights it without pause."""


class Call(Enum):
    """What the buzzer says."""

    NOTHING = "nothing"
    TWO_MINUTES_LEFT = "two minutes left"
    LIFT_NOW = "lift now"
    COME = "come"
    REMINDER = "reminder"
    ALARM = "alarm"
    WELDED = "welded"


@dataclass(frozen=True, slots=True)
class Rhythm:
    """Beeps of one call.

    A beep of half a second is the shortest that a follower, called four times a second, can make.

    :param beats_s: lengths of sound and silence in turn, sound first, s.
    :param every_s: time from one beginning to the next, s; infinite for a call that comes once.
    """

    beats_s: tuple[float, ...]
    every_s: float

    @property
    def length_s(self) -> float:
        """Time from the first beep to the end of the last, s."""
        return sum(self.beats_s)

    def is_on(self, since_s: float) -> bool:
        """Return whether it sounds, so long after the call began."""
        left_s = since_s if math.isinf(self.every_s) else since_s % self.every_s
        for place, beat_s in enumerate(self.beats_s):
            if left_s < beat_s:
                return place % 2 == 0
            left_s -= beat_s
        return False


SHORT_S, LONG_S, REST_S = 0.5, 1.5, 0.5

BUZZER: Mapping[Call, Rhythm] = {
    Call.NOTHING: Rhythm((), math.inf),
    Call.TWO_MINUTES_LEFT: Rhythm((LONG_S, REST_S, SHORT_S, REST_S, SHORT_S), math.inf),
    Call.LIFT_NOW: Rhythm((LONG_S, REST_S, LONG_S), 6.0),
    Call.COME: Rhythm((SHORT_S, REST_S, SHORT_S, REST_S, SHORT_S), 6.0),
    Call.REMINDER: Rhythm((SHORT_S,), 10.0),
    Call.ALARM: Rhythm((SHORT_S,), 1.0),
    Call.WELDED: Rhythm((1.0,), 1.0),
}
"""A call ends when the person acknowledges, resumes, stops or reports the plate as lifted."""


def call_of(snapshot: Snapshot) -> Call:
    """Return what the buzzer says in a state. Two minutes left is an event and no state."""
    if snapshot.relay_welded:
        return Call.WELDED
    match snapshot.state:
        case RunState.TRIPPED:
            return Call.ALARM
        case RunState.INTERRUPTED:
            return Call.COME
        case RunState.PAUSED if snapshot.finding is not None:
            return Call.COME
        case RunState.PAUSED:
            is_stop = snapshot.gauge_stop_mm is not None and snapshot.in_bath_without_current
            return Call.LIFT_NOW if is_stop else Call.REMINDER
        case RunState.FINISHED if snapshot.in_bath_without_current:
            return Call.LIFT_NOW
    return Call.NOTHING


class Signals:
    """Lamp and buzzer, each optional."""

    def __init__(self, lamp: Output | None, buzzer: Output | None) -> None:
        self._lamp = lamp
        self._buzzer = buzzer
        self._two_minutes = TwoMinutes()
        self._two_minutes_at_s = -math.inf
        self._call = Call.NOTHING
        self._began_at_s = 0.0

    def follow(self, snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        """Set both to their levels at the snapshot's time."""
        if self._lamp is not None:
            pattern = STEADY if snapshot.relay_welded else LAMP[snapshot.state]
            _set(self._lamp, pattern.is_on(snapshot.at_s))
        call = self._call_now(snapshot)
        if call is not self._call:
            self._call, self._began_at_s = call, snapshot.at_s
        if self._buzzer is not None:
            _set(self._buzzer, BUZZER[call].is_on(snapshot.at_s - self._began_at_s))

    def _call_now(self, snapshot: Snapshot) -> Call:
        if self._two_minutes.has_come(snapshot):
            self._two_minutes_at_s = snapshot.at_s
        call = call_of(snapshot)
        is_called = snapshot.at_s - self._two_minutes_at_s < BUZZER[Call.TWO_MINUTES_LEFT].length_s
        return Call.TWO_MINUTES_LEFT if call is Call.NOTHING and is_called else call


def _set(output: Output, is_on: bool) -> None:
    if is_on:
        output.on()
    else:
        output.off()


class SecondContactor:
    """A contactor in series with the relay.

    It stays open until the first check begins, because a program that has just started knows of no
    weld. From then on it is energised while all is well, and released when the relay is found
    welded. Acknowledging does not close it again: the next check does, and opens it when the weld
    is still there.
    """

    def __init__(self, output: Output) -> None:
        self._output = output
        self._has_seen_check = False

    def follow(self, snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        """Release it when the relay is welded or may be, else keep it energised."""
        self._has_seen_check = self._has_seen_check or snapshot.state is RunState.CHECKING
        is_checked = snapshot.state in (RunState.CHECKING, RunState.RUNNING)
        may_be_welded = snapshot.weld_latched and not is_checked
        if not self._has_seen_check or snapshot.relay_welded or may_be_welded:
            self._output.off()
        else:
            self._output.on()


class PressedInput(Protocol):
    """What the stop button needs of gpiozero's Button."""

    @property
    def is_pressed(self) -> bool:
        """Whether the button is down now."""


class StopButtonLevel:
    """The level of the stop button's pin. The edge of a press goes to ``stop_on_press``."""

    def __init__(self, button: PressedInput) -> None:
        self._button = button

    def is_held(self) -> bool:
        """Return whether the button is down now."""
        return bool(self._button.is_pressed)


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
