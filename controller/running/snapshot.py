"""Takes the snapshot for status, page and panel."""

from __future__ import annotations

from controller.figures import Figures, values_of
from controller.messages import RunState, Snapshot, TripReason, advice_for
from controller.ports import Clock, RelayGate
from controller.safety.supervisor import Supervisor
from controller.texts import Message
from controller.units import current_density_a_per_dm2

_OVER = frozenset({RunState.FINISHED, RunState.STOPPED, RunState.TRIPPED})

CLOCK_NOT_SET = Message("supervisor.note.clock_not_set")


def take_snapshot(
    supervisor: Supervisor, gate: RelayGate, clock: Clock, sequence: int, bath_degc: float | None
) -> Snapshot:
    """Return the present state. Unknown values are None, never 0."""
    now_s, is_clock_set = clock.monotonic_s(), clock.is_utc_set()
    run, sample = supervisor.run, supervisor.last_sample
    sensor = supervisor.sensor_finding
    plan = None if run is None else run.plan
    current_a = None if sample is None else sample.current_a
    figures = {
        **values_of(Figures() if run is None else run.totals(now_s)),
        "current_a": current_a,
    }
    return Snapshot(
        **figures,
        sequence=sequence,
        at_s=now_s,
        at_utc=clock.utc_now(),
        state=supervisor.state,
        reason=None if supervisor.finding is None else supervisor.finding.reason,
        message=supervisor.message,
        run_id=None if run is None else run.run_id,
        piece=None if plan is None else plan.request.piece or None,
        metal=None if plan is None else plan.metal.name,
        target_depth_mm=None if plan is None else plan.target_depth_mm,
        target_charge_coulombs=None if plan is None else plan.charge_coulombs,
        voltage_v=None if sample is None else sample.voltage_v,
        current_density_a_per_dm2=(
            None
            if plan is None or current_a is None
            else current_density_a_per_dm2(current_a, plan.total_area_mm2)
        ),
        remaining_s=None if run is None or supervisor.state in _OVER else run.remaining_s(),
        planned_s=None if plan is None else plan.duration_s,
        first_look_due=run is not None and run.is_first_look_due(now_s),
        in_bath_without_current=run is not None and run.soak.since_s is not None,
        soak_s=None if run is None else run.soak.seconds(now_s),
        gauge_stop_mm=None if run is None else run.gauge_stop_mm,
        next_gauge_stop_mm=None if run is None else run.next_gauge_stop_mm,
        max_charge_coulombs=None if run is None else run.limits.max_charge_coulombs,
        bath=None if plan is None else plan.request.bath,
        sample_age_s=None if sample is None else now_s - sample.taken_at_s,
        zero_offset_a=supervisor.zero_offset_a,
        bath_degc=bath_degc,
        thermometer_silent=supervisor.is_thermometer_silent,
        relay_on=gate.reads_on(),
        relay_welded=supervisor.is_welded,
        weld_latched=supervisor.is_weld_latched,
        clock_set=is_clock_set,
        sensor_message=None if sensor is None else sensor.message,
        sample_shows_off=supervisor.shows_off(),
        warnings=(*_warnings(supervisor), *(() if is_clock_set else (CLOCK_NOT_SET,))),
        finding=supervisor.finding,
        target_place=None if plan is None else plan.target_place,
        places=() if run is None else run.places(now_s),
    )


def _warnings(supervisor: Supervisor) -> tuple[Message, ...]:
    found: list[Message] = []
    if supervisor.is_welded:
        found.append(advice_for(TripReason.RELAY_WELDED))
    elif supervisor.is_weld_latched:
        found.append(Message("guards.warning.weld_latched"))
    if supervisor.is_thermometer_silent and supervisor.state is not RunState.RUNNING:
        found.append(Message("supervisor.refused.thermometer_silent"))
    if supervisor.run is not None and supervisor.state is RunState.RUNNING:
        found += supervisor.run.warnings()
    return tuple(found)
