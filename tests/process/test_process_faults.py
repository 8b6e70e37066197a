"""Faults around the bench, and how the run ends in each.

A part of a pass fails, the bus does not answer, the disk does not write, the process is frozen,
short of memory or killed. The process turns the relay off wherever it can. Only completed passes
feed the watchdog. The run comes back interrupted, with its charge and a stated bound.
"""

from __future__ import annotations

import os
import resource
import signal
import socket
import sqlite3
import threading
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from contextlib import closing, contextmanager, suppress
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.error import HTTPError
from urllib.request import urlopen

import pytest

from controller.assembly import Assembly, assemble
from controller.config import parse_settings
from controller.logbook.logbook import Logbook
from controller.messages import RunState, Sample
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.running.loop import Board
from controller.safety.run import new_run
from hardware.clock import SystemClock, SystemPacer, ThreadBeat
from hardware.rehearsal.spec import RehearsalSpec
from hardware.relay import RelayGate
from hardware.rig import Rig, build_rehearsal_rig
from tests.kits.daemon_child import Process, serving
from tests.kits.doubles import RecordingPin, silver_request

S = RunState
HANG_S = 60.0
"""A limit on hanging, not a speed."""


class BrokenError(Exception):
    """What no part of the program expects."""


def broken(*_arguments: Any, **_named: Any) -> Any:
    raise BrokenError("broken for the test")


class Stage:
    """The controller and its onlookers around a rehearsal rig. A part can break in mid-run."""

    def __init__(self, directory: Path) -> None:
        settings = parse_settings(
            {"rig": {"dead_man_pin": "GPIO22", "lamp_pin": "GPIO23", "second_output_pin": "GPIO24"}}
        )
        self.rig: Rig = build_rehearsal_rig(settings, RehearsalSpec())
        self.logbook = Logbook(directory / "book.sqlite", self.rig.clock)
        self.logbook.work()
        self.feedings: list[float] = []
        self.heart = SystemClock()
        self.journal = Journal(RunRecorder(), self.logbook, self.rig.clock, settings)
        self.board = Board(self.heart, self.feedings.append)
        self.assembly: Assembly = assemble(
            self.rig,
            settings,
            board=self.board,
            followers=(self.journal,),
            new_run_id=self.logbook.new_run_id,
        )

    @property
    def supervisor(self) -> Any:
        return self.assembly.supervisor

    @property
    def relay_level(self) -> int:
        """The level of the pin itself, past the gate."""
        return int(self.rig.devices[0].value)

    def run_for(self, seconds: float) -> None:
        until_s = self.rig.clock.monotonic_s() + seconds
        self.assembly.loop.run(lambda: self.rig.clock.monotonic_s() >= until_s)

    def steps(self, count: int) -> None:
        for _ in range(count):
            self.assembly.loop.step()
            self.rig.pacer.wait_until(self.rig.clock.monotonic_s() + 0.02)

    def running(self) -> None:
        self.steps(80)
        started = self.assembly.loop.submit(lambda: self.supervisor.start(self.new_run()))
        self.steps(1)
        started.result(timeout=0)
        self.steps(200)
        assert self.supervisor.state is S.RUNNING
        assert self.relay_level == 1

    def new_run(self) -> Any:
        service = self.assembly.service
        return new_run(
            self.logbook.new_run_id(), service.plan(silver_request()), service.settings.limits
        )


@pytest.fixture
def stage(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
    stage = Stage(tmp_path)
    stage.running()
    yield stage
    monkeypatch.undo()
    stage.logbook.finish()


# --- a part that raises what nobody expects -------------------------------------------------------

Part = Callable[[Stage], tuple[object, str]]

IN_THE_PASS: dict[str, Part] = {
    "the sensor": lambda stage: (stage.rig.sensor, "poll"),
    "the latch": lambda stage: (stage.rig.gate, "standing_request"),
    "the guards": lambda stage: (type(stage.supervisor.run), "judge"),
    "the counting": lambda stage: (type(stage.supervisor.run), "count"),
    "the target": lambda stage: (type(stage.supervisor.run), "has_reached_target"),
    "the dead-man output": lambda stage: (type(stage.rig.dead_man), "pulse"),
}
"""Parts without which a pass is not complete."""


@pytest.mark.parametrize("part", IN_THE_PASS)
@pytest.mark.parametrize("error", [BrokenError, MemoryError])
def test_failing_pass_trips(
    stage: Stage, part: str, error: type[Exception], monkeypatch: pytest.MonkeyPatch
) -> None:
    """A part of the pass that raises trips the run and does not feed the watchdog."""

    def fails(*_arguments: Any, **_named: Any) -> Any:
        raise error("broken for the test")

    owner, name = IN_THE_PASS[part](stage)
    monkeypatch.setattr(owner, name, fails)
    fed = len(stage.feedings)
    while stage.supervisor.state is S.RUNNING:
        before = len(stage.feedings)
        stage.steps(1)
    assert len(stage.feedings) == before, "the pass that failed is no sign of life"
    assert len(stage.feedings) <= fed + 6, "at most the passes until the next conversion"
    assert stage.supervisor.state is S.TRIPPED
    assert stage.supervisor.finding.reason == "controller_fault"
    assert error.__name__ in str(stage.supervisor.message)
    assert stage.relay_level == 0
    stage.steps(100)
    assert stage.relay_level == 0


def test_unreadable_output_ends_loop(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    """An output that cannot be read ends the loop with the relay off."""
    monkeypatch.setattr(stage.rig.gate, "reads_on", broken)
    fed = len(stage.feedings)
    with pytest.raises(BrokenError):
        stage.run_for(5.0)
    assert stage.relay_level == 0
    assert len(stage.feedings) == fed


def test_unswitchable_output_starves_watchdog(
    stage: Stage, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Nothing inside can turn this relay off.

    The service manager kills the process and forces the pin low.
    """
    monkeypatch.setattr(stage.rig.devices[0], "off", broken)
    monkeypatch.setattr(stage.rig.sensor, "poll", broken)
    fed = len(stage.feedings)
    for _ in range(200):
        stage.assembly.loop.step()
        with suppress(
            BrokenError
        ):  # the age watch's own try; on the Pi it has a thread that outlives that
            stage.rig.pacer.wait_until(stage.rig.clock.monotonic_s() + 0.02)
    assert stage.supervisor.state is S.TRIPPED
    assert len(stage.feedings) == fed
    assert stage.board.snapshot is not None
    assert stage.board.snapshot.relay_on, "and the page shows the truth"


ROUND_THE_PASS: dict[str, Part] = {
    "the snapshot": lambda _stage: ("controller.running.loop.take_snapshot", ""),
    "the wall clock": lambda stage: (type(stage.rig.clock), "utc_now"),
    "the thermometer": lambda stage: (type(stage.rig.thermometer), "latest_degc"),
    "the watchdog's feeding": lambda stage: (stage.board, "_on_beat"),
    "the pacer": lambda stage: (stage.rig.pacer, "wait_until"),
}
"""Parts without which the loop cannot go on: it ends, and the service manager starts it again."""


@pytest.mark.parametrize("part", ROUND_THE_PASS)
def test_failing_loop_ends_off(stage: Stage, part: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """A part of the loop that raises ends it with the relay off."""
    owner, name = ROUND_THE_PASS[part](stage)
    if isinstance(owner, str):
        monkeypatch.setattr(owner, broken)
    else:
        monkeypatch.setattr(owner, name, broken)
    with pytest.raises(BrokenError):
        stage.run_for(5.0)
    assert stage.relay_level == 0


ONLOOKERS: dict[str, Part] = {
    "lamp and buzzer": lambda stage: (stage.rig.followers[0], "follow"),
    "the second contactor": lambda stage: (stage.rig.followers[1], "follow"),
    "the journal": lambda stage: (stage.journal, "follow"),
    "the logbook's queue": lambda stage: (stage.logbook._room, "put"),
    "the logbook": lambda stage: (stage.logbook, "put"),
    "the recorder": lambda stage: (RunRecorder, "sample"),
}


@pytest.mark.parametrize("part", ONLOOKERS)
def test_onlooker_fails_alone(stage: Stage, part: str, monkeypatch: pytest.MonkeyPatch) -> None:
    """An onlooker that raises leaves the run, the count and the watchdog alone."""
    owner, name = ONLOOKERS[part](stage)
    monkeypatch.setattr(owner, name, broken)
    fed, before = len(stage.feedings), stage.supervisor.run.counter.charge_coulombs
    stage.steps(200)
    assert stage.supervisor.state is S.RUNNING
    assert len(stage.feedings) == fed + 200
    assert stage.supervisor.run.counter.charge_coulombs > before + 5.0


def test_failing_command_spares_run(stage: Stage) -> None:
    """A command that raises is answered with its error, and the run goes on."""
    failing = stage.assembly.loop.submit(broken)
    stage.steps(1)
    with pytest.raises(BrokenError):
        failing.result(timeout=0)
    stage.steps(50)
    assert stage.supervisor.state is S.RUNNING


# --- a bus that does not answer -------------------------------------------------------------------


class WedgingBus:
    """3 A on the machine's own clock, until a transaction does not come back."""

    range_a = 16.0

    def __init__(self, clock: SystemClock, gate: RelayGate) -> None:
        self._clock = clock
        self._gate = gate
        self.good = 0
        self.is_wedged = threading.Event()
        self.is_freed = threading.Event()

    def poll(self) -> Sample:
        if self._gate.reads_on():
            self.good += 1
        if self.good > 20:
            self.is_wedged.set()
            self.is_freed.wait(HANG_S)
        current_a, voltage_v = (3.0, 2.8) if self._gate.reads_on() else (0.0, 0.2)
        return Sample(
            self._clock.monotonic_s(), current_a, voltage_v, saturated=False, averaged=True
        )

    def look_again(self) -> None:
        pass


class NotingPin(RecordingPin):
    """Sets an event when it goes from high to low."""

    def __init__(self) -> None:
        super().__init__()
        self.fell = threading.Event()

    def off(self) -> None:
        was = self.value
        super().off()
        if was:
            self.fell.set()


def test_hanging_bus_is_cut(
    tmp_path: Path,
) -> None:
    """A bus call that never returns: off comes from beside the loop, and the watchdog starves.

    The loop's thread is stuck for good, as in a wedged I2C transaction. Clock, pacer, gate and age
    watch are the Pi's own.
    """
    settings = parse_settings({"limits": {"max_sample_age_s": 0.3}})
    clock, pin = SystemClock(), NotingPin()
    gate = RelayGate(pin)
    bus = WedgingBus(clock, gate)
    rig = replace(
        build_rehearsal_rig(settings, RehearsalSpec()),
        clock=clock,
        pacer=SystemPacer(clock),
        beat=ThreadBeat(clock),
        gate=gate,
        sensor=bus,
        followers=(),
        thermometer=None,
    )
    feedings: list[float] = []
    assembly = assemble(rig, settings, board=Board(clock, feedings.append), new_run_id=lambda: "r1")
    loop = threading.Thread(target=assembly.loop.run, name="loop", daemon=True)
    loop.start()
    try:
        assembly.service.start(silver_request())
        assert bus.is_wedged.wait(HANG_S)
        fed = len(feedings)
        assert pin.fell.wait(HANG_S), "the relay stayed on while the loop was stuck"
        assert pin.value == 0
        assert len(feedings) == fed
        assert assembly.service.relay_reads_on() is False
    finally:
        bus.is_freed.set()
        assembly.loop.end()
        loop.join(HANG_S)
    assert not loop.is_alive()
    assert assembly.supervisor.state in (S.TRIPPED, S.INTERRUPTED)


def test_stuck_bus_trips_daemon(tmp_path: Path) -> None:
    """A stuck bus trips the run of a whole daemon, and the loop lives on."""
    with serving(tmp_path, 30.0, "--fault", "bus_stuck@10") as process:
        process.start()
        tripped = process.until(lambda status: status["state"] == "tripped")
        assert tripped["reason"] in ("sensor_stale", "sensor_fault")
        assert not tripped["relay_on"]
        status, out, _ = process.end(signal.SIGTERM)
    assert status == 0
    assert "the relay output reads off" in out


# --- a disk that does not write -------------------------------------------------------------------


@contextmanager
def locked(path: Path) -> Iterator[None]:
    """Hold the logbook for writing, as another program or a disk that hangs might."""
    with closing(sqlite3.connect(path, isolation_level=None)) as other:
        other.execute("PRAGMA busy_timeout = 10000")
        other.execute("BEGIN IMMEDIATE")
        yield
        other.execute("ROLLBACK")


def reports_failure(status: dict[str, Any]) -> bool:
    return "cannot be written" in (status["logbook_message"] or "")


def test_run_outlasts_locked_logbook(
    tmp_path: Path,
) -> None:
    """The run goes on while the logbook is locked, reports that and loses nothing."""
    with serving(tmp_path, 10.0) as process:
        process.running()
        with locked(tmp_path / "biteclock.sqlite"):
            failing = process.until(reports_failure)
            later = process.until(
                lambda status: status["charge_coulombs"] > failing["charge_coulombs"] + 30.0
            )
            assert later["state"] == "running"
            assert later["relay_on"]
        process.until(lambda status: status["logbook_message"] is None)
        status, _, _ = process.end(signal.SIGTERM)
        assert status == 0
    with closing(sqlite3.connect(tmp_path / "biteclock.sqlite")) as book:
        assert book.execute("PRAGMA quick_check").fetchall() == [("ok",)]
        seconds = [row[0] for row in book.execute("SELECT elapsed_s FROM means ORDER BY elapsed_s")]
        kept_coulombs = book.execute("SELECT charge_coulombs FROM progress").fetchone()[0]
    assert seconds == list(range(seconds[0], seconds[0] + len(seconds))), "the curve has no hole"
    assert len(seconds) > later["on_time_s"]
    assert kept_coulombs >= later["charge_coulombs"]


def test_locked_logbook_can_trip(tmp_path: Path) -> None:
    """A locked logbook ends the run if the configuration asks for that."""
    config = tmp_path / "biteclock.toml"
    config.write_text('[logbook]\nwhen_full = "trip"\n')
    with serving(tmp_path, 10.0, "--config", str(config)) as process:
        process.running()
        with locked(tmp_path / "biteclock.sqlite"):
            tripped = process.until(lambda status: status["state"] == "tripped")
            assert tripped["reason"] == "store_full"
            assert not tripped["relay_on"]


# --- a process that is frozen, starved, killed ----------------------------------------------------


@contextmanager
def service_manager(directory: Path) -> Iterator[tuple[socket.socket, dict[str, str]]]:
    """Listen as systemd does; yield the socket and the environment of the service.

    Source: sd_notify(3).
    """
    path = directory / "notify"
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as listening:
        listening.bind(str(path))
        listening.settimeout(HANG_S)
        yield listening, {"NOTIFY_SOCKET": str(path), "WATCHDOG_USEC": "200000"}


def drained(listening: socket.socket) -> list[bytes]:
    """Take what has come, without waiting."""
    got = []
    listening.setblocking(False)
    try:
        while True:
            got.append(listening.recv(256))
    except BlockingIOError:
        return got
    finally:
        listening.settimeout(HANG_S)


def test_frozen_process_starves_watchdog(
    tmp_path: Path,
) -> None:
    """A frozen process feeds no watchdog, and the kill that follows keeps the charge."""
    with (
        service_manager(tmp_path) as (listening, environment),
        serving(tmp_path, 4.0, environment=environment) as process,
    ):
        # The first pass, which proves the relay off, comes before the ready message.
        assert (
            next(
                word
                for word in iter(lambda: listening.recv(256), None)
                if not word.startswith((b"WATCHDOG=1", b"FDSTORE"))
            )
            == b"READY=1"
        )
        seen = process.running(20.0)
        assert set(drained(listening)) == {b"WATCHDOG=1"}
        assert listening.recv(256) == b"WATCHDOG=1", "it goes on being fed"
        os.kill(process.pid, signal.SIGSTOP)
        os.waitid(os.P_PID, process.pid, os.WSTOPPED | os.WNOWAIT)
        drained(listening)
        listening.settimeout(1.0)  # five times the watchdog's time
        with pytest.raises(TimeoutError):
            listening.recv(256)
        os.kill(process.pid, signal.SIGKILL)  # as WatchdogSignal= in the unit does
        assert process.ended()[0] == -signal.SIGKILL
    assert_comes_back_interrupted(tmp_path, seen)


def test_thawed_process_feeds_watchdog(tmp_path: Path) -> None:
    """A process that thaws feeds the watchdog again."""
    with (
        service_manager(tmp_path) as (listening, environment),
        serving(tmp_path, environment=environment) as process,
    ):
        process.until(lambda status: bool(status["logbook_ready"]))
        os.kill(process.pid, signal.SIGSTOP)
        os.waitid(os.P_PID, process.pid, os.WSTOPPED | os.WNOWAIT)
        drained(listening)
        os.kill(process.pid, signal.SIGCONT)
        assert listening.recv(256) == b"WATCHDOG=1"
        status, _, _ = process.end(signal.SIGTERM)
        assert status == 0
        assert b"STOPPING=1" in drained(listening)


def assert_comes_back_interrupted(state_directory: Path, seen: dict[str, Any]) -> None:
    """Start again; the run that was seen is interrupted and off, with its charge and a bound."""
    with serving(state_directory, 4.0) as again:
        back = again.until(lambda status: status["state"] == "interrupted")
        assert back["run_id"] == seen["run_id"]
        assert not back["relay_on"]
        # 2 s at 3 A: a checkpoint comes every second and takes up to a second to the disk.
        assert back["uncertain_charge_coulombs"] == pytest.approx(6.0, rel=0.02)
        assert (
            seen["charge_coulombs"] - back["charge_coulombs"] <= back["uncertain_charge_coulombs"]
        )
        assert "may be missing" in back["message"]


def test_process_without_memory(tmp_path: Path) -> None:
    """The kernel gives it no further page.

    Requests may fail. The run goes on or is off, Stop is taken, and the process ends in order.
    """
    with serving(tmp_path, 10.0) as process:
        process.running(15.0)
        size_bytes = address_space_bytes(process)
        resource.prlimit(process.pid, resource.RLIMIT_AS, (size_bytes, size_bytes))
        with ThreadPoolExecutor(16) as people:
            answers = list(people.map(lambda _number: answer_of(process), range(64)))
        assert 500 in answers, "nothing failed: the test starves nobody"
        status = process.client.get("/api/status")
        assert status["state"] in ("running", "tripped")
        assert status["relay_on"] == (status["state"] == "running")
        assert process.client.post("/api/stop")["relay_on"] is False
        ended, out, _ = process.end(signal.SIGTERM)
    assert ended == 0
    assert "the relay output reads off" in out


def address_space_bytes(process: Process) -> int:
    lines = Path(f"/proc/{process.pid}/status").read_text().splitlines()
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith("VmSize"))


def answer_of(process: Process) -> int:
    try:
        with urlopen(f"{process.address}api/rig-check", timeout=HANG_S) as answer:
            return int(answer.status)
    except HTTPError as error:
        with error:
            return error.code


def test_kill_while_paused(tmp_path: Path) -> None:
    """A kill while no current flows leaves no charge uncertain."""
    with serving(tmp_path, 10.0) as process:
        process.running()
        process.client.post("/api/pause")
        paused = process.until(
            lambda status: status["state"] == "paused" and status["current_a"] == 0.0
        )
        process.until(
            lambda status: status["at_s"] > paused["at_s"] + 10.0
        )  # a second of real time for the disk
        process.kill()
    with serving(tmp_path, 10.0) as again:
        back = again.until(lambda status: status["state"] == "interrupted")
        assert back["uncertain_charge_coulombs"] == 0.0
        assert back["charge_coulombs"] == pytest.approx(paused["charge_coulombs"], abs=0.5)
        assert not back["relay_on"]
