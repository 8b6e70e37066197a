"""The books of one run: limits, counted charge, relay-on time, depth and time left.

Nothing here turns the relay on or off: the supervisor decides.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

from controller.config import LimitSettings
from controller.figures import Figures, PlaceFigures
from controller.messages import Finding, Sample
from controller.physics.attack import UPPER_SIGMA, Soak
from controller.physics.charge import CoulombCounter
from controller.physics.estimate import DepthEstimate, DepthTable
from controller.physics.learning import Learner
from controller.physics.readings import Reading
from controller.planning.attacked import stop_total_coulombs
from controller.planning.plan import charge_ceiling, learned
from controller.planning.run_plan import RunPlan, place_figures
from controller.safety.acid_time import acid_pace, acid_s, learner_of, total_coulombs
from controller.safety.checkpoint import RunCheckpoint
from controller.safety.guards import Streaks, calls_for_look, judge
from controller.safety.limits import Limits, RunFigures, limits_for, raised
from controller.safety.trends import Expected, Trend, bath_warnings, follow
from controller.texts import Message

SMOOTHING_S = 5.0
"""Time constant of the mean current, s, from which the time left is predicted: longer than the
supply's wobble, and short for a person."""

SOAK_UNKNOWN = Message("guards.warning.soak_unknown")

FIRST_LOOK_S = 30.0
"""Time on before the first look, s. By then the minus plate gasses and the work mats evenly.

Both show that the clips are on the right plates. Source: common practice.
"""


def new_run(run_id: str, plan: RunPlan, settings: LimitSettings) -> ActiveRun:
    """Return a run that has not begun, its limits fixed."""
    return run_within(run_id, plan, settings, limits_for(plan, settings))


def run_within(run_id: str, plan: RunPlan, settings: LimitSettings, limits: Limits) -> ActiveRun:
    """Return a run that has not begun, within these limits."""
    counter = CoulombCounter(
        settings.max_sample_age_s, limits.max_current_a, plan.sure_a, plan.drivable_a
    )
    soak = Soak(plan.acid_bite.rate.at_sigma(UPPER_SIGMA))
    return ActiveRun(
        run_id, plan, limits, counter, soak, plan.learner, settings, mean_current_a=plan.current_a
    )


@dataclass(slots=True)
class ActiveRun:
    """One run from start to its end, over all its pauses and restarts.

    Each field is either kept in ``RunCheckpoint`` or listed in ``NOT_KEPT`` beside it.

    :param run_id: its name in the logbook.
    :param limits: fixed at start.
    :param first_learner: what was believed when it began.
    :param on_time_s: relay-on time of the finished stretches.
    :param stretches: how often the relay was turned on, the present stretch included.
    :param turned_on_at_s: start of the present stretch, or None while off.
    :param gauge_stop_mm: the gauge stop that paused it, or None.
    :param wants_second_look: the last sample is the first to break a limit, or on the way to
        reverse current.
    """

    run_id: str
    plan: RunPlan
    limits: Limits
    counter: CoulombCounter
    soak: Soak
    first_learner: Learner
    _settings: LimitSettings
    on_time_s: float = 0.0
    stretches: int = 0
    turned_on_at_s: float | None = None
    mean_current_a: float = 0.0
    first_look_done: bool = False
    gauge_stop_mm: float | None = None
    wants_second_look: bool = False
    _streaks: Streaks = field(default_factory=Streaks)
    _mean_at_s: float = 0.0
    _begun_at_mm: float = 0.0
    _begun_at_degc: float | None = None
    _bath_read_at_s: float = 0.0
    _trend: Trend = field(default_factory=lambda: Trend(0.0))
    _bath_warnings: tuple[Message, ...] = ()
    _warned: tuple[Message, ...] = ()
    _asked: tuple[float, float, float] | None = None
    _asked_table: DepthTable | None = None
    _answer: DepthEstimate | None = None

    def relearn(self, readings: Sequence[Reading]) -> None:
        """Learn this run's valid readings, from the belief at its start.

        The depth and the stopping charge change.
        """
        self.plan = learned(self.plan, learner_of(self, readings), acid_pace(self, readings))

    def begin_stretch(self, now_s: float, last_off_sample: Sample) -> None:
        """Begin counting at the last sample with the relay off."""
        self.counter.anchor(last_off_sample)
        self.turned_on_at_s = now_s
        self.stretches += 1
        self.mean_current_a, self._mean_at_s = self.plan.current_a, now_s
        self._begun_at_mm, self._begun_at_degc = self.depth(now_s).best_mm, None
        self._bath_read_at_s = now_s
        self._trend = Trend(now_s, self.plan.request.pieces)
        self._streaks = Streaks()
        self.wants_second_look = False
        self.gauge_stop_mm = None
        self.soak.end(now_s)

    def end_stretch(self, now_s: float) -> None:
        """Add the present stretch to the relay-on time.

        Charge is still counted until the current is zero.
        """
        if self.turned_on_at_s is not None:
            self.on_time_s += now_s - self.turned_on_at_s
            self.turned_on_at_s = None
            self.soak.begin(now_s)

    def cancel_stretch(self, now_s: float) -> None:
        """Undo a stretch whose relay never turned on. The plate may hang in the bath."""
        self.turned_on_at_s = None
        self.stretches -= 1
        self.soak.begin(now_s)
        self.counter.close()

    def checkpoint(self, now_s: float) -> RunCheckpoint:
        """Return everything that must survive a restart, apart from the plan."""
        soak = self.soak
        return RunCheckpoint(
            at_s=now_s,
            on_time_s=self.total_on_time_s(now_s),
            charge_coulombs=self.counter.charge_coulombs,
            uncertain_charge_coulombs=self.counter.uncertain_coulombs,
            mean_current_a=self.mean_current_a,
            stretches=self.stretches,
            begun_at_mm=self._begun_at_mm,
            gauge_stop_mm=self.gauge_stop_mm,
            first_look_done=self.first_look_done,
            is_etching=self.turned_on_at_s is not None,
            soak_total_s=soak.total_s,
            soaking_for_s=None if soak.since_s is None else now_s - soak.since_s,
            is_soak_known=soak.is_known,
            limits=self.limits,
            warnings_given=self._warned,
        )

    def take_over(self, checkpoint: RunCheckpoint) -> None:
        """Restore the private fields from a checkpoint; ``restored_run`` restores the others."""
        self._begun_at_mm = checkpoint.begun_at_mm
        self._warned = checkpoint.warnings_given

    def raise_ceilings(self) -> Limits:
        """Raise the ceilings to match the present belief; return the limits before."""
        before, plan = self.limits, self.plan
        total = plan.target_table.charge_for_depth_coulombs(plan.target_depth_mm)
        needed_coulombs = charge_ceiling(total, plan.belief)
        self.limits = raised(before, needed_coulombs, self._settings.max_run_s)
        return before

    def total_on_time_s(self, now_s: float) -> float:
        """Return the relay-on time of all stretches, s."""
        return self.on_time_s + (
            0.0 if self.turned_on_at_s is None else now_s - self.turned_on_at_s
        )

    def judge(
        self, sample: Sample, bath_degc: float | None, *, has_thermometer: bool = False
    ) -> Finding | None:
        """Return the first guard's finding on a sample, before it is counted."""
        now_s = sample.taken_at_s
        if bath_degc is not None:
            self._bath_read_at_s = now_s
        silent_s = now_s - self._bath_read_at_s if has_thermometer else None
        figures = RunFigures(
            on_time_s=self.total_on_time_s(now_s),
            stretch_s=0.0 if self.turned_on_at_s is None else now_s - self.turned_on_at_s,
            charge_coulombs=self.counter.charge_coulombs,
            depth_mm=self.depth(now_s).best_mm,
            metal_left_mm=self.likely_metal_left_mm(now_s),
            bath_degc=bath_degc,
            bath_silent_s=silent_s,
        )
        self._bath_warnings = bath_warnings(bath_degc, silent_s, self._settings)
        before = self._streaks
        self._streaks, finding = judge(self.limits, before, sample, figures)
        self.wants_second_look = calls_for_look(self.limits, before, self._streaks, sample)
        # An open circuit shows nothing about the cell.
        if finding is None and sample.current_a >= self.limits.lost_contact_a:
            depth_mm = figures.depth_mm
            self._trend, finding = follow(
                self._trend, sample, lambda: self._expected(depth_mm, bath_degc), self._settings
            )
        return finding

    def warnings(self) -> tuple[Message, ...]:
        """Return the present warnings about the cell, the bath and the time in the acid."""
        unknown = () if self.soak.is_known else (SOAK_UNKNOWN,)
        return (*self._trend.warnings, *self._bath_warnings, *unknown)

    def take_new_warnings(self) -> tuple[Message, ...]:
        """Return the warnings that are new since the last call."""
        now = self.warnings()
        if now == self._warned:
            return ()
        new = tuple(message for message in now if message not in self._warned)
        self._warned = now
        return new

    def _expected(self, depth_mm: float, bath_degc: float | None) -> Expected:
        """Return how the open area has grown and the bath has warmed since the stretch began."""
        if bath_degc is not None and self._begun_at_degc is None:
            self._begun_at_degc = bath_degc
        begun_degc = self._begun_at_degc
        warming_k = None if bath_degc is None or begun_degc is None else bath_degc - begun_degc
        plan, factor = self.plan, self.plan.belief.best_etch_factor
        now_mm2, begun_mm2 = (
            plan.growth.area_mm2(plan.mean_depth_mm(it) / factor)
            for it in (depth_mm, self._begun_at_mm)
        )
        return Expected(
            now_mm2 / begun_mm2,
            warming_k,
        )

    def count(self, sample: Sample) -> None:
        """Integrate a sample. Raises: ChargeGapError after too long a gap."""
        self.counter.add(sample)
        share = min(1.0, max(0.0, sample.taken_at_s - self._mean_at_s) / SMOOTHING_S)
        self.mean_current_a += share * (sample.current_a - self.mean_current_a)
        self._mean_at_s = sample.taken_at_s

    def depth(self, now_s: float) -> DepthEstimate:
        """Return the depth at the target place for the counted charge and the time in the acid.

        Time in the bath without current raises the upper bound only, unless a coupon was weighed.
        """
        counter, table, bite = self.counter, self.plan.target_table, self.plan.acid_bite
        asked = (counter.charge_coulombs, acid_s(self, now_s), counter.uncertain_coulombs)
        if self._answer is None or asked != self._asked or table is not self._asked_table:
            self._asked, self._asked_table = asked, table
            self._answer = bite.estimate(table, *asked)
        estimate = self._answer
        soak_mm = self._soak_mm(now_s)
        return replace(estimate, high_mm=estimate.high_mm + soak_mm) if soak_mm > 0.0 else estimate

    def totals(self, now_s: float) -> Figures:
        """Return how far the run has come. The current is left out: only the sample has it."""
        depth = self.depth(now_s)
        return Figures(
            on_time_s=self.total_on_time_s(now_s),
            charge_coulombs=self.counter.charge_coulombs,
            uncertain_charge_coulombs=self.counter.uncertain_coulombs,
            depth_mm=depth.best_mm,
            depth_low_mm=depth.low_mm,
            depth_high_mm=depth.high_mm,
            metal_left_mm=self.metal_left_mm(now_s),
        )

    def expected_at(self, place: str | None, now_s: float) -> DepthEstimate | None:
        """Return the depth expected at a named place now, or None where it is unknown.

        :param place: None for the mean over the open floor.
        """
        counter, soak_mm = self.counter, self._soak_mm(now_s)
        charge, uncertain = counter.charge_coulombs, counter.uncertain_coulombs
        found = self.plan.expected_at(place, charge, acid_s(self, now_s), uncertain)
        return None if found is None else replace(found, high_mm=found.high_mm + soak_mm)

    def metal_left_mm(self, now_s: float) -> float | None:
        """Return the metal left under the deepest place, mm, or None where it is unknown.

        Its depth is taken at the upper end.
        """
        counter = self.counter
        most_coulombs = counter.charge_coulombs + counter.uncertain_coulombs
        return self.plan.metal_left_mm(most_coulombs, acid_s(self, now_s), self._soak_mm(now_s))

    def likely_metal_left_mm(self, now_s: float) -> float | None:
        """Return the same at the best estimate of the depth, with all that may be missing."""
        counter = self.counter
        most_coulombs = counter.charge_coulombs + counter.uncertain_coulombs
        bite = self.plan.acid_bite
        soak_s = 0.0 if bite.counts_off_time else self.soak.seconds(now_s)
        soak_mm = bite.rate.um_per_min / 1000.0 * soak_s / 60.0
        return self.plan.likely_metal_left_mm(most_coulombs, acid_s(self, now_s), soak_mm)

    def places(self, now_s: float) -> tuple[PlaceFigures, ...]:
        """Return the depth at each place now."""
        counter, soak_mm = self.counter, self._soak_mm(now_s)
        charge, uncertain = counter.charge_coulombs, counter.uncertain_coulombs
        return place_figures(self.plan, charge, acid_s(self, now_s), uncertain, soak_mm)

    def _soak_mm(self, now_s: float) -> float:
        """Return what the time without current may have added, where it is not counted, mm."""
        return 0.0 if self.plan.acid_bite.counts_off_time else self.soak.upper_mm(now_s)

    def has_reached_target(self, now_s: float) -> bool:
        """Return whether the stop policy ends the run now.

        The policy decides what must reach the target depth: the best estimate or the upper bound.
        """
        if self.plan.request.stop_policy == "never-deeper":
            return self.depth(now_s).high_mm >= self.plan.target_depth_mm
        return total_coulombs(self, now_s) >= stop_total_coulombs(self.plan)

    def reaches_gauge_stop(self, now_s: float) -> bool:
        """Return whether this stretch has reached a gauge stop, and remember which."""
        stop_mm = self.next_gauge_stop_mm
        if stop_mm is None or self.depth(now_s).best_mm < stop_mm:
            return False
        self.gauge_stop_mm = stop_mm
        return True

    @property
    def next_gauge_stop_mm(self) -> float | None:
        """The next depth at which the run pauses to be gauged, mm, or None."""
        return next((stop for stop in self.plan.gauge_stops_mm if stop > self._begun_at_mm), None)

    def is_first_look_due(self, now_s: float) -> bool:
        """Return whether a person should look at gas and matting: from 30 s on, until they have."""
        return (
            not self.first_look_done
            and self.turned_on_at_s is not None
            and self.total_on_time_s(now_s) >= FIRST_LOOK_S
        )

    def remaining_s(self, now_s: float) -> float | None:
        """Return the relay-on time left at the mean current, s; None when hardly any flows."""
        missing_coulombs = max(0.0, stop_total_coulombs(self.plan) - total_coulombs(self, now_s))
        if self.mean_current_a <= self.limits.lost_contact_a:
            return None
        return missing_coulombs / (self.mean_current_a + self.plan.acid_bite.equivalent_a)
