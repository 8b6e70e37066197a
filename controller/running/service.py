"""The commands that people can give, from any thread.

Commands go through the mailbox of the loop. Stop goes straight to the gate.
"""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import TimeoutError as FutureTimeoutError
from typing import TypeVar

from controller.config import Settings
from controller.errors import LateCommandError, LoopNotAliveError, WrongStateError
from controller.messages import EventKind, OffRequest, Snapshot, Source
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.ports import Calculate, Clock, Gate, calculate_here
from controller.recording.baths import BathShelf
from controller.running.loop import ControlLoop
from controller.running.orders import Order, refuse_other_run
from controller.running.plate_commands import PlateCommands
from controller.running.plate_readings import PlateReadings
from controller.safety.checks import CheckReport
from controller.safety.run import new_run
from controller.safety.supervisor import Supervisor
from controller.texts import Message

ANSWER_S = 3.0
"""Longest wait for the answer to a command, s: longer than two stuck bus transactions."""

SILENT_S = 3.0
"""A loop that completed no pass for this long, s, is not alive."""

Answer = TypeVar("Answer")


class BenchService:
    """The commands of the rig.

    :param not_ready: returns why nothing may start yet (the logbook is being checked), or None.
    :param new_run_id: names the next run.
    :param shelf: baths and readings, or None where there is no logbook.
    :param calculate: calls what takes long, in another process where there is one.
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
        not_ready: Callable[[], Message | None],
        new_run_id: Callable[[], str],
        shelf: BathShelf | None = None,
        calculate: Calculate = calculate_here,
    ) -> None:
        self.settings = settings
        self._loop = loop
        self._supervisor = supervisor
        self._gate = gate
        self._clock = clock
        self._sensor_range_a = sensor_range_a
        self._not_ready = not_ready
        self._new_run_id = new_run_id
        self._plate = PlateCommands(supervisor, clock)
        self._calculate = calculate
        self.shelf = shelf
        self.readings: PlateReadings | None = None
        if shelf is not None:
            self.readings = PlateReadings(self._plate, shelf, clock, settings, self._ask)

    def snapshot(self) -> Snapshot:
        """Return the newest snapshot. Raises: LoopNotAliveError."""
        silent_s = self._loop.board.silent_s()
        snapshot = self._loop.board.snapshot
        if snapshot is None:
            raise LoopNotAliveError("run.loop.first_pass")
        if silent_s > SILENT_S:
            raise LoopNotAliveError("run.loop.silent", silent_s=silent_s, limit_s=SILENT_S)
        return snapshot

    def plan(self, request: PlanRequest) -> RunPlan:
        """Return the plan for a request. Raises: RefusedError."""
        knowledge = None if self.shelf is None else self.shelf.knowledge(request)
        return self._calculate(make_plan, request, self.settings, self._sensor_range_a, knowledge)

    def asked_off(self) -> int:
        """Return the number of the newest request for off. It cancels the starts before it."""
        return self._gate.newest_request()

    def start(
        self,
        request: PlanRequest,
        order: Order | None = None,
        is_wanted: Callable[[], bool] = lambda: True,
    ) -> str:
        """Start a run and return its id. A Stop since the order arrived prevents it.

        :param is_wanted: asked after the planning, whether somebody still waits for the answer.
        Raises: RefusedError, WrongStateError, LateCommandError, OtherRunError, LoopNotAliveError.
        """
        asked_off = self._asked_off_at(order)
        self._refuse_unready()
        run = new_run(self._new_run_id(), self.plan(request), self.settings.limits)
        _refuse_unwanted(is_wanted)
        self._obey(self._unless_stopped(lambda: self._supervisor.start(run), asked_off), order)
        return run.run_id

    def pause(self, order: Order | None = None) -> None:
        """Turn off and keep the run. Raises: WrongStateError, LoopNotAliveError."""
        self._obey(self._supervisor.pause, order)

    def resume(
        self, order: Order | None = None, is_wanted: Callable[[], bool] = lambda: True
    ) -> None:
        """Carry on with a paused or interrupted run. A Stop since the order arrived prevents it.

        :param is_wanted: returns whether somebody still waits for the answer.
        Raises: WrongStateError, LateCommandError, OtherRunError, LoopNotAliveError.
        """
        asked_off = self._asked_off_at(order)
        _refuse_unwanted(is_wanted)
        self._obey(self._unless_stopped(self._supervisor.resume, asked_off), order)

    def acknowledge(self, order: Order | None = None) -> None:
        """Acknowledge a trip or an ended run. Raises: WrongStateError, LoopNotAliveError."""
        self._obey(self._supervisor.acknowledge, order)

    def lifted(self, order: Order | None = None) -> None:
        """Note that the plate is out and rinsed. Raises: WrongStateError, LoopNotAliveError."""
        self._obey(self._plate.lifted, order)

    def left_in(self, order: Order | None = None) -> None:
        """Note that the plate is in the bath. Raises: WrongStateError, LoopNotAliveError."""
        self._obey(self._plate.left_in, order)

    def first_look(self, *, is_well: bool, order: Order | None = None) -> None:
        """Take the answer to the first look; a bad one pauses the run.

        Raises: WrongStateError, LoopNotAliveError.
        """
        self._obey(lambda: self._plate.first_look(is_well=is_well), order)

    def raise_ceilings(self, order: Order | None = None) -> None:
        """Raise the ceilings to match the present belief.

        Raises: WrongStateError, LoopNotAliveError.
        """
        self._obey(self._plate.raise_ceilings, order)

    def stop(self, run_id: str | None = None) -> float:
        """Turn the relay off now; the loop then ends the run. Never waits.

        It is refused for one reason only: it names a run that has ended since the daemon started.
        A name that nobody knows stops whatever is on the rig.

        Returns the monotonic time at which it had been turned off, s.

        Raises: OtherRunError.
        """
        board = self._loop.board
        if run_id is not None and board.snapshot is not None and board.has_ended(run_id):
            refuse_other_run(run_id, board.snapshot.run_id)
        self._gate.revoke(OffRequest.STOP)
        return self._clock.monotonic_s()

    def note_stop(self, source: Source) -> None:
        """Record who pressed Stop, once the run has ended by it. Waits for nothing.

        Raises: LoopNotAliveError.
        """
        self._loop.submit(
            self._as(
                source,
                lambda: self._supervisor.note(
                    Message("supervisor.command.stop_came"), EventKind.COMMAND
                ),
            )
        )

    def relay_reads_on(self) -> bool:
        """Return the level that the relay output reads back."""
        return self._gate.reads_on()

    def check(self) -> CheckReport | None:
        """Return the rig check with the relay off, or None while there are too few samples."""
        return self._ask(self._supervisor.report_check)

    def _asked_off_at(self, order: Order | None) -> int:
        """Return the number of the newest request for off when an order arrived."""
        if order is None or order.asked_off is None:
            return self.asked_off()
        return order.asked_off

    def _unless_stopped(self, action: Callable[[], None], asked_off: int) -> Callable[[], None]:
        """Return the action, refused when nothing may start or after a newer request for off."""

        def act() -> None:
            self._refuse_unready()
            if self._gate.newest_request() != asked_off:
                raise WrongStateError("run.loop.stopped_meanwhile")
            action()

        return act

    def _obey(self, action: Callable[[], None], order: Order | None) -> None:
        """Carry out a command on the loop's thread, unless it is late or for another run.

        Raises: LateCommandError, OtherRunError, and as ``_ask`` and the action.
        """
        if order is None:
            self._ask(action)
            return

        def act() -> None:
            order.refuse_late(self._loop.board.now_s())
            run = self._supervisor.run
            order.refuse_other(None if run is None else run.run_id)
            self._as(order.source, action)()

        self._ask(act)

    def _as(self, source: Source | None, action: Callable[[], None]) -> Callable[[], None]:
        """Return the action, whose events name its source."""

        def act() -> None:
            self._supervisor.source = source
            try:
                action()
            finally:
                self._supervisor.source = None

        return act

    def _refuse_unready(self) -> None:
        why = self._not_ready()
        if why is not None:
            raise WrongStateError(why.key, **why.values)

    def _ask(self, action: Callable[[], Answer]) -> Answer:
        future = self._loop.submit(action)
        try:
            answer: Answer = future.result(timeout=ANSWER_S)
        except FutureTimeoutError:
            future.cancel()
            raise LoopNotAliveError("run.loop.no_answer", limit_s=ANSWER_S) from None
        return answer


def _refuse_unwanted(is_wanted: Callable[[], bool]) -> None:
    """Refuse to turn on for somebody who has gone. Raises: LateCommandError."""
    if not is_wanted():
        raise LateCommandError("run.refused.client_gone")
