"""The plan of a run: everything that is fixed when it starts. Pure."""

from __future__ import annotations

from dataclasses import dataclass

from controller.physics.estimate import Belief, DepthTable
from controller.physics.faraday import Metal
from controller.physics.learning import Learner
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

    :param target_depth_mm: wanted mean depth of an open floor.
    :param charge_coulombs: charge at which the run is expected to stop, by its stop policy.
    :param duration_s: relay-on time at the planned current.
    :param max_on_time_s: ceiling on relay-on time, independent of the ceiling on charge.
    :param max_charge_coulombs: ceiling on charge.
    :param end_current_a: current expected at the end. In constant voltage it is larger than
        ``current_a``, as the area grows.
    :param max_mean_depth_mm: best estimate that trips the depth limit, or None without a
        thickness.
    :param metal_removed_fraction: of the sheet, or None when its size or thickness was not given.
    :param warming_k: expected warming of the bath, or None when its volume was not given.
    :param sure_a: above this reading, peaks of the current may be beyond the sensor's range.
    :param drivable_a: largest current that any supply can drive through shunt and leads: bounds
        what flows beyond the sensor's range.
    :param range_fraction: share of the sensor's range that the over-current limit uses.
    :param offered_gauge_stops_mm: gauge stops that are advised beyond the requested ones.
    """

    request: PlanRequest
    metal: Metal
    growth: Growth
    learner: Learner
    belief: Belief
    table: DepthTable
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
    gauge_stops_mm: tuple[float, ...]
    offered_gauge_stops_mm: tuple[float, ...]
    warnings: tuple[PlanWarning, ...]

    @property
    def pieces(self) -> tuple[PlannedPiece, ...]:
        """The pieces of a plate of several artworks, with the lines that each may lose."""
        undercut_mm = self.target_depth_mm / self.belief.etch_factor_range()[0]
        return planned_pieces(self.request.pieces_on_plate, undercut_mm)
