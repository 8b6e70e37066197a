"""Commands about the plate of the present run: lifted, gauged, weighed, first look.

On the loop's thread.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

from controller.errors import WrongStateError
from controller.messages import EventKind, RunState
from controller.physics.estimate import DepthEstimate
from controller.physics.learning import Learner, Reading
from controller.planning.plan import learned
from controller.planning.reading_drafts import Draft, refuse_surprise
from controller.ports import Clock
from controller.safety.run import ActiveRun
from controller.safety.supervisor import Supervisor

_OFF = frozenset(RunState) - {RunState.CHECKING, RunState.RUNNING, RunState.IDLE}


@dataclass(frozen=True, slots=True)
class Learned:
    """What readings changed: the depth before and after, and the charge at which the run stops."""

    before: DepthEstimate
    after: DepthEstimate
    target_charge_coulombs: float
    max_charge_coulombs: float

    @property
    def is_ceiling_first(self) -> bool:
        """Whether the ceiling on charge ends the run before its target."""
        return self.target_charge_coulombs > self.max_charge_coulombs


class PlateCommands:
    """Changes what is believed about the present run; of the relay it can only ask for off."""

    def __init__(self, supervisor: Supervisor, clock: Clock) -> None:
        self._supervisor = supervisor
        self._clock = clock

    def lifted(self) -> None:
        """The plate is out of the bath and rinsed: nothing attacks it any more.

        Raises: WrongStateError.
        """
        run = self._run_with_relay_off("take note of the lifted plate")
        now_s = self._clock.monotonic_s()
        run.soak.end(now_s)
        soak_s = run.soak.seconds(now_s)
        text = f"Plate lifted and rinsed after {soak_s:.0f} s in the bath without current."
        self._supervisor.note(text, EventKind.COMMAND, {"soak_s": soak_s})

    def left_in(self) -> None:
        """The plate hangs in the bath again, or still. Raises: WrongStateError."""
        run = self._run_with_relay_off("take note of the plate")
        run.soak.begin(self._clock.monotonic_s())
        text = "Plate left in the bath: what the acid takes without current widens the upper bound."
        self._supervisor.note(text, EventKind.COMMAND)

    def is_present(self, run_id: str) -> bool:
        """Return whether that run is the present one."""
        run = self._supervisor.run
        return run is not None and run.run_id == run_id

    def take_reading(
        self,
        run_id: str,
        draft: Draft,
        known: Sequence[Reading],
        keep: Callable[[Reading], None],
        *,
        is_confirmed: bool = False,
    ) -> Learned | None:
        """Take a reading of the present run; return None when that is another run.

        What was left out is filled in from this moment: the charge counted, the film of the plan.

        :param known: what stands of the run's readings, oldest first, without a replaced one.
        :param keep: called when all is judged and nothing has changed yet. When it raises, nothing
            changes.
        Raises: WrongStateError while the relay may be on, RefusedError for a reading that nothing
            can be learned from, SurprisingReadingError unless it is confirmed.
        """
        if not self.is_present(run_id):
            return None
        run = self._run_with_relay_off("take a reading")
        reading = draft.complete(run.counter.charge_coulombs, run.plan.request.film_mm)
        if not is_confirmed:
            depth = run.depth(self._clock.monotonic_s())
            refuse_surprise(_learner(run, known), reading, run.plan.request, depth)
        return self.believe(run_id, [*known, reading], lambda: keep(reading))

    def believe(
        self, run_id: str, readings: Sequence[Reading], keep: Callable[[], None]
    ) -> Learned | None:
        """Believe what these readings of the present run say; return None when that is another run.

        :param keep: as in ``take_reading``.
        Raises: WrongStateError while the relay may be on, RefusedError for impossible readings.
        """
        if not self.is_present(run_id):
            return None
        run = self._run_with_relay_off("take a reading")
        plan = learned(run.plan, _learner(run, readings))
        before = run.depth(self._clock.monotonic_s())
        keep()
        run.plan = plan
        after = run.depth(self._clock.monotonic_s())
        outcome = Learned(before, after, plan.charge_coulombs, run.limits.max_charge_coulombs)
        self._note_reading(len(readings), outcome)
        return outcome

    def _note_reading(self, count: int, outcome: Learned) -> None:
        before, after = outcome.before, outcome.after
        text = (
            f"{count} reading(s) stand: {before.best_mm:.3f} mm ({before.low_mm:.3f} to "
            f"{before.high_mm:.3f}) became {after.best_mm:.3f} mm ({after.low_mm:.3f} to "
            f"{after.high_mm:.3f}); stops at {outcome.target_charge_coulombs:.0f} C."
        )
        if outcome.is_ceiling_first:
            text += (
                f" The charge ceiling of {outcome.max_charge_coulombs:.0f} C comes first: "
                "raise it if the reading is right."
            )
        data = {
            "depth_mm": after.best_mm,
            "depth_low_mm": after.low_mm,
            "depth_high_mm": after.high_mm,
            "target_charge_coulombs": outcome.target_charge_coulombs,
        }
        self._supervisor.note(text, EventKind.COMMAND, data)

    def raise_ceilings(self) -> None:
        """Set the ceilings again from what is now believed, because a person confirms it.

        Raises: WrongStateError.
        """
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
        self._supervisor.note(
            text,
            EventKind.COMMAND,
            {
                "max_charge_coulombs": now.max_charge_coulombs,
                "max_on_time_s": now.max_on_time_s,
            },
        )

    def first_look(self, *, is_well: bool) -> None:
        """Take the answer to the first look: gas at the minus plate and even matting, or not.

        A bad answer pauses the run. Raises: WrongStateError.
        """
        run = self._supervisor.run
        if run is None or self._supervisor.state is not RunState.RUNNING:
            state = self._supervisor.state.value
            raise WrongStateError(f"cannot take a first look while {state}: that needs running")
        run.first_look_done = True
        if is_well:
            self._supervisor.note("First look: gas at the minus plate and even matting.")
            return
        self._supervisor.pause()
        self._supervisor.note(
            "First look: something is wrong. Are the clips swapped at the cell? "
            "Plus belongs to the plate."
        )

    def _run_with_relay_off(self, what: str) -> ActiveRun:
        run = self._supervisor.run
        if run is None or self._supervisor.state not in _OFF:
            state = self._supervisor.state.value
            raise WrongStateError(
                f"cannot {what} while {state}: that needs a run with the relay off"
            )
        return run


def _learner(run: ActiveRun, readings: Sequence[Reading]) -> Learner:
    """Return what was believed when the run began, with these readings learned.

    Raises: RefusedError for readings that are impossible under that belief.
    """
    learner = run.first_learner
    for reading in readings:
        learner = learner.learn(reading, run.plan.growth)
    return learner
