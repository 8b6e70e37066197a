"""Commands about the plate of the present run: lifted, gauged, weighed, first look.

They run on the loop's thread.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace

from controller.errors import WrongStateError
from controller.messages import EventKind, RunState
from controller.physics.estimate import DepthEstimate
from controller.physics.learning.lesson import lesson_of
from controller.physics.readings import Reading
from controller.planning.plan import learned
from controller.planning.reading_drafts import Draft, refuse_surprise
from controller.ports import Clock
from controller.safety.acid_time import acid_pace, learner_of, noted, with_acid
from controller.safety.run import ActiveRun
from controller.safety.supervisor import Supervisor
from controller.texts import Message, Value

_OFF = frozenset(RunState) - {RunState.CHECKING, RunState.RUNNING, RunState.IDLE}


@dataclass(frozen=True, slots=True)
class Learned:
    """The effect of readings: the depth before and after, and the charge at which the run stops.

    :param lesson: what a new reading changed, or None.
    """

    before: DepthEstimate
    after: DepthEstimate
    target_charge_coulombs: float
    max_charge_coulombs: float
    lesson: Message | None = None

    @property
    def is_ceiling_first(self) -> bool:
        """Whether the ceiling on charge ends the run before its target."""
        return self.target_charge_coulombs > self.max_charge_coulombs


class PlateCommands:
    """Changes the belief about the present run. It may turn the relay off but never on."""

    def __init__(self, supervisor: Supervisor, clock: Clock) -> None:
        self._supervisor = supervisor
        self._clock = clock

    def lifted(self) -> None:
        """Note that the plate is out of the bath and rinsed: nothing attacks it any more.

        Raises: WrongStateError.
        """
        run = self._run_with_relay_off("lifted")
        now_s = self._clock.monotonic_s()
        run.soak.end(now_s)
        soak_s = run.soak.seconds(now_s)
        self._note(Message("run.plate.lifted", {"soak_s": soak_s}), {"soak_s": soak_s})

    def left_in(self) -> None:
        """Note that the plate is in the bath, again or still. Raises: WrongStateError."""
        run = self._run_with_relay_off("left_in")
        run.soak.begin(self._clock.monotonic_s())
        self._note(Message("run.plate.left_in"))

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
        """Take a reading of the present run; return None for another run.

        Missing values are filled in: the charge counted so far, and the film thickness of the plan.

        :param known: the valid readings of the run, oldest first, without a replaced one.
        :param keep: called after every check and before any change. When it raises, nothing
            changes.
        Raises: WrongStateError while the relay may be on, RefusedError for a reading that nothing
            can be learned from, SurprisingReadingError unless it is confirmed.
        """
        if not self.is_present(run_id):
            return None
        run = self._run_with_relay_off("reading")
        request = run.plan.request
        drafted = draft.complete(run.counter.charge_coulombs, request.film_mm, request.places)
        reading = noted(run, drafted)
        before = learner_of(run, known)
        seen = with_acid(run, reading)
        if not is_confirmed:
            depth = run.depth(self._clock.monotonic_s())
            refuse_surprise(before, seen, request, depth)
        outcome = self.believe(run_id, [*known, reading], lambda: keep(reading))
        if outcome is None:
            return None
        lesson = lesson_of(before, run.plan.learner, seen, run.plan.growth)
        return replace(outcome, lesson=lesson)

    def believe(
        self, run_id: str, readings: Sequence[Reading], keep: Callable[[], None]
    ) -> Learned | None:
        """Learn these readings of the present run; return None for another run.

        :param keep: as in ``take_reading``.
        Raises: WrongStateError while the relay may be on, RefusedError for impossible readings.
        """
        if not self.is_present(run_id):
            return None
        run = self._run_with_relay_off("reading")
        plan = learned(run.plan, learner_of(run, readings), acid_pace(run, readings))
        before = run.depth(self._clock.monotonic_s())
        keep()
        run.plan = plan
        after = run.depth(self._clock.monotonic_s())
        outcome = Learned(before, after, plan.charge_coulombs, run.limits.max_charge_coulombs)
        self._note_reading(len(readings), outcome)
        return outcome

    def _note_reading(self, count: int, outcome: Learned) -> None:
        before, after = outcome.before, outcome.after
        values: dict[str, Value] = {
            "count": count,
            "depth_mm": after.best_mm,
            "low_mm": after.low_mm,
            "high_mm": after.high_mm,
            "old_depth_mm": before.best_mm,
            "old_low_mm": before.low_mm,
            "old_high_mm": before.high_mm,
            "target_coulombs": outcome.target_charge_coulombs,
        }
        message = Message("run.plate.learned", values)
        if outcome.is_ceiling_first:
            values = {**values, "ceiling_coulombs": outcome.max_charge_coulombs}
            message = Message("run.plate.learned_ceiling_first", values)
        data = {
            "depth_mm": after.best_mm,
            "depth_low_mm": after.low_mm,
            "depth_high_mm": after.high_mm,
            "target_charge_coulombs": outcome.target_charge_coulombs,
        }
        self._note(message, data)

    def raise_ceilings(self) -> None:
        """Raise the ceilings to match the present belief, which a person has confirmed.

        Raises: WrongStateError.
        """
        run = self._run_with_relay_off("ceilings")
        old = run.raise_ceilings()
        now = run.limits
        values: dict[str, Value] = {
            "old_coulombs": old.max_charge_coulombs,
            "new_coulombs": now.max_charge_coulombs,
            "old_s": old.max_on_time_s,
            "new_s": now.max_on_time_s,
        }
        charge_share = now.max_charge_coulombs / old.max_charge_coulombs
        if now.max_on_time_s < 0.999 * charge_share * old.max_on_time_s:
            message = Message("run.plate.ceilings_raised_in_part", values)
        else:
            message = Message("run.plate.ceilings_raised", values)
        data = {"max_charge_coulombs": now.max_charge_coulombs, "max_on_time_s": now.max_on_time_s}
        self._note(message, data)

    def first_look(self, *, is_well: bool) -> None:
        """Take the answer to the first look: whether there is gas and even matting.

        A bad answer pauses the run. Raises: WrongStateError.
        """
        run = self._supervisor.run
        if run is None or self._supervisor.state is not RunState.RUNNING:
            raise WrongStateError("run.refused.first_look", state=self._supervisor.state.value)
        run.first_look_done = True
        if is_well:
            self._supervisor.note(Message("run.plate.first_look_well"))
            return
        self._supervisor.pause()
        self._supervisor.note(Message("run.plate.first_look_bad"))

    def _note(self, message: Message, data: dict[str, float] | None = None) -> None:
        self._supervisor.note(message, EventKind.COMMAND, data)

    def _run_with_relay_off(self, command: str) -> ActiveRun:
        """Return the run. Raises: WrongStateError with the key ``run.refused.<command>``."""
        run = self._supervisor.run
        if run is None or self._supervisor.state not in _OFF:
            raise WrongStateError(f"run.refused.{command}", state=self._supervisor.state.value)
        return run
