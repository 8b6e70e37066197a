"""The limits of one run, built once at its start from the settings and the plan; guards.py judges by them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

from controller.planning.run_plan import RunPlan

if TYPE_CHECKING:
    from controller.config import LimitSettings


@dataclass(frozen=True, slots=True)
class Limits:
    """Limits of one run. Each field's reason stands in config.LimitSettings."""

    max_voltage_v: float
    max_current_a: float
    reverse_current_a: float
    short_circuit_v: float
    short_circuit_a: float
    lost_contact_a: float
    lost_contact_s: float
    weak_contact_a: float
    weak_contact_s: float
    contact_grace_s: float
    max_on_time_s: float
    max_charge_coulombs: float
    max_mean_depth_mm: float | None
    bath_off_degc: float


def limits_for(plan: RunPlan, settings: LimitSettings) -> Limits:
    """Return the limits of a run."""
    return Limits(
        max_voltage_v=settings.max_voltage_v,
        max_current_a=plan.max_current_a,
        reverse_current_a=settings.reverse_current_a,
        short_circuit_v=settings.short_circuit_v,
        short_circuit_a=settings.short_circuit_fraction * plan.current_a,
        lost_contact_a=settings.lost_contact_fraction * plan.current_a,
        lost_contact_s=settings.lost_contact_s,
        weak_contact_a=settings.weak_contact_fraction * plan.current_a,
        weak_contact_s=settings.weak_contact_s,
        contact_grace_s=settings.contact_grace_s,
        max_on_time_s=plan.max_on_time_s,
        max_charge_coulombs=plan.max_charge_coulombs,
        max_mean_depth_mm=plan.max_mean_depth_mm,
        bath_off_degc=settings.bath_off_degc,
    )


def raised(limits: Limits, charge_coulombs: float, max_run_s: float) -> Limits:
    """Return the limits with a charge ceiling of at least ``charge_coulombs``.

    The ceiling on relay-on time rises by the same share, up to ``max_run_s``. Neither falls.
    """
    charge_coulombs = max(limits.max_charge_coulombs, charge_coulombs)
    share = charge_coulombs / limits.max_charge_coulombs
    on_time_s = max(limits.max_on_time_s, min(limits.max_on_time_s * share, max_run_s))
    return replace(limits, max_charge_coulombs=charge_coulombs, max_on_time_s=on_time_s)
