"""What people can ask of the bench, from any thread: commands go through the loop's mailbox, Stop goes straight to the gate."""

from __future__ import annotations

from collections.abc import Callable
from concurrent.futures import TimeoutError as FutureTimeoutError
from typing import TypeVar

from controller.checks import CheckReport
from controller.config import Settings
from controller.errors import LoopNotAliveError, WrongStateError
from controller.loop import ControlLoop
from controller.messages import OffRequest, Snapshot
from controller.plan import PlanRequest, RunPlan, make_plan
from controller.ports import Gate
from controller.run import new_run
from controller.supervisor import Supervisor

ANSWER_S = 3.0
"""A command that the loop has not answered by then is given up, s: two stuck bus transactions and some."""

SILENT_S = 3.0
"""A loop that completed no pass for this long is not alive, s."""

Answer = TypeVar("Answer")


class BenchService:
    """The bench as its users see it.

    :param not_ready: returns why nothing may start yet (the logbook is being checked), or None.
    :param new_run_id: names the next run.
    """

    def __init__(
        self,
        *,
        loop: ControlLoop,
        supervisor: Supervisor,
        gate: Gate,
        settings: Settings,
        sensor_range_a: float,
        not_ready: Callable[[], str | None],
        new_run_id: Callable[[], str],
    ) -> None:
        self.settings = settings
        self._loop = loop
        self._supervisor = supervisor
        self._gate = gate
        self._sensor_range_a = sensor_range_a
        self._not_ready = not_ready
        self._new_run_id = new_run_id

    def snapshot(self) -> Snapshot:
        """Return the newest snapshot. Raises: LoopNotAliveError."""
        silent_s = self._loop.board.silent_s()
        snapshot = self._loop.board.snapshot
        if snapshot is None:
            raise LoopNotAliveError("the control loop has not made its first pass yet: ask again in a second")
        if silent_s > SILENT_S:
            raise LoopNotAliveError(
                f"the control loop has been silent for {silent_s:.1f} s, the limit is {SILENT_S:.1f} s: "
                "look at the supply's own ammeter, then restart it"
            )
        return snapshot

    def plan(self, request: PlanRequest) -> RunPlan:
        """Return the plan for a request. Raises: RefusedError."""
        return make_plan(request, self.settings, self._sensor_range_a)

    def start(self, request: PlanRequest) -> str:
        """Start a run and return its id. Raises: RefusedError, WrongStateError, LoopNotAliveError."""
        run = new_run(self._new_run_id(), self.plan(request), self.settings.limits)
        self._ask(self._unless_stopped(lambda: self._supervisor.start(run)))
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

    def stop(self) -> None:
        """Turn the relay off now, then let the loop end the run. Never refused, never waits for the loop."""
        self._gate.revoke(OffRequest.STOP)

    def relay_reads_on(self) -> bool:
        """Return the level that the relay output reads back."""
        return self._gate.reads_on()

    def wait_for_loop(self) -> None:
        """Return when the loop has made a full pass and published it. Raises: LoopNotAliveError."""
        self._ask(lambda: None)

    def check(self) -> CheckReport | None:
        """Return the rig check on the newest samples with the relay off, or None while there are too few."""
        return self._ask(self._supervisor.report_check)

    def _unless_stopped(self, action: Callable[[], None]) -> Callable[[], None]:
        """Return the action for the mailbox: refused while nothing may start, and when Stop comes before its turn."""
        asked_at = self._gate.newest_request()

        def act() -> None:
            why = self._not_ready()
            if why is not None:
                raise WrongStateError(why)
            if self._gate.newest_request() != asked_at:
                raise WrongStateError("off was asked for meanwhile, so nothing was started: ask again")
            action()

        return act

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
