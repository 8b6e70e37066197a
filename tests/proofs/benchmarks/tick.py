"""Rows 1, 3 and their growth: a pass of the control loop, and whole rehearsals."""

from __future__ import annotations

import socket
import tempfile
from collections.abc import Callable
from pathlib import Path

# getrusage counts in steps of 4 ms, too coarse here.
from time import thread_time  # noqa: TID251
from typing import Any

from adafruit_ina219 import INA219
from adafruit_register.i2c_struct import ROUnaryStruct, UnaryStruct
from gpiozero import DigitalOutputDevice

from api.cli.rehearsal.rehearse import rehearse
from api.main import Rehearsal, rehearsal_spec, rig_range_a
from controller.assembly import Assembly, assemble
from controller.config import Settings, parse_settings
from controller.logbook.logbook import Logbook
from controller.messages import RunState
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.running.loop import Board
from controller.safety.run import new_run
from hardware.clock import SystemClock, VirtualClock
from hardware.notify import ServiceNotifier
from hardware.rehearsal.rig import RehearsalRig
from hardware.rig import Rig, build_rehearsal_rig
from tests.proofs.benchmarks.table import Line, Place, compared, grown, interleaved, single

POLL_S = 0.02
SLOW_CORE = 10.0
"""How many times slower a Pi Zero's core is than a desktop machine's, roughly."""

PLATE = PlanRequest(
    metal="fine-silver", area_mm2=767.0, depth_mm=0.25, current_a=3.0, thickness_mm=1.2
)
"""Ten minutes at 3 A. Source: common practice, no source."""

LONG_PLATE = PlanRequest(
    metal="fine-silver", area_mm2=15340.0, depth_mm=0.25, current_a=3.0, thickness_mm=1.2
)
"""The same at a twentieth of the current density: 200 minutes."""

PANEL = {
    "lamp_pin": "GPIO22",
    "buzzer_pin": "GPIO23",
    "second_output_pin": "GPIO27",
    "dead_man_pin": "GPIO24",
    "stop_button_pin": "GPIO5",
}


def used_s() -> float:
    """Return the processor time of this thread, s: what else the machine does is not in it."""
    return thread_time()


class _Chip(INA219):  # type: ignore[misc]
    """The registers that the sensor reads, by the driver alone."""

    configuration = UnaryStruct(0x00, ">H")
    shunt = ROUnaryStruct(0x01, ">h")
    bus = ROUnaryStruct(0x02, ">H")
    power = ROUnaryStruct(0x03, ">H")


class BareDriver:
    """The driver alone, polled at the same pace and reading the same registers; relay on."""

    def __init__(self, request: PlanRequest) -> None:
        settings = Settings()
        plan = make_plan(request, settings, rig_range_a(settings))
        self.clock = VirtualClock()
        self.bench = RehearsalRig(rehearsal_spec(plan, Rehearsal(), settings), self.clock)
        self._relay = DigitalOutputDevice(
            settings.rig.relay_pin, pin_factory=self.bench.pin_factory
        )
        self._relay.on()
        self._chip = _Chip(self.bench.bus, settings.rig.i2c_address)
        # 16 V, 320 mV, bus once, shunt averaged over 128, continuous.
        # Source: TI SBOS448, configuration register.
        self._chip.configuration = 3 << 11 | 0b0011 << 7 | 0b1111 << 3 | 7

    def poll(self) -> None:
        if self._chip.bus & 2:
            _ = self._chip.shunt, self._chip.configuration, self._chip.power
        self.clock.advance(POLL_S)


class RunningLoop:
    """A whole controller in the middle of a run.

    :param complete: with panel, dead-man output, notifier and logbook queue as a daemon has them.
    """

    def __init__(self, request: PlanRequest, folder: Path | None = None) -> None:
        settings = Settings() if folder is None else parse_settings({"rig": PANEL})
        self.plan = make_plan(request, settings, rig_range_a(settings))
        self.rig: Rig = build_rehearsal_rig(
            settings, rehearsal_spec(self.plan, Rehearsal(), settings)
        )
        self.logbook: Logbook | None = None
        board, followers = Board(SystemClock()), list[Any]()
        if folder is not None:
            self._manager = socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM)
            self._manager.bind(str(folder / "notify"))
            board = Board(SystemClock(), ServiceNotifier(str(folder / "notify"), 2.5).alive)
            self.logbook = Logbook(folder / "book.sqlite", self.rig.clock)
            self.logbook.work()
            followers.append(Journal(RunRecorder(), self.logbook, self.rig.clock, settings))
        self.assembly: Assembly = assemble(
            self.rig, settings, board=board, followers=followers, new_run_id=lambda: "bench"
        )
        self._clock: VirtualClock = self.rig.clock  # type: ignore[assignment]
        self.polls(50)
        self.assembly.supervisor.start(new_run("bench", self.plan, settings.limits))
        self.polls(150)
        assert self.assembly.supervisor.state is RunState.RUNNING, self.assembly.supervisor.state

    def polls(self, count: int) -> None:
        step, advance = self.assembly.loop.step, self._clock.advance
        for _ in range(count):
            step()
            advance(POLL_S)

    def write_down(self) -> None:
        """Let the logbook's thread do its work, outside what is measured."""
        if self.logbook is not None:
            self.logbook.work()


def _timed(work: Callable[[], None], polls: int) -> float:
    """Return microseconds of processor time per poll."""
    began_s = used_s()
    work()
    return (used_s() - began_s) / polls * 1e6


def tick(quick: bool) -> list[Line]:
    polls, repetitions = (1000, 5) if quick else (2000, 25)
    bare, ours = BareDriver(LONG_PLATE), RunningLoop(LONG_PLATE)

    def read() -> None:
        for _ in range(polls):
            bare.poll()

    def ticks() -> None:
        ours.polls(polls)

    read(), ticks()
    pairs = interleaved(lambda: _timed(ticks, polls), lambda: _timed(read, polls), repetitions)
    lines = [
        compared(
            1,
            "control tick on the emulated chip",
            pairs,
            "us a poll",
            "bare driver, same registers",
            Place(3.0),
        )
    ]
    with tempfile.TemporaryDirectory() as name:
        whole = RunningLoop(LONG_PLATE, Path(name))

        def complete() -> None:
            whole.polls(polls)

        whole.write_down()
        complete()
        took_us = []
        for _ in range(repetitions):
            whole.write_down()
            took_us.append(_timed(complete, polls))
            assert whole.assembly.supervisor.state is RunState.RUNNING
        share = [us * SLOW_CORE / (POLL_S * 1e6) * 100.0 for us in took_us]
        assert whole.logbook is not None
        whole.logbook.finish()
    lines.append(
        single(1, "complete tick: panel, dead-man, notify, logbook queue", took_us, "us a poll")
    )
    place = Place(5.0, of_figure=True, unit="%")
    lines.append(
        single(
            1,
            f"the same on a core {SLOW_CORE:g} times slower",
            share,
            "% of the poll period",
            place,
        )
    )
    return [*lines, _tick_growth(quick)]


def _tick_growth(quick: bool) -> Line:
    sizes = [30.0, 300.0, 3000.0] if quick else [60.0, 600.0, 6000.0]
    costs = []
    for _ in range(2 if quick else 3):
        took_s = []
        for run_s in sizes:
            loop = RunningLoop(LONG_PLATE)
            began_s = used_s()
            loop.polls(round(run_s / POLL_S))
            took_s.append(used_s() - began_s)
            assert loop.assembly.supervisor.state is RunState.RUNNING
        costs.append(took_s)
    return grown("row 1: seconds of run", sizes, costs, "processor s", 1.1)


def rehearsal(quick: bool) -> list[Line]:
    clock, settings = SystemClock(), Settings()
    by_clock, by_processor = [], []
    rehearse(PLATE, Rehearsal(), settings)
    for seed in range(3 if quick else 15):
        at_s, at_used_s = clock.monotonic_s(), used_s()
        result = rehearse(PLATE, Rehearsal(seed=seed), settings)
        took_s, took_used_s = clock.monotonic_s() - at_s, used_s() - at_used_s
        assert result.outcome == "finished", result.message
        by_clock.append((result.elapsed_s / took_s, 1.0))
        by_processor.append((result.elapsed_s / took_used_s, 1.0))
    bare, polls = BareDriver(LONG_PLATE), 2000 if quick else 10000

    def read() -> None:
        for _ in range(polls):
            bare.poll()

    alone = [POLL_S * 1e6 / _timed(read, polls) for _ in range(3 if quick else 15)]
    place = Place(2000.0, is_least=True)
    return [
        single(
            3,
            "driver alone on the emulated chip, polled as often: no controller",
            alone,
            "s a second",
        ),
        compared(
            3,
            "ten-minute run, whole chip and cell model",
            by_clock,
            "s a second",
            "real time",
            place,
        ),
        compared(3, "the same by processor time", by_processor, "s a second", "real time"),
    ]
