"""What a person tells about the plate of a run: lifted, gauged, weighed, first look. On the loop's thread."""

from __future__ import annotations

from collections.abc import Sequence

from controller.errors import WrongStateError
from controller.messages import RunState
from controller.physics.estimate import DepthEstimate
from controller.physics.learning import Reading
from controller.planning.run_plan import RunPlan
from controller.ports import Clock
from controller.safety.run import ActiveRun
from controller.safety.supervisor import Supervisor

_OFF = frozenset(RunState) - {RunState.CHECKING, RunState.RUNNING, RunState.IDLE}


class RunDesk:
    """Changes what is believed about the present run. Never touches the relay."""

    def __init__(self, supervisor: Supervisor, clock: Clock) -> None:
        self._supervisor = supervisor
        self._clock = clock

    def lifted(self) -> None:
        """The plate is out of the bath and rinsed: nothing attacks it any more. Raises: WrongStateError."""
        run = self._run_with_relay_off("take note of the lifted plate")
        now_s = self._clock.monotonic_s()
        run.soak.end(now_s)
        self._supervisor.note(
            f"Plate lifted and rinsed after {run.soak.seconds(now_s):.0f} s in the bath without current."
        )

    def left_in(self) -> None:
        """The plate hangs in the bath again, or still. Raises: WrongStateError."""
        run = self._run_with_relay_off("take note of the plate")
        run.soak.begin(self._clock.monotonic_s())
        self._supervisor.note(
            "Plate left in the bath: what the acid takes without current widens the upper bound."
        )

    def present(self, run_id: str) -> RunPlan | None:
        """Return the present run's plan, or None when that is another run. Raises: WrongStateError while it is at work."""
        run = self._supervisor.run
        if run is None or run.run_id != run_id:
            return None
        return self._run_with_relay_off("take a reading").plan

    def learn(
        self, run_id: str, readings: Sequence[Reading]
    ) -> tuple[DepthEstimate, DepthEstimate]:
        """Believe what the present run's standing readings say; return the depth before and after. Raises: WrongStateError."""
        run = self._run_with_relay_off("take a reading")
        if run.run_id != run_id:
            raise WrongStateError(
                f"run {run_id} is over: its readings are taken into its bath, not into the present run"
            )
        before = run.depth(self._clock.monotonic_s())
        run.relearn(readings)
        after = run.depth(self._clock.monotonic_s())
        text = (
            f"{len(readings)} reading(s) stand: {before.best_mm:.3f} mm ({before.low_mm:.3f} to {before.high_mm:.3f}) became "
            f"{after.best_mm:.3f} mm ({after.low_mm:.3f} to {after.high_mm:.3f}); stops at {run.plan.charge_coulombs:.0f} C."
        )
        if run.plan.charge_coulombs > run.limits.max_charge_coulombs:
            text += f" The charge ceiling of {run.limits.max_charge_coulombs:.0f} C comes first: raise it if the reading is right."
        self._supervisor.note(text)
        return before, after

    def raise_ceilings(self) -> None:
        """Set the ceilings anew from what is now believed, because a person confirms it. Raises: WrongStateError."""
        run = self._run_with_relay_off("raise the ceilings")
        old = run.raise_ceilings()
        now = run.limits
        text = (
            "Ceilings raised by a person: "
            f"charge {old.max_charge_coulombs:.0f} to {now.max_charge_coulombs:.0f} C, "
            f"relay-on time {old.max_on_time_s:.0f} to {now.max_on_time_s:.0f} s."
        )
        charge_share = now.max_charge_coulombs / old.max_charge_coulombs
        if now.max_on_time_s < 0.999 * charge_share * old.max_on_time_s:
            text += " limits.max_run_s allows no more time: it may end before it is deep enough."
        self._supervisor.note(text)

    def first_look(self, *, is_well: bool) -> None:
        """Gas at the minus plate and even matting of the work, or not: then the run pauses. Raises: WrongStateError."""
        run = self._supervisor.run
        if run is None or self._supervisor.state is not RunState.RUNNING:
            raise WrongStateError(
                f"cannot take a first look while {self._supervisor.state.value}: that needs running"
            )
        run.first_look_done = True
        if is_well:
            self._supervisor.note("First look: gas at the minus plate and even matting.")
            return
        self._supervisor.pause()
        self._supervisor.note(
            "First look: something is wrong. Are the clips swapped at the cell? Plus belongs to the plate."
        )

    def _run_with_relay_off(self, what: str) -> ActiveRun:
        run = self._supervisor.run
        if run is None or self._supervisor.state not in _OFF:
            raise WrongStateError(
                f"cannot {what} while {self._supervisor.state.value}: that needs a run with the relay off"
            )
        return run
