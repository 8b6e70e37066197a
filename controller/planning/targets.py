"""What the target depth means, and the depth tables of a plan: the mean and each place. Pure."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

from controller.physics.estimate import Belief, DepthTable, depth_table
from controller.physics.evenness import with_evenness
from controller.physics.faraday import Metal
from controller.physics.place_depth import (
    PlaceDepth,
    Row,
    deepest_row,
    mean_ratio,
    place_depths,
)
from controller.physics.relief import Growth
from controller.planning.request import (
    PlanRequest,
    depth_bound_mm,
    etched_depth_mm,
    refuse_short_curve,
    target_place_of,
)

if TYPE_CHECKING:
    from controller.config import LimitSettings

TABLE_DEPTH_FACTOR = 1.6
"""The depth table reaches at least this far beyond the target, and always past the charge ceiling,
which stops the run first."""


@dataclass(frozen=True, slots=True)
class PlanTables:
    """The depth tables of a plan.

    :param mean: of the mean depth over the open floor.
    :param target: of the depth at the target place; without one, the mean's.
    :param places: of each known place.
    :param deepest: upper end of the depth at the deepest place, or None without places.
    :param target_place: name of the target place, or None for the mean.
    :param target_depth_mm: depth there at which the run stops, before any finishing.
    """

    mean: DepthTable
    target: DepthTable
    places: tuple[PlaceDepth, ...]
    deepest: Row | None
    target_place: str | None
    target_depth_mm: float


def tables_for(
    request: PlanRequest,
    growth: Growth,
    metal: Metal,
    belief: Belief,
    target_mm: float | None = None,
) -> PlanTables:
    """Return the depth tables, past the charge ceiling. Raises: RefusedError.

    :param target_mm: depth at which the run stops, when it is fixed already.
    """
    place = target_place_of(request)
    even = with_evenness(belief) if request.places else belief
    per_coulomb = metal.mm3_per_coulomb * belief.best_bite_factor
    bound_mm = depth_bound_mm(request, growth, per_coulomb) if target_mm is None else target_mm
    if place is not None:
        # Where the place is shallower than the mean, the mean goes deeper than the target.
        bound_mm /= min(1.0, mean_ratio(even, place))
    refuse_short_curve(request.growth_mm2, bound_mm, belief.etch_factor_range()[0])
    # Volume grows faster than depth, so this depth takes more charge than the ceiling.
    ceiling_share = belief.best_bite_factor / belief.low_bite_factor()
    deepest_mm = bound_mm * max(TABLE_DEPTH_FACTOR, 1.02 * ceiling_share)
    mean = depth_table(belief, growth, metal.mm3_per_coulomb, deepest_mm)
    most_coulombs = mean.best[-1][0]
    places = place_depths(even, growth, metal.mm3_per_coulomb, request.places, most_coulombs)
    target = next((it.table for it in places if it.place is place), mean)
    etched_mm = etched_depth_mm(request) if target_mm is None else target_mm
    if etched_mm is None:
        etched_mm = target.at(request.charge_coulombs or 0.0).best_mm
    return PlanTables(
        mean=mean,
        target=target,
        places=places,
        deepest=deepest_row(places) if places else None,
        target_place=None if place is None else place.name,
        target_depth_mm=etched_mm,
    )


def least_metal_mm(request: PlanRequest, limits: LimitSettings) -> float | None:
    """Return the least metal, mm, that must stay under the deepest place.

    None without a thickness or without places; then a factor for edges guards the mean depth.
    """
    if request.thickness_mm is None or not request.places:
        return None
    return (1.0 - limits.depth_of_thickness_fraction) * request.thickness_mm
