"""The acid's own bite in the past runs of a bath, so that their readings teach the rest. Pure.

The rate is what is known of the bath today, for all its runs: past and next run are compared by the
same figure.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from controller.physics.acid_bite import AcidBite, acid_bite
from controller.physics.attack import AttackRate
from controller.physics.faraday import Metal
from controller.physics.readings import Reading, noted_pace
from controller.planning.attacked import bite_from_json
from controller.planning.json_form import request_from_json
from controller.planning.request import growth_of


def past_bite(plan: Mapping[str, Any], attack: AttackRate, metal: Metal) -> AcidBite:
    """Return the acid's bite in a stored plan. Raises: KeyError or RefusedError for others."""
    growth = growth_of(request_from_json(plan["request"]))
    depth_mm = float(plan["target_depth_mm"])
    return acid_bite(attack, growth, metal.etch_factor, depth_mm, metal.mm3_per_coulomb)


def past_with_acid(
    plan: Mapping[str, Any], attack: AttackRate, metal: Metal, reading: Reading
) -> Reading:
    """Return a past reading with the acid's bite added, at its noted pace or that of its plan."""
    return past_bite(plan, attack, metal).with_acid(reading, _pace(plan, reading))


def reading_as_planned(plan: Mapping[str, Any], reading: Reading) -> Reading:
    """Return a past reading with the acid's bite added that its plan expected."""
    bite = bite_from_json(plan.get("acid_bite"))
    return bite.with_acid(reading, _pace(plan, reading)) if bite.equivalent_a else reading


def taught_pace(plan: Mapping[str, Any], attack: AttackRate, metal: Metal) -> float:
    """Return the pace of a past run: time in the acid times open area, over all charge."""
    area_mm2 = growth_of(request_from_json(plan["request"])).area_mm2(0.0)
    total_a = _mean_current_a(plan) + past_bite(plan, attack, metal).equivalent_a
    return area_mm2 / total_a


def _pace(plan: Mapping[str, Any], reading: Reading) -> float:
    """Return the time in the acid per coulomb counted until a reading, s/C."""
    found = noted_pace(reading)
    return 1.0 / _mean_current_a(plan) if found is None else found


def _mean_current_a(plan: Mapping[str, Any]) -> float:
    return 0.5 * (float(plan["current_a"]) + float(plan["end_current_a"]))
