"""What the rehearsal rig knows of the places of a plan: their true depth."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import asdict, dataclass
from typing import Protocol

from controller.figures import PlaceFigures
from controller.planning.run_plan import RunPlan


class TruePlate(Protocol):
    """The rehearsal rig, as far as it knows the plate."""

    @property
    def true_depth_mm(self) -> float:
        """True mean depth now, mm."""

    def depth_of_place_mm(self, name: str, x_mm: float, y_mm: float) -> float | None:
        """Return the true depth of a place of the plan now, or None where there is none."""


@dataclass(frozen=True, slots=True)
class RehearsedPlace(PlaceFigures):
    """A place with its true depth, or None where the model has no artwork."""

    true_depth_mm: float | None


def rehearsed_places(model: TruePlate, places: Iterable[PlaceFigures]) -> list[RehearsedPlace]:
    """Return the places with their true depth now."""
    return [
        RehearsedPlace(
            **asdict(place),
            true_depth_mm=model.depth_of_place_mm(place.name, place.x_mm, place.y_mm),
        )
        for place in places
    ]


def true_target_mm(model: TruePlate, plan: RunPlan) -> float:
    """Return the true depth now where the target is meant, else the true mean depth."""
    for it in plan.places:
        if it.place.name == plan.target_place:
            found = model.depth_of_place_mm(it.place.name, it.place.x_mm, it.place.y_mm)
            if found is not None:
                return found
    return model.true_depth_mm
