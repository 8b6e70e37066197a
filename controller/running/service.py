"""What people can ask of the bench, from any thread: commands go through the loop's mailbox, Stop goes straight to the gate."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import TimeoutError as FutureTimeoutError
from typing import TypeVar

from controller.config import Settings
from controller.errors import LoopNotAliveError, WrongStateError
from controller.messages import OffRequest, Snapshot
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.ports import Clock, Gate
from controller.recording.baths import BathShelf
from controller.running.loop import ControlLoop
from controller.running.plate_commands import PlateCommands
from controller.running.plate_readings import PlateReadings
from controller.safety.checks import CheckReport
from controller.safety.run import new_run
from controller.safety.supervisor import Supervisor

ANSWER_S = 3.0
"""A command that the loop has not answered by then is given up, s: two stuck bus transactions and some."""

SILENT_S = 3.0
"""A loop that completed no pass for this long is not alive, s."""

Answer = TypeVar("Answer")


class BenchService:
    """The bench as its users see it.

    :param not_ready: returns why nothing may start yet (the logbook is being checked), or None.
    :param new_run_id: names the next run.
    :param shelf: baths and readings, or None where there is no logbook.
    """

    def __init__(
        self,
        *,
        loop: ControlLoop,
        supervisor: Supervisor,
        gate: Gate,
        clock: Clock,
        settings: Settings,
        sensor_range_a: float,
        not_ready: Callable[[], str | None],
        new_run_id: Callable[[], str],
        shelf: BathShelf | None = None,
    ) -> None:
        self.settings = settings
        self._loop = loop
        self._supervisor = supervisor
        self._gate = gate
        self._sensor_range_a = sensor_range_a
        self._not_ready = not_ready
        self._new_run_id = new_run_id
        self._plate = PlateCommands(supervisor, clock)
        self.shelf = shelf
        self.readings: PlateReadings | None = None
        if shelf is not None:
            self.readings = PlateReadings(self._plate, shelf, clock, settings, self._ask)

    def snapshot(self) -> Snapshot:
        """Return the newest snapshot. Raises: LoopNotAliveError."""
        silent_s = self._loop.board.silent_s()
        snapshot = self._loop.board.snapshot
        if snapshot is None:
            raise LoopNotAliveError(
                "the control loop has not made its first pass yet: ask again in a second"
            )
        if silent_s > SILENT_S:
            raise LoopNotAliveError(
                f"the control loop has been silent for {silent_s:.1f} s, the limit is {SILENT_S:.1f} s: "
                "look at the supply's own ammeter, then restart it"
            )
        return snapshot

    def plan(self, request: PlanRequest) -> RunPlan:
        """Return the plan for a request. Raises: RefusedError."""
        knowledge = None if self.shelf is None else self.shelf.knowledge(request)
        return make_plan(request, self.settings, self._sensor_range_a, knowledge)

    def asked_off(self) -> int:
        """Return the number of the newest request for off; a start that was asked for before it is refused."""
        return self._gate.newest_request()

    def start(self, request: PlanRequest, asked_off: int | None = None) -> str:
        """Start a run and return its id.

        :param asked_off: what ``asked_off`` returned when the start was asked for, or None for now.
        Raises: RefusedError, WrongStateError, LoopNotAliveError.
        """
        asked_off = self.asked_off() if asked_off is None else asked_off
        self._refuse_unready()
        run = new_run(self._new_run_id(), self.plan(request), self.settings.limits)
        self._ask(self._unless_stopped(lambda: self._supervisor.start(run), asked_off))
        return run.run_id

    def pause(self) -> None:
        """Turn off and keep the run. Raises: WrongStateError, LoopNotAliveError."""
        self._ask(self._supervisor.pause)

    def resume(self) -> None:
        """Go on with a paused or interrupted run. Raises: WrongStateError, LoopNotAliveError."""
        self._ask(self._unless_stopped(self._supervisor.resume))

    def acknowledge(self) -> None:
        """Take note of a trip or an ended run. Raises: WrongStateError, LoopNotAliveError."""
        self._ask(self._supervisor.acknowledge)

    def lifted(self) -> None:
        """The plate is out of the bath and rinsed. Raises: WrongStateError, LoopNotAliveError."""
        self._ask(self._plate.lifted)

    def left_in(self) -> None:
        """The plate hangs in the bath without current. Raises: WrongStateError, LoopNotAliveError."""
        self._ask(self._plate.left_in)

    def first_look(self, *, is_well: bool) -> None:
        """Take the answer to the first look; a bad one pauses. Raises: WrongStateError, LoopNotAliveError."""
        self._ask(lambda: self._plate.first_look(is_well=is_well))

    def raise_ceilings(self) -> None:
        """Set the ceilings anew from what is now believed. Raises: WrongStateError, LoopNotAliveError."""
        self._ask(self._plate.raise_ceilings)

    def stop(self) -> None:
        """Turn the relay off now, then let the loop end the run. Never refused, never waits for the loop."""
        self._gate.revoke(OffRequest.STOP)

    def relay_reads_on(self) -> bool:
        """Return the level that the relay output reads back."""
        return self._gate.reads_on()

    def check(self) -> CheckReport | None:
        """Return the rig check on the newest samples with the relay off, or None while there are too few."""
        return self._ask(self._supervisor.report_check)

    def _unless_stopped(
        self, action: Callable[[], None], asked_off: int | None = None
    ) -> Callable[[], None]:
        """Return the action for the mailbox: refused while nothing may start, and when Stop comes before its turn."""
        asked_at = self.asked_off() if asked_off is None else asked_off

        def act() -> None:
            self._refuse_unready()
            if self._gate.newest_request() != asked_at:
                raise WrongStateError(
                    "off was asked for meanwhile, so nothing was started: ask again"
                )
            action()

        return act

    def _refuse_unready(self) -> None:
        why = self._not_ready()
        if why is not None:
            raise WrongStateError(why)

    def _ask(self, action: Callable[[], Answer]) -> Answer:
        future = self._loop.submit(action)
        try:
            answer: Answer = future.result(timeout=ANSWER_S)
        except FutureTimeoutError:
            future.cancel()
            raise LoopNotAliveError(
                f"the control loop did not answer within {ANSWER_S:.0f} s: look at the supply's own ammeter, then restart it"
            ) from None
        return answer
