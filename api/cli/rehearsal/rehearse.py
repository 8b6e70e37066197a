"""A whole run on the rehearsal rig: the shipped supervisor and driver, in virtual time."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from typing import Any

from api.cli.exit_status import EXIT_STATUS
from api.cli.rehearsal.true_places import RehearsedPlace, rehearsed_places, true_target_mm
from api.main import Rehearsal, machine_board, rehearsal_rig, rig_range_a
from controller.assembly import assemble
from controller.config import Settings
from controller.messages import RunState, Snapshot
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.safety.outbox import Changed, Noted, OutboxItem
from controller.safety.run import new_run
from controller.safety.transitions import AT_WORK

WATCH_AFTER_S = 1.0
"""How long the rig is watched after the run, s. A welded relay shows 0.5 s after off."""

SETTLE_BEFORE_S = 0.5
"""Time before the start, s, for samples with the relay off."""


@dataclass(frozen=True, slots=True)
class GaugeStop:
    """A gauge stop that was reached: planned, estimated and true depth."""

    stop_mm: float
    depth_mm: float
    true_depth_mm: float


@dataclass(frozen=True, slots=True)
class RehearsalResult:
    """How a rehearsal ended: what the controller estimates, and what is true in the model.

    :param depth_mm: at the place that the target is meant for; without places, the mean.
    :param true_depth_mm: the same, in truth.
    :param true_mean_depth_mm: mean depth of the etched floor.
    :param true_deepest_mm: depth of its deepest place.
    :param places: the depth expected at each place of the artwork, and the true one.
    :param gauge_stops: every gauge stop that was reached.
    :param elapsed_s: relay-on time.
    :param off_after_fault_s: time from the fault to the open contact, or None.
    :param relay_on: the relay's coil is energised at the end.
    """

    outcome: str
    reason: str | None
    message: str | None
    elapsed_s: float
    depth_mm: float
    depth_low_mm: float
    depth_high_mm: float
    target_depth_mm: float
    true_depth_mm: float
    true_mean_depth_mm: float
    true_deepest_mm: float
    charge_coulombs: float
    uncertain_charge_coulombs: float
    true_charge_coulombs: float
    off_after_fault_s: float | None
    relay_on: bool
    bath_degc: float
    gauge_stops: list[GaugeStop]
    places: list[RehearsedPlace]
    warnings: list[str]
    notes: list[str]

    def to_json(self) -> dict[str, Any]:
        """Return the result as JSON values."""
        return asdict(self)

    @property
    def exit_status(self) -> int:
        """0 finished, 3 stopped or paused, 4 tripped."""
        return EXIT_STATUS[RunState(self.outcome)]


class _End:
    """Notices when the run has left the states in which it goes on by itself."""

    def __init__(self) -> None:
        self.left_at_s: float | None = None
        self.message: str | None = None
        self.notes: list[str] = []

    def follow(self, _snapshot: Snapshot, outbox: Sequence[OutboxItem]) -> None:
        for item in outbox:
            if isinstance(item, Changed):
                self.left_at_s = None if item.state in AT_WORK else item.at_s
                self.message = None if item.message is None else str(item.message)
            elif isinstance(item, Noted):
                self.notes.append(str(item.message))


def rehearse(
    request: PlanRequest, rehearsal: Rehearsal, settings: Settings, *, stop_at_gauge: bool = False
) -> RehearsalResult:
    """Return how a run ends on the rehearsal rig.

    :param stop_at_gauge: end at the first gauge stop; otherwise resume there at once.
    Raises: RefusedError for an impossible plan, MeasureFailedError when the front on an artwork
        cannot be worked out.
    """
    plan = make_plan(request, settings, rig_range_a(settings))
    rig = rehearsal_rig(plan, rehearsal, settings)
    end = _End()
    assembly = assemble(
        rig, settings, board=machine_board(), followers=(end,), new_run_id=lambda: "rehearsal"
    )
    loop, supervisor, clock = assembly.loop, assembly.supervisor, rig.clock
    begin_s = clock.monotonic_s() + SETTLE_BEFORE_S
    loop.run(lambda: clock.monotonic_s() >= begin_s)
    supervisor.start(new_run("rehearsal", plan, settings.limits))
    gauge_stops: list[GaugeStop] = []
    while True:
        loop.run(
            lambda: (
                end.left_at_s is not None and clock.monotonic_s() >= end.left_at_s + WATCH_AFTER_S
            )
        )
        run, model = supervisor.run, rig.model
        if run is None or model is None:
            raise RuntimeError("the rehearsal lost its run")
        if supervisor.state is not RunState.PAUSED or run.gauge_stop_mm is None:
            break
        depth_mm = run.depth(clock.monotonic_s()).best_mm
        gauge_stops.append(GaugeStop(run.gauge_stop_mm, depth_mm, true_target_mm(model, plan)))
        if stop_at_gauge:
            break
        end.left_at_s = None
        supervisor.resume()
    now_s, truth = clock.monotonic_s(), model.truth()
    depth = run.depth(now_s)
    return RehearsalResult(
        outcome=supervisor.state.value,
        reason=None if supervisor.finding is None else supervisor.finding.reason.value,
        message=end.message,
        elapsed_s=run.total_on_time_s(now_s),
        depth_mm=depth.best_mm,
        depth_low_mm=depth.low_mm,
        depth_high_mm=depth.high_mm,
        target_depth_mm=plan.target_depth_mm,
        true_depth_mm=true_target_mm(model, plan),
        true_mean_depth_mm=truth.depth_mm,
        true_deepest_mm=truth.deepest_mm,
        charge_coulombs=run.counter.charge_coulombs,
        uncertain_charge_coulombs=run.counter.uncertain_coulombs,
        true_charge_coulombs=truth.charge_coulombs,
        off_after_fault_s=truth.off_after_fault_s,
        relay_on=truth.relay_on,
        bath_degc=truth.bath_degc,
        gauge_stops=gauge_stops,
        places=rehearsed_places(model, run.places(now_s)),
        warnings=[str(warning.message) for warning in plan.warnings],
        notes=end.notes,
    )
