"""The plate in the rehearsal bath: how the plate of a plan really etches. Standard library only."""

from __future__ import annotations

import threading
from functools import lru_cache

from controller.artwork.cache import content_key
from controller.artwork.planned import ArtworkFile
from controller.planning.run_plan import RunPlan
from hardware.rehearsal.front_table import FrontTable, Spot, growth_table
from hardware.rehearsal.level_set.client import solve_in_process
from hardware.rehearsal.level_set.job import FrontJob

BEYOND_TARGET = 1.3
"""The front is solved to this multiple of the target. Deeper it continues as in its last step."""

_KEPT = 32
_one_at_a_time = threading.Lock()


def artwork_table(
    plan: RunPlan,
    artwork: ArtworkFile,
    *,
    etch_factor: float,
    bite_factor: float,
    crowding: float,
    evenness: float,
) -> FrontTable:
    """Return the etching of the plate from a front on the artwork's pixels.

    Blocks for seconds. The same job is solved once.

    Raises: RefusedError, MeasureFailedError.
    """
    job = FrontJob(
        artwork.path.resolve(),
        artwork.options,
        etch_factor,
        _deepest_mm(plan, bite_factor),
        crowding,
        evenness,
        spots=tuple(Spot(place.name, place.x_mm, place.y_mm) for place in plan.request.places),
    )
    with _one_at_a_time:
        table = _solved(content_key(job.path, job.options), job)
    return _on_plate(plan, table)


def measured_table(plan: RunPlan, *, etch_factor: float, bite_factor: float) -> FrontTable | None:
    """Return the etching of the plate from its measured growth curve.

    None when only area and edge length are known.
    """
    growth_mm2 = plan.request.growth_mm2
    if growth_mm2 is None:
        return None
    return _on_plate(plan, growth_table(growth_mm2, etch_factor, _deepest_mm(plan, bite_factor)))


@lru_cache(_KEPT)
def _solved(_key: str, job: FrontJob) -> FrontTable:
    """Return the solution of a job.

    :param _key: hash of the file's bytes, so that a changed file is solved again.
    """
    return solve_in_process(job).table


def _deepest_mm(plan: RunPlan, bite_factor: float) -> float:
    return BEYOND_TARGET * max(1.0, bite_factor) * plan.target_depth_mm


def _on_plate(plan: RunPlan, table: FrontTable) -> FrontTable:
    request = plan.request
    return table.plate(request.pieces * request.sides, request.other_bare_mm2)
