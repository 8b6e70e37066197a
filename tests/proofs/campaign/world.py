"""One rig in virtual time, and one controller process after another on it.

Driver, gate, loop, logbook and restorer are the shipped ones.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable, Sequence
from concurrent.futures import Future
from datetime import UTC, datetime
from functools import partial
from pathlib import Path
from typing import Any
from uuid import UUID

from controller.assembly import Assembly, assemble
from controller.errors import RefusedError, WrongStateError
from controller.logbook.logbook import Logbook
from controller.messages import OffRequest, Snapshot
from controller.physics.readings import GaugeReading
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.recording.restore import Restorer
from controller.recording.store_watch import StoreWatch
from controller.running.loop import Board
from controller.running.plate_commands import PlateCommands
from controller.safety.outbox import Began, OutboxItem
from controller.safety.run import new_run
from hardware.clock import VirtualClock
from hardware.rehearsal.rig import RehearsalRig
from hardware.rig import RehearsalThermometer, Rig, _relay, _sensor, sensor_range_a
from tests.proofs.campaign.attachments import Flood, PowerCutError, WatchedSensor
from tests.proofs.campaign.disk import Disk, check_book
from tests.proofs.campaign.draw import Deed, Scenario
from tests.proofs.campaign.people import Person
from tests.proofs.campaign.watch import Watch

UTC_0 = datetime(2031, 3, 4, 10, 0, tzinfo=UTC)

BEFORE_START_S = 0.6
"""Time from the beginning of the first process to the first start, s."""

SETTLED_S = 7.0
"""The bench is watched for this long after a run: until the record of it is complete."""

FLOOD_S = 8.0


class World:
    """RehearsalRig, clock, file and the present process.

    :param directory: for the logbook; a new one for each run.
    """

    def __init__(self, scenario: Scenario, directory: Path) -> None:
        self.scenario = scenario
        rng = scenario.rng("world")
        self.clock = VirtualClock(UTC_0, rng.uniform(1e4, 2e5))
        self._boot_ids = iter(UUID(int=rng.getrandbits(128)).hex for _ in range(99))
        self.clock._boot_id = next(self._boot_ids)
        self.bench = RehearsalRig(scenario.spec, self.clock, scenario.faults)
        self.watch = Watch(scenario, self.clock, self.bench)
        self._pin = self.bench.pin_factory.pin(scenario.settings.rig.relay_pin)
        self._bench_watcher = self._pin.watcher
        self._pin.watcher = self._on_edge
        self.path = directory / "log-0.sqlite"
        self._files = 0
        self.start_at_s = self.clock.monotonic_s() + BEFORE_START_S
        self.end_at_s = self.start_at_s + scenario.longest_s
        self.deeds = [Deed(0.0, "start"), *scenario.deeds]
        self.pending: list[tuple[str, Future[Any]]] = []
        self.person = Person(self, scenario.rng("people"))
        self.book_is_trusted = True
        self.is_ending = False
        self._late_s = 0.0
        self.disk = Disk(self)
        self._down_s = 0.0
        self._turned_up = list(scenario.turned_up)
        self.boot()

    # --- a process -------------------------------------------------------------------------------

    def boot(self) -> None:
        """Begin a process as the daemon does, server aside."""
        scenario, clock, watch = self.scenario, self.clock, self.watch
        settings = scenario.settings
        relay, gate = _relay(settings.rig, self.bench.pin_factory)
        sensor = WatchedSensor(_sensor(settings.rig, lambda: self.bench.bus, clock), watch)
        thermometer = RehearsalThermometer(self.bench) if scenario.has_thermometer else None
        range_a = sensor_range_a(settings.rig)
        rig = Rig(
            kind="rehearsal",
            clock=clock,
            pacer=self,
            beat=clock,
            gate=gate,
            sensor=sensor,  # type: ignore[arg-type]
            range_a=range_a,
            followers=(),
            thermometer=thermometer,
            devices=(relay,),
            model=self.bench,
        )
        self.relay, self.gate = relay, gate
        self.logbook = Logbook(self.path, clock, busy_timeout_s=0.0)
        self.disk.due_s = clock.monotonic_s()
        recorder = RunRecorder()
        self.flood = Flood(clock)
        self.assembly: Assembly = assemble(
            rig,
            settings,
            board=Board(clock),
            followers=(Journal(recorder, self.logbook, clock, settings), self, self.flood, watch),
            not_ready=lambda: self.restorer.not_ready(),
            new_run_id=self.logbook.new_run_id,
        )
        self.supervisor, self.loop = self.assembly.supervisor, self.assembly.loop
        self.plate = PlateCommands(self.supervisor, clock)
        self.restorer = Restorer(self.supervisor, self.logbook, recorder, clock, settings, range_a)
        self.loop.add_follower(self.restorer)
        if settings.logbook.when_full == "trip":
            self.loop.add_follower(StoreWatch(self.supervisor, self.logbook, clock))
        watch.attach(self.supervisor)
        self._arm()

    def _arm(self) -> None:
        """Let acts of other threads happen at their exact times, even during a bus call."""
        for deed in [
            deed for deed in self.deeds if deed.what in ("stop", "stop_button", "shutdown")
        ]:
            self.deeds.remove(deed)
            delay_s = self.start_at_s + deed.at_s - self.clock.monotonic_s()
            self.at(max(1e-3, delay_s), partial(self._from_outside, deed))

    def at(self, delay_s: float, action: Callable[[], None]) -> None:
        """Call ``action`` once after ``delay_s`` (> 0), wherever the clock is moved just then."""
        done: list[bool] = []

        def once(_now_s: float) -> None:
            if not done:
                done.append(True)
                action()

        self.clock.every(delay_s, once)

    def _from_outside(self, deed: Deed) -> None:
        if deed.what == "shutdown":
            self._down_s = deed.size
            self.loop.end()
            self.watch.must(
                "stop", not self.watch.is_on, "the end of the service left the relay on"
            )
            return
        self.gate.revoke(OffRequest.STOP if deed.what == "stop" else OffRequest.STOP_BUTTON)
        self.watch.must("stop", not self.watch.is_on, f"{deed.what} left the relay on")

    def run(self) -> None:
        """Live through the whole scenario."""
        while True:
            try:
                self.loop.run(self._is_over)
            except PowerCutError:
                self._lose_power()
            else:
                self._close()
                if self.is_ending or self._down_s == 0.0:
                    return
                self.clock.advance(self._down_s)
            self._down_s = 0.0
            self.boot()

    def _close(self) -> None:
        """The process ends in good order."""
        self.disk.heal()
        self.logbook.finish()
        self.watch.at_end(self.supervisor.run)
        check_book(self)
        self._put_away()

    def _lose_power(self) -> None:
        """Only what is on the disk stays; the pin falls."""
        self.disk.free_lock()
        self.watch.late_s = 0.0
        self._files += 1
        target = self.path.with_name(f"log-{self._files}.sqlite")
        for ending in ("", "-wal"):
            source = self.path.with_name(self.path.name + ending)
            if source.exists():
                shutil.copy(source, target.with_name(target.name + ending))
        self.logbook._keeper.close()
        self.path = target
        if (
            self.logbook.health().failing_since_at_s is not None
            or self.disk.stalled_until_s > self.clock.monotonic_s()
        ):
            self.watch.exempt_charge.add("cut while the logbook failed")
        self._put_away()
        self.clock._boot_id = next(self._boot_ids)
        self.clock.advance(self._down_s)

    def _put_away(self) -> None:
        self.clock._beats.clear()
        self.clock._next_beat_s = float("inf")
        self.relay.close()
        self.pending.clear()
        self._late_s = 0.0

    # --- the loop's pacer ------------------------------------------------------------------------

    def wait_until(self, deadline_s: float) -> None:
        """Between two passes: look, work the logbook, do what is due; then let the time pass."""
        self._answers()
        self.watch.after_pass()
        now_s = self.clock.monotonic_s()
        self.disk.work(now_s)
        while self.deeds and self.start_at_s + self.deeds[0].at_s <= now_s:
            self._do(self.deeds.pop(0), now_s)
        self.person.look(now_s)
        late_s, self._late_s = self._late_s, 0.0
        self.clock.advance(max(0.0, deadline_s - now_s) + late_s)

    def _is_over(self) -> bool:
        now_s = self.clock.monotonic_s()
        left_at_s = self.person.left_at_s
        if now_s > self.end_at_s and not self.is_ending:
            self.is_ending = True
            self.loop.end()
        if self.person.is_content and not self.deeds and not self.pending and left_at_s is not None:
            self.is_ending = self.is_ending or now_s > left_at_s + SETTLED_S
            return self.is_ending
        return False

    def _on_edge(self, high: bool) -> None:
        first = high and not self.watch.on_edges_s
        self.watch.pin(high)
        if self._bench_watcher is not None:
            self._bench_watcher(high)
        if first:
            for at_s, factor in self._turned_up:
                self.at(at_s, partial(self._turn_up, at_s, factor))

    def _turn_up(self, at_s: float, factor: float) -> None:
        """Somebody turns the supply's knob; not always by enough to break the limit."""
        self.bench.truth()
        supply, plan = self.bench._circuit.supply, self.scenario.plan
        wanted_a = plan.current_a * factor
        set_v = min(30.0, self.bench.spec.set_point_v(wanted_a))
        supply.turn_to(
            set_v if supply.limit_a is None else max(supply.voltage_v, 1.1 * set_v),
            supply.limit_a and wanted_a,
        )
        run = self.supervisor.run
        if run is not None:
            current_a = (
                self.bench._circuit.operating_point(self.clock.monotonic_s()).shunt_a
                * self.watch.scale
            )
            self.watch.turned_enough[at_s] = current_a > self.watch.oracle.surely_over_a(run.limits)

    # --- what is due -----------------------------------------------------------------------------

    def follow(self, _snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        """Hang the plate of each new run."""
        for item in outbox:
            if isinstance(item, Began):
                self.bench.hang(self.scenario.spec)

    def submit(self, command: str) -> None:
        """Give a command through the loop's mailbox, as the service does."""
        action = self._action(command)
        self.pending.append((command, self.loop.submit(action)))

    def _action(self, command: str) -> Callable[[], Any]:
        supervisor, plate, service = self.supervisor, self.plate, self.assembly.service
        if command == "start":
            run = new_run(
                self.logbook.new_run_id(), self.scenario.plan, self.scenario.settings.limits
            )
            return service._unless_stopped(lambda: supervisor.start(run), service.asked_off())
        if command == "resume":
            return service._unless_stopped(supervisor.resume, service.asked_off())
        if command == "reading":
            return self._reading
        return {
            "pause": supervisor.pause,
            "acknowledge": supervisor.acknowledge,
            "lifted": plate.lifted,
            "left_in": plate.left_in,
            "raise_ceilings": plate.raise_ceilings,
            "first_look_well": lambda: plate.first_look(is_well=True),
            "first_look_bad": lambda: plate.first_look(is_well=False),
        }[command]

    def _reading(self) -> None:
        """Gauge the plate, within 2 %."""
        run = self.supervisor.run
        if run is None or self.bench.true_depth_mm < 1e-4:
            raise WrongStateError("nothing to gauge")
        spots = tuple(
            self.bench.true_depth_mm * (1.0 + self.person.rng.gauss(0.0, 0.02)) for _ in range(3)
        )
        reading = GaugeReading(run.counter.charge_coulombs, spots, resolution_mm=1e-3)
        self.plate.believe(run.run_id, [reading], lambda: None)

    def _answers(self) -> None:
        for command, future in self.pending:
            self.watch.must("answers", future.done(), f"{command} was not answered within one pass")
            if not future.done():
                continue
            error = future.exception()
            if error is None:
                self.watch.accepted(command)
            else:
                self.watch.must(
                    "answers",
                    isinstance(error, WrongStateError | RefusedError),
                    f"{command} raised {error!r}",
                )
        self.pending.clear()

    def _do(self, deed: Deed, now_s: float) -> None:
        if deed.what == "power_cut":
            self._down_s = deed.size
            raise PowerCutError
        if deed.what == "jump_utc":
            self.clock.jump_utc(deed.size)
        elif deed.what == "late":
            self._late_s += deed.size
        elif deed.what == "stall":
            self.disk.stalled_until_s = now_s + deed.size
        elif deed.what == "flood":
            self.flood.fails_until_s = now_s + deed.size
        elif deed.what == "slow_follower":
            self.flood.slow_s, self.flood.slow_until_s = deed.size, now_s + FLOOD_S
        elif deed.what == "full":
            self.disk.fill(now_s + deed.size)
        elif deed.what == "locked":
            self.disk.lock(now_s + deed.size)
        else:
            self.submit(deed.what)
