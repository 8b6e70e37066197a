"""What the acid's own attack does to a plan: less charge, and a wider range. Pure."""

from __future__ import annotations

from dataclasses import asdict, dataclass
from typing import TYPE_CHECKING, Any

from controller.physics.acid_bite import NO_BITE, AcidBite, acid_bite
from controller.physics.attack import UPPER_SIGMA, AttackRate, expected_rate
from controller.physics.estimate import Belief, DepthEstimate, DepthTable
from controller.physics.faraday import Metal
from controller.physics.relief import Growth
from controller.planning.request import PlanRequest
from controller.planning.run_plan import PlanWarning, RunPlan
from controller.texts import Message

if TYPE_CHECKING:
    from collections.abc import Iterator, Mapping

    from controller.planning.knowledge import Knowledge

WORTH_A_WARNING = 0.02
"""The plan mentions the attack from this share of the target depth on: about what a gauge reads on
a quarter of a millimetre (common practice, no source)."""

WIDE_FACTOR = 1.1
"""The plan mentions the attack when it makes the range wider by this factor."""


@dataclass(frozen=True, slots=True)
class Attacked:
    """Where a plan stops.

    :param charge_coulombs: counted charge at the stop.
    :param total_coulombs: with the acid's equivalent charge.
    """

    bite: AcidBite
    target_mm: float
    charge_coulombs: float
    total_coulombs: float
    estimate: DepthEstimate


def attacked(
    request: PlanRequest,
    metal: Metal,
    growth: Growth,
    belief: Belief,
    table: DepthTable,
    target_mm: float,
    mean_current_a: float,
    knowledge: Knowledge,
) -> Attacked:
    """Return where the plan stops, at its mean current.

    :param target_mm: target depth; for a target charge, its depth without the attack.
    """
    rate = knowledge.attack or expected_rate(metal)
    bite = acid_bite(
        rate,
        growth,
        belief.best_etch_factor,
        target_mm,
        metal.mm3_per_coulomb,
        knowledge.taught_s_mm2_per_coulomb,
    )
    if request.depth_mm is None and request.charge_coulombs is not None:
        charge_coulombs = request.charge_coulombs
        target_mm = bite.estimate(table, charge_coulombs, charge_coulombs / mean_current_a).best_mm
    return stop_at(bite, request, table, target_mm, mean_current_a)


def stop_at(
    bite: AcidBite,
    request: PlanRequest,
    table: DepthTable,
    target_mm: float,
    mean_current_a: float,
) -> Attacked:
    """Return where a run stops, by its stop policy."""
    if request.stop_policy == "never-deeper":
        charge_coulombs = bite.cautious_stop_charge(table, target_mm, mean_current_a)
    else:
        charge_coulombs = bite.stop_charge(table, target_mm, mean_current_a)
    acid_s = charge_coulombs / mean_current_a
    return Attacked(
        bite,
        target_mm,
        charge_coulombs,
        charge_coulombs + bite.coulombs(acid_s),
        bite.estimate(table, charge_coulombs, acid_s),
    )


def mean_current_a(plan: RunPlan) -> float:
    """Return the current that a plan expects on average, A."""
    return 0.5 * (plan.current_a + plan.end_current_a)


def stop_total_coulombs(plan: RunPlan) -> float:
    """Return the charge, with the acid's, at which the best estimate is where the run stops, C."""
    return plan.charge_coulombs * (1.0 + plan.acid_bite.equivalent_a / mean_current_a(plan))


def attack_figures(plan: RunPlan) -> dict[str, float]:
    """Return what the attack takes by the end of the plan, with units in the keys."""
    rate = plan.acid_bite.rate
    mm_per_rate = plan.charge_coulombs / mean_current_a(plan) / 60.0 / 1000.0
    return {
        "attack_um_per_min": rate.um_per_min,
        "attack_low_um_per_min": rate.at_sigma(-UPPER_SIGMA),
        "attack_high_um_per_min": rate.at_sigma(UPPER_SIGMA),
        "attack_mm": rate.um_per_min * mm_per_rate,
        "attack_low_mm": rate.at_sigma(-UPPER_SIGMA) * mm_per_rate,
        "attack_high_mm": rate.at_sigma(UPPER_SIGMA) * mm_per_rate,
    }


def attack_warnings(plan: RunPlan) -> Iterator[PlanWarning]:
    """Say what the acid takes by itself where that is worth knowing."""
    figures = attack_figures(plan)
    plain = plan.target_table.at(stop_total_coulombs(plan))
    widening = (plan.depth_high_mm - plan.depth_low_mm) / (plain.high_mm - plain.low_mm)
    is_small = figures["attack_mm"] < WORTH_A_WARNING * plan.target_depth_mm
    if is_small and widening < WIDE_FACTOR:
        return
    values = {
        "attack_mm": figures["attack_mm"],
        "attack_low_mm": figures["attack_low_mm"],
        "attack_high_mm": figures["attack_high_mm"],
        "low_mm": plan.depth_low_mm,
        "high_mm": plan.depth_high_mm,
        "plain_low_mm": plain.low_mm,
        "plain_high_mm": plain.high_mm,
    }
    source = plan.acid_bite.rate.source
    yield PlanWarning("bath", Message(f"plan.warning.attack_{source}", values))


def bite_to_json(bite: AcidBite) -> dict[str, Any]:
    """Return the bite as JSON values, for the logbook."""
    return asdict(bite)


def bite_from_json(values: Mapping[str, Any] | None, metal: Metal | None = None) -> AcidBite:
    """Return a stored bite.

    A plan of an older version has none: it then adds to the upper bound while the current is off,
    as it did then, where the metal is known.
    """
    if values is None:
        return NO_BITE if metal is None else AcidBite(expected_rate(metal), 0.0)
    known = dict(values)
    known["rate"] = AttackRate(**known["rate"])
    return AcidBite(**known)
