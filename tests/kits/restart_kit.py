"""One controller process after another on one bench: real logbook and loop, scripted sensor."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from uuid import uuid4

from controller.config import Settings
from controller.logbook.entries import ReadingKind, ReadingTaken
from controller.logbook.logbook import Logbook
from controller.logbook.reader import LogbookReader
from controller.logbook.stored_readings import readings_that_stand
from controller.messages import RunState
from controller.planning.request import PlanRequest
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.recording.restore import Restorer
from controller.running.loop import Board, ControlLoop
from controller.running.plate_commands import PlateCommands
from controller.safety.age_watch import AgeWatch, Freshness
from controller.safety.run import ActiveRun, new_run
from controller.safety.supervisor import Supervisor
from hardware.clock import LockstepPacer, VirtualClock
from hardware.relay import RelayGate
from tests.kits.doubles import POLL_S, RecordingPin, ScriptedSensor, plan_for
from tests.kits.logbook_kit import UTC_0, closed_in_the_end

RUN_ID = "r1"
CURRENT_A = 3.1
"""What flows, a little more than the 3 A of the plan."""


class WarmBath:
    """A thermometer that reads just above the temperature that warns."""

    def latest_degc(self) -> float:
        return 36.0


class Workshop:
    """A bench, its logbook file and the present process.

    :param path: of the logbook.
    """

    def __init__(self, path: Path) -> None:
        self.path = path
        self.clock = VirtualClock(UTC_0, start_s=20_000.0)
        self.gate = RelayGate(RecordingPin())
        self.sensor = ScriptedSensor(self.clock, self.gate, lambda _now_s: (CURRENT_A, 3.0))
        self.settings = Settings()
        self.boot()

    def boot(self) -> None:
        """Begin a process, as the daemon does."""
        clock, gate, settings = self.clock, self.gate, self.settings
        freshness = Freshness(clock.monotonic_s())
        watch = AgeWatch(gate, freshness, settings.limits.max_sample_age_s)
        clock.every(settings.loop.age_check_s, watch.check)
        self.supervisor = Supervisor(
            clock=clock,
            sensor=self.sensor,
            gate=gate,
            freshness=freshness,
            settings=settings,
            thermometer=WarmBath(),
        )
        self.logbook = closed_in_the_end(Logbook(self.path, clock, busy_timeout_s=0.0))
        recorder = RunRecorder()
        self.restorer = Restorer(
            self.supervisor, self.logbook, recorder, clock, settings, self.sensor.range_a
        )
        self.loop = ControlLoop(
            supervisor=self.supervisor,
            gate=gate,
            clock=clock,
            pacer=LockstepPacer(clock),
            period_s=POLL_S,
            board=Board(clock),
            followers=(Journal(recorder, self.logbook, clock, settings), self.restorer),
        )
        self.plate = PlateCommands(self.supervisor, clock)

    @property
    def run(self) -> ActiveRun:
        """The present run."""
        assert self.supervisor.run is not None
        return self.supervisor.run

    @property
    def now_s(self) -> float:
        """The present time."""
        return self.clock.monotonic_s()

    def step(self) -> None:
        """Make one pass, and write what it left to write."""
        self.loop.step()
        self.logbook.work()
        self.clock.advance(POLL_S)

    def run_for(self, seconds: float) -> None:
        """Make passes for so long."""
        for _ in range(round(seconds / POLL_S)):
            self.step()

    def until(self, state: RunState, within_s: float = 1000.0) -> None:
        """Make passes until the bench is in that state."""
        for _ in range(round(within_s / POLL_S)):
            if self.supervisor.state is state:
                return
            self.step()
        raise AssertionError(f"still {self.supervisor.state} after {within_s} s")

    def start(self, request: PlanRequest) -> None:
        """Start a run and wait for the relay."""
        self.start_checking(request)
        self.until(RunState.RUNNING)

    def start_checking(self, request: PlanRequest) -> None:
        """Start a run and have it written down."""
        plan = plan_for(request, self.settings, self.sensor.range_a)
        self.supervisor.start(new_run(RUN_ID, plan, self.settings.limits))
        self.step()

    def gauge(self, depth_mm: float, charge_coulombs: float) -> None:
        """Keep a gauge reading and learn from it."""
        body = {"charge_coulombs": charge_coulombs, "spots_mm": [depth_mm, depth_mm]}
        reading = ReadingTaken(
            uuid4().hex, RUN_ID, ReadingKind.GAUGE, self.clock.utc_now(), None, body
        )
        self.logbook.put(reading)
        self.logbook.work()
        stored = LogbookReader(self.path).run(RUN_ID).readings
        self.plate.believe(RUN_ID, readings_that_stand(stored), lambda: None)

    def crash(self, away_s: float, settings: Settings | None = None) -> None:
        """Kill the process without a word; begin another after a while, with other settings."""
        self._die()
        self._pass_time(away_s)
        self.settings = settings or self.settings
        self.boot()
        self._settle()

    def cut_power(
        self,
        away_s: float,
        settings: Settings | None = None,
        *,
        is_utc_set: bool = True,
        utc_lag_s: float = 0.0,
    ) -> None:
        """Cut the power: the monotonic time begins again, and the wall clock may be behind."""
        self._die()
        self._pass_time(away_s)
        old = self.clock
        utc = old.utc_now() - timedelta(seconds=utc_lag_s)
        self.clock = self.sensor.clock = VirtualClock(utc, start_s=50.0)
        self.clock.utc_is_set = is_utc_set
        self.sensor._next_at_s += self.now_s - old.monotonic_s()
        self.settings = settings or self.settings
        self.boot()
        self._settle()

    def close(self) -> None:
        """End the process in good order."""
        self.logbook.finish()

    def _die(self) -> None:
        self.logbook._keeper.close()
        self.clock._beats.clear()
        self.clock._next_beat_s = float("inf")
        self.gate.turn_off()

    def _pass_time(self, seconds: float) -> None:
        """Let time pass without a process; the chip goes on converting."""
        for _ in range(round(seconds / POLL_S)):
            self.sensor.poll()
            self.clock.advance(POLL_S)

    def _settle(self) -> None:
        """Make the first pass of a process: the run is back afterwards."""
        self.logbook.work()
        self.step()
