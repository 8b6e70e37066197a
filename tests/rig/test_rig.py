"""The rig of a real Pi, on a kernel and a chip of our own: the pins' levels at each moment of a
run.
"""

from __future__ import annotations

import signal
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from itertools import pairwise
from types import SimpleNamespace
from typing import Any

import pytest

from api.main import Daemon, machine_board
from controller.assembly import Assembly, assemble
from controller.config import Settings, parse_settings
from controller.errors import RefusedError, WrongStateError
from controller.messages import OffRequest, RunState
from controller.planning.plan import make_plan
from controller.ports import ENDING_SIGNALS
from controller.safety.run import new_run
from hardware import rig as rig_module
from hardware.clock import LockstepPacer, VirtualClock
from hardware.rig import Rig, build_pi_rig
from tests.kits.doubles import silver_request
from tests.kits.message_kit import raises_message
from tests.kits.pi.fake_pi import (
    BUTTON,
    BUZZER,
    DEAD_MAN,
    FLOWING_A,
    LAMP,
    RELAY,
    RIG,
    SECOND,
    FakePi,
)

POLL_S = 0.02
WAKEUP_FD = 99


@dataclass
class Beats:
    """Stands for ThreadBeat: its beats come from the virtual clock, a signal by hand."""

    clock: VirtualClock
    wakeup_fd: int | None = None
    on_signal: Callable[[int], None] = lambda _number: None
    periods_s: list[float] = field(default_factory=list)

    def every(self, period_s: float, callback: Callable[[float], None]) -> None:
        self.periods_s.append(period_s)
        self.clock.every(period_s, callback)


class Station:
    """The rig that build_pi_rig makes, with the controller around it, in virtual time."""

    def __init__(self, patch: pytest.MonkeyPatch, rig: dict[str, object] | None = None) -> None:
        self.clock = VirtualClock()
        self.pi = FakePi(self.clock)
        self.pi.install(patch)
        self.levels = self.pi.kernel.level
        patch.setattr(rig_module, "SystemClock", lambda: self.clock)
        patch.setattr(rig_module, "SystemPacer", LockstepPacer)
        patch.setattr(rig_module, "ThreadBeat", Beats)
        self.rig: Rig | None = None
        self.settings: Settings = parse_settings({"rig": RIG if rig is None else rig})

    def build(self) -> Rig:
        self.rig = build_pi_rig(self.settings, WAKEUP_FD)
        return self.rig

    def close(self) -> None:
        """Give the pins back while this kernel is still there."""
        for device in () if self.rig is None else self.rig.devices:
            if device is not None:
                device.close()

    def assembled(self) -> tuple[Rig, Assembly]:
        self.assembly = assemble(
            self.build(), self.settings, board=machine_board(), new_run_id=lambda: "r"
        )
        return self.rig, self.assembly

    def run_for(self, seconds: float, also: Callable[[], None] = lambda: None) -> None:
        for _ in range(round(seconds / POLL_S)):
            self.assembly.loop.step()
            also()
            self.rig.pacer.wait_until(self.clock.monotonic_s() + POLL_S)

    def start(self) -> None:
        plan = make_plan(silver_request(), self.settings, self.rig.range_a)
        self.assembly.supervisor.start(new_run("r", plan, self.settings.limits))

    def running(self) -> tuple[Rig, Assembly]:
        rig, assembly = self.assembled()
        self.run_for(1.0)
        self.start()
        self.run_for(3.0)
        assert assembly.supervisor.state is RunState.RUNNING
        return rig, assembly


@pytest.fixture
def make_station(monkeypatch: pytest.MonkeyPatch) -> Iterator[Callable[..., Station]]:
    made: list[Station] = []

    def make(rig: dict[str, object] | None = None) -> Station:
        made.append(Station(monkeypatch, rig))
        return made[-1]

    yield make
    for station in made:
        station.close()


def press(station: Station) -> None:
    """Push the button to ground; the time is the kernel's, which gpiozero compares with its own."""
    station.pi.kernel.drive_input(BUTTON, 0, 1_000_000_000)


def test_every_pin_starts_low(make_station: Callable[..., Station]) -> None:
    """A killed process left them all high; each is claimed low in one step, the relay's before all
    others.
    """
    station = make_station()
    assert set(station.levels.values()) == {1}
    station.build()
    assert [station.levels[line] for line in (RELAY, DEAD_MAN, LAMP, BUZZER, SECOND)] == [0] * 5
    claims = [call for call in station.pi.kernel.calls if call[0] in ("output", "write")]
    assert claims[0][:2] == ("output", RELAY)
    assert not [call for call in claims if call[2] != 0], "none is driven high on the way"
    assert station.levels[4] == 1, "no other pin is touched"
    assert [
        number for number in station.pi.kernel.chips if not station.pi.kernel.untouched(number)
    ] == [0]


def test_pins_through_a_whole_run(make_station: Callable[..., Station]) -> None:
    """Idle, running and stopped by SIGTERM, on the real driver: levels as the wiring guide wants
    them.
    """
    station = make_station()
    rig, assembly = station.assembled()
    station.run_for(1.0)
    assert assembly.supervisor.last_sample is not None, "the real driver has read the chip"
    assert [station.levels[line] for line in (RELAY, SECOND, LAMP, BUZZER)] == [0, 0, 0, 0]

    station.start()
    dead_man: list[int] = []
    station.run_for(5.0, lambda: dead_man.append(station.levels[DEAD_MAN]))
    assert assembly.supervisor.state is RunState.RUNNING
    assert [station.levels[line] for line in (RELAY, SECOND, LAMP, BUZZER)] == [1, 1, 1, 0]
    assert assembly.supervisor.last_sample.current_a == pytest.approx(FLOWING_A, rel=1e-3)
    edges = sum(a != b for a, b in pairwise(dead_man))
    # A pulse for each conversion of 68.6 ms while the relay is on.
    on_time_s = assembly.supervisor.run.total_on_time_s(station.clock.monotonic_s())
    assert 3.5 < on_time_s < 5.0
    assert edges == pytest.approx(on_time_s / 0.0686, rel=0.1)

    rig.beat.on_signal(signal.SIGTERM)  # type: ignore[attr-defined]
    assert station.levels[RELAY] == 0, "before the loop's next pass"
    assert rig.gate.standing_request()[0] is OffRequest.SHUTDOWN  # type: ignore[index]
    station.run_for(1.0, lambda: dead_man.append(station.levels[DEAD_MAN]))
    assert assembly.supervisor.state is RunState.INTERRUPTED
    assert len(set(dead_man[-20:])) == 1, "the dead-man output rests"
    assert station.levels[RELAY] == 0


@pytest.mark.parametrize("number", ENDING_SIGNALS)
def test_ending_signals_turn_off(make_station: Callable[..., Station], number: int) -> None:
    """Each signal that would end or stop the process turns off before the loop's next pass."""
    station = make_station({"relay_pin": "GPIO17"})
    rig, _ = station.running()
    rig.beat.on_signal(number)  # type: ignore[attr-defined]
    assert station.levels[RELAY] == 0
    assert rig.gate.standing_request()[0] is OffRequest.SHUTDOWN  # type: ignore[index]


def test_no_catchable_end_is_left_out() -> None:
    """Every signal that a program may be sent, apart from those named here, ends the daemon.

    Source: signal(7), table of standard signals and the section on real-time signals, which end a
    process by default.
    """
    no_handler = "KILL STOP"
    fault_of_the_program = "ILL TRAP ABRT BUS FPE SEGV SYS"
    python_ignores = "PIPE XFSZ"
    ends_nothing = "CHLD CONT URG WINCH"
    others = f"{no_handler} {fault_of_the_program} {python_ignores} {ends_nothing}"
    left_out = {signal.Signals[f"SIG{name}"] for name in others.split()}
    assert set(ENDING_SIGNALS) == signal.valid_signals() - left_out
    assert len(set(ENDING_SIGNALS)) == len(ENDING_SIGNALS)


@pytest.mark.parametrize("number", ENDING_SIGNALS)
def test_ending_signal_has_handler(number: int) -> None:
    """Python delivers each of them to a handler."""
    came: list[int] = []
    before = signal.signal(number, lambda number, _frame: came.append(number))
    try:
        signal.raise_signal(number)
    finally:
        signal.signal(number, before)
    assert came == [number]


def test_terminal_signals_end_once() -> None:
    """A daemon in the background writes to its terminal, whose ``tostop`` is set.

    The write raises SIGTTOU and is tried again for as long as a handler takes the signal. Source:
    termios(3), TOSTOP; PEP 475.
    """
    numbers = (signal.SIGTTIN, signal.SIGTTOU)
    before = [signal.getsignal(number) for number in numbers]
    ended: list[bool] = []
    loop = SimpleNamespace(end=lambda: ended.append(True))
    daemon: Any = SimpleNamespace(assembly=SimpleNamespace(loop=loop))
    try:
        Daemon._on_signal(daemon, signal.SIGTTOU, None)
        after = [signal.getsignal(number) for number in numbers]
    finally:
        for number, handler in zip(numbers, before, strict=True):
            signal.signal(number, handler)
    assert ended == [True]
    assert after == [signal.SIG_IGN] * 2


def test_signal_pipe_reaches_beat(make_station: Callable[..., Station]) -> None:
    """The age watch's beat looks at the descriptor that signals write to, and beats at the
    configured pace.
    """
    station = make_station()
    rig, _ = station.assembled()
    beat: Any = rig.beat
    assert beat.wakeup_fd == WAKEUP_FD
    assert beat.periods_s == [station.settings.loop.age_check_s]
    beat.on_signal(signal.SIGWINCH)
    assert rig.gate.standing_request() is None, "not every signal is an end"


def test_beat_cuts_stuck_bus(make_station: Callable[..., Station]) -> None:
    """The loop's thread blocks for 1.02 s in the bus; the relay is off in the middle of that."""
    station = make_station()
    station.running()
    changed_at_s: list[float] = []
    before = station.pi.kernel.before_change

    def watch(line: int, level: int) -> None:
        before(line, level)
        if line == RELAY and level == 0 and station.levels[RELAY] == 1:
            changed_at_s.append(station.clock.monotonic_s())

    station.pi.kernel.before_change = watch
    stuck_at_s = station.clock.monotonic_s()
    station.pi.wire.stick()
    station.assembly.loop.step()
    back_at_s = station.clock.monotonic_s()
    assert back_at_s - stuck_at_s > 1.0
    assert len(changed_at_s) == 1
    assert changed_at_s[0] < back_at_s
    assert station.levels[RELAY] == 0


def test_button_turns_off(make_station: Callable[..., Station]) -> None:
    """The button turns off at once."""
    station = make_station()
    rig, assembly = station.running()
    assert station.pi.kernel.header.pull_up[BUTTON], "a button to ground needs the pull-up"
    press(station)
    assert station.levels[RELAY] == 0, "before the loop's next pass"
    assert rig.gate.standing_request()[0] is OffRequest.STOP_BUTTON  # type: ignore[index]
    station.run_for(0.1)
    assert assembly.supervisor.state is RunState.STOPPED
    assert str(assembly.supervisor.message) == "The stop button was pressed."


def test_held_button_refuses(make_station: Callable[..., Station]) -> None:
    """The button was down before the program started: no edge comes, and no run starts."""
    station = make_station()
    station.assembled()
    station.levels[BUTTON] = 0
    station.run_for(1.0)
    with raises_message(WrongStateError, "supervisor.refused.stop_button_held"):
        station.start()
    station.levels[BUTTON] = 1
    station.start()
    station.run_for(3.0)
    assert station.levels[RELAY] == 1


def test_second_contactor_breaks_weld(make_station: Callable[..., Station]) -> None:
    """The relay's contact stays closed: the second contactor opens, the current ends, lamp and
    buzzer stay on.
    """
    station = make_station()
    _, assembly = station.running()
    station.pi.is_welded = True
    press(station)
    station.run_for(0.2)
    assert station.levels[SECOND] == 1, "not yet known"
    station.run_for(1.0)
    assert [station.levels[line] for line in (RELAY, SECOND, LAMP, BUZZER)] == [0, 0, 1, 1]
    assert assembly.supervisor.is_welded
    station.run_for(0.5)
    assert assembly.supervisor.last_sample is not None
    assert assembly.supervisor.last_sample.current_a == 0.0


def test_restart_leaves_weld_open(make_station: Callable[..., Station]) -> None:
    """The relay welded before the program started again: no current flows until a check begins.

    The check closes the second contactor, sees the weld, and opens it.
    """
    station = make_station()
    station.levels[SECOND] = station.levels[RELAY] = 0  # the pull-downs, while no program ran
    station.pi.is_welded = True
    closed: list[int] = []
    _, assembly = station.assembled()
    station.run_for(60.0, lambda: closed.append(station.levels[SECOND]))
    assert not any(closed)
    station.start()
    station.run_for(3.0, lambda: closed.append(station.levels[SECOND]))
    assert assembly.supervisor.is_welded
    assert 0.0 < sum(closed) * POLL_S < 0.6
    assert (station.levels[SECOND], station.levels[RELAY]) == (0, 0)


def test_relay_alone(make_station: Callable[..., Station]) -> None:
    """A rig with the relay alone works."""
    station = make_station({"relay_pin": "GPIO17"})
    station.levels[SECOND] = 1
    rig, _ = station.running()
    assert station.levels[RELAY] == 1
    assert {call[1] for call in station.pi.kernel.calls} == {RELAY}
    assert (rig.dead_man, rig.thermometer) == (None, None)


def test_the_bus_of_the_configuration(make_station: Callable[..., Station]) -> None:
    """A sensor on another bus than the configured one: a message with advice, and no start."""
    station = make_station({**RIG, "i2c_bus": 3})
    _, assembly = station.assembled()
    station.run_for(0.1)
    found = assembly.supervisor.sensor_finding
    assert found is not None
    assert "/dev/i2c-3 cannot be opened" in str(found.message)
    assert assembly.supervisor.last_sample is None


def test_taken_relay_pin_refused(make_station: Callable[..., Station]) -> None:
    """A relay pin that is taken."""
    station = make_station()
    station.pi.kernel.held_by_others.add(RELAY)
    with raises_message(RefusedError, "hardware.pins.relay_taken", pin="GPIO17") as refused:
        station.build()
    assert "GPIO busy" in str(refused.value.message.values["error"])
    assert refused.value.field == "relay_pin"
    assert station.pi.kernel.calls == [], "no other pin is touched"


def test_a_pi_without_its_chip(make_station: Callable[..., Station]) -> None:
    """Only chips that are not the header: refused, and none of their lines is touched."""
    station = make_station()
    kernel = station.pi.kernel
    del kernel.chips[0]
    with raises_message(RefusedError, "hardware.pins.absent") as refused:
        station.build()
    assert "can not open gpiochip" in str(refused.value.message.values["error"])
    assert kernel.calls == []
