"""The plan of a run: everything that is fixed when it starts. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from controller.figures import PlaceFigures
from controller.physics.acid_bite import NO_BITE, AcidBite
from controller.physics.estimate import Belief, DepthEstimate, DepthTable, depth_at_mm
from controller.physics.faraday import Metal
from controller.physics.learning import Learner
from controller.physics.place_depth import PlaceDepth, Row
from controller.physics.relief import Growth
from controller.planning.pieces_on_plate import PlannedPiece, planned_pieces
from controller.planning.request import PlanRequest
from controller.texts import Message


@dataclass(frozen=True, slots=True)
class PlanWarning:
    """Something that may go wrong, and the field of the request that it belongs to."""

    field: str
    message: Message


@dataclass(frozen=True, slots=True)
class RunPlan:
    """Everything that is fixed when a run starts.

    :param table: charge -> mean depth over the open floor.
    :param target_table: charge -> depth at the target place; without one, ``table``.
    :param target_place: name of the target place, or None when the target is the mean.
    :param target_depth_mm: depth at the target place at which the run stops, before finishing.
    :param depth_low_mm, depth_high_mm: interval there when the run stops.
    :param places: every known place with its table.
    :param deepest: charge -> upper end of the depth at the deepest place, or None without places.
    :param least_metal_mm: metal under the deepest place at which the run trips, or None when the
        thickness or the places are not known.
    :param charge_coulombs: charge at which the run is expected to stop, by its stop policy.
    :param duration_s: relay-on time at the planned current.
    :param max_on_time_s: ceiling on relay-on time, independent of the ceiling on charge.
    :param max_charge_coulombs: ceiling on charge.
    :param end_current_a: current expected at the end. In constant voltage it is larger than
        ``current_a``, as the area grows.
    :param max_mean_depth_mm: best estimate that trips the depth limit, or None without a
        thickness, or where ``least_metal_mm`` guards the depth.
    :param metal_removed_fraction: of the sheet, or None when its size or thickness was not given.
    :param warming_k: expected warming of the bath, or None when its volume was not given.
    :param sure_a: above this reading, peaks of the current may be beyond the sensor's range.
    :param drivable_a: largest current that any supply can drive through shunt and leads: bounds
        what flows beyond the sensor's range.
    :param range_fraction: share of the sensor's range that the over-current limit uses.
    :param offered_gauge_stops_mm: gauge stops that are advised beyond the requested ones.
    :param acid_bite: the acid's own attack, which adds to the depth while the current is on.
    """

    request: PlanRequest
    metal: Metal
    growth: Growth
    learner: Learner
    belief: Belief
    table: DepthTable
    target_table: DepthTable
    places: tuple[PlaceDepth, ...]
    deepest: Row | None
    target_place: str | None
    target_depth_mm: float
    total_area_mm2: float
    current_a: float
    end_current_a: float
    charge_coulombs: float
    duration_s: float
    metal_removed_g: float
    metal_removed_fraction: float | None
    volume_removed_mm3: float
    density_a_per_dm2: float
    depth_low_mm: float
    depth_high_mm: float
    power_w: float
    heat_j: float
    warming_k: float | None
    sure_a: float
    drivable_a: float
    range_fraction: float
    max_on_time_s: float
    max_charge_coulombs: float
    max_current_a: float
    max_mean_depth_mm: float | None
    least_metal_mm: float | None
    gauge_stops_mm: tuple[float, ...]
    offered_gauge_stops_mm: tuple[float, ...]
    warnings: tuple[PlanWarning, ...]
    acid_bite: AcidBite = NO_BITE

    def mean_depth_mm(self, depth_mm: float) -> float:
        """Return the mean depth when the target place has this depth, both best estimates."""
        if self.target_place is None:
            return depth_mm
        charge_coulombs = self.target_table.charge_for_depth_coulombs(depth_mm)
        return self.table.at(charge_coulombs).best_mm

    @property
    def acid_s_at_stop(self) -> float:
        """Time with current until the run stops, s: the acid bites as long."""
        return self.charge_coulombs / (0.5 * (self.current_a + self.end_current_a))

    def expected_at(
        self,
        place: str | None,
        charge_coulombs: float,
        acid_s: float = 0.0,
        uncertain_coulombs: float = 0.0,
    ) -> DepthEstimate | None:
        """Return the depth expected at a named place after a charge, or None if it is unknown.

        :param place: None for the mean.
        :param acid_s: time in which the acid has bitten too.
        """
        found = next((it.table for it in self.places if it.place.name == place), None)
        table = self.table if place is None else found
        if table is None:
            return None
        return self.acid_bite.estimate(table, charge_coulombs, acid_s, uncertain_coulombs)

    def metal_left_mm(
        self, charge_coulombs: float, acid_s: float = 0.0, more_mm: float = 0.0
    ) -> float | None:
        """Return the metal left under the deepest place, mm, its depth taken at the upper end.

        It is below 0 when the sheet may be etched through. None without a thickness or places.

        :param charge_coulombs: counted, with all that may have been missed.
        :param acid_s: time in which the acid has bitten too.
        :param more_mm: depth of one side that neither shows.
        """
        thickness_mm = self.request.thickness_mm
        if thickness_mm is None or self.deepest is None:
            return None
        deepest_mm = (
            depth_at_mm(self.deepest, charge_coulombs + self.acid_bite.most_coulombs(acid_s))
            + more_mm
        )
        return thickness_mm - self.request.sides * deepest_mm

    def likely_metal_left_mm(
        self, charge_coulombs: float, acid_s: float = 0.0, more_mm: float = 0.0
    ) -> float | None:
        """Return the same for the best estimate of each depth: what depth_limit watches.

        Before any reading, the upper end is so far away that a guard on it would end ordinary
        runs: 0.59 mm for a target of 0.25 mm.
        """
        thickness_mm = self.request.thickness_mm
        if thickness_mm is None or not self.places:
            return None
        deepest_mm = max(
            self.acid_bite.estimate(it.table, charge_coulombs, acid_s).best_mm for it in self.places
        )
        return thickness_mm - self.request.sides * (deepest_mm + more_mm)

    @property
    def pieces(self) -> tuple[PlannedPiece, ...]:
        """The pieces of a plate of several artworks, with the lines that each may lose."""
        undercut_mm = self.target_depth_mm / self.belief.etch_factor_range()[0]
        return planned_pieces(self.request.pieces_on_plate, undercut_mm)


def place_figures(
    plan: RunPlan,
    charge_coulombs: float,
    acid_s: float,
    uncertain_coulombs: float = 0.0,
    more_mm: float = 0.0,
) -> tuple[PlaceFigures, ...]:
    """Return the depth at each place after a charge and a time in the acid.

    :param more_mm: depth that neither shows; it raises the upper end only.
    """
    found = []
    for it in plan.places:
        place = it.place
        depth = plan.acid_bite.estimate(it.table, charge_coulombs, acid_s, uncertain_coulombs)
        found.append(
            PlaceFigures(
                name=place.name,
                x_mm=place.x_mm,
                y_mm=place.y_mm,
                share_of_area=place.share_of_area,
                depth_mm=depth.best_mm,
                depth_low_mm=depth.low_mm,
                depth_high_mm=depth.high_mm + more_mm,
            )
        )
    return tuple(found)
