"""Makes a run again from its checkpoint, after a crash, a power cut or an update. Pure."""

from __future__ import annotations

from controller.config import LimitSettings
from controller.planning.run_plan import RunPlan
from controller.safety.checkpoint import RunCheckpoint
from controller.safety.run import ActiveRun, run_within


def restored_run(
    run_id: str,
    plan: RunPlan,
    settings: LimitSettings,
    checkpoint: RunCheckpoint,
    *,
    now_s: float,
    away_s: float | None,
) -> ActiveRun:
    """Return the run of a checkpoint, with the relay off and its readings not yet learned.

    :param plan: the plan made at the start.
    :param settings: the settings at the start.
    :param now_s: monotonic time of this boot.
    :param away_s: time since the checkpoint, or None when unknown. It counts as time in the acid
        unless the plate is out.
    """
    run = run_within(run_id, plan, settings, checkpoint.limits)
    run.on_time_s = checkpoint.on_time_s
    run.counter.charge_coulombs = checkpoint.charge_coulombs
    run.counter.uncertain_coulombs = checkpoint.uncertain_charge_coulombs
    run.mean_current_a = checkpoint.mean_current_a
    run.stretches = checkpoint.stretches
    run.gauge_stop_mm = checkpoint.gauge_stop_mm
    run.first_look_done = checkpoint.first_look_done
    run.soak.total_s = checkpoint.soak_total_s
    run.soak.is_known = checkpoint.is_soak_known
    if checkpoint.is_in_acid:
        run.soak.since_s = now_s - (away_s or 0.0) - (checkpoint.soaking_for_s or 0.0)
        run.soak.is_known = checkpoint.is_soak_known and away_s is not None
    run.take_over(checkpoint)
    return run
