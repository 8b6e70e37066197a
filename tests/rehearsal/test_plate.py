"""What hangs in the rehearsal's bath: the front of the artwork or of its curve, with copies, sides
and bare metal.
"""

from __future__ import annotations

import math
from pathlib import Path

import pytest

from controller.artwork.options import MeasureOptions
from controller.artwork.planned import ArtworkFile
from controller.config import Settings
from controller.physics.places import EVENNESS_GRID, Place
from controller.planning.plan import make_plan
from controller.planning.run_plan import RunPlan
from hardware.rehearsal import plate
from hardware.rehearsal.front_table import FrontRow, FrontTable, Spot
from hardware.rehearsal.level_set.job import FrontJob, FrontSolution
from tests.kits.doubles import silver_request

TABLE = FrontTable((FrontRow(0.0, 0.0, 0.0), FrontRow(0.4, 40.0, 0.5)))


@pytest.fixture
def solved(monkeypatch: pytest.MonkeyPatch) -> list[FrontJob]:
    """Solves nothing, and notes what it was asked."""
    jobs: list[FrontJob] = []

    def solve(job: FrontJob) -> FrontSolution:
        jobs.append(job)
        return FrontSolution(TABLE, 0.01, 1, 1)

    monkeypatch.setattr(plate, "solve_in_process", solve)
    plate._solved.cache_clear()
    return jobs


def plan(**changes: object) -> RunPlan:
    return make_plan(silver_request(area_mm2=100.0, current_a=1.0, **changes), Settings(), 16.0)


def table(
    made: RunPlan, path: Path, bite_factor: float = 1.0, etch_factor: float = 1.2
) -> FrontTable:
    artwork = ArtworkFile(path, MeasureOptions(dpi=600.0))
    return plate.artwork_table(
        made, artwork, etch_factor=etch_factor, bite_factor=bite_factor, crowding=0.2, evenness=0.4
    )


def test_front_solved_beyond_target(tmp_path: Path, solved: list[FrontJob]) -> None:
    """The front is asked for beyond the target."""
    path = tmp_path / "a.png"
    path.write_bytes(b"one")
    table(plan(depth_mm=0.25), path, bite_factor=1.2)
    (job,) = solved
    assert job == FrontJob(
        path.resolve(), MeasureOptions(dpi=600.0), 1.2, 1.3 * 1.2 * 0.25, 0.2, evenness=0.4
    )
    table(plan(depth_mm=0.25), path, bite_factor=0.8)
    assert solved[-1].deepest_mm == pytest.approx(1.3 * 0.25), (
        "a weak bath reaches the target later, not less"
    )


def test_places_become_spots(tmp_path: Path, solved: list[FrontJob]) -> None:
    """The places of the plan are asked for by name and position, without the plan's ratios."""
    path = tmp_path / "a.png"
    path.write_bytes(b"one")
    ratios = (1.0,) + (0.9,) * (len(EVENNESS_GRID) - 1)
    table(plan(places=(Place("widest-floor-middle", 1.5, 2.5, 0.1, ratios),)), path)
    assert solved[-1].spots == (Spot("widest-floor-middle", 1.5, 2.5),)


def test_copies_sides_and_metal_included(tmp_path: Path, solved: list[FrontJob]) -> None:
    """Copies sides and bare metal hang along."""
    path = tmp_path / "a.png"
    path.write_bytes(b"one")
    found = table(plan(pieces=3, sides=2, other_bare_mm2=50.0), path)
    assert found.rows[-1] == FrontRow(0.4, 6 * 40.0 + 50.0 * 0.4, 0.5)


def test_same_job_solved_once(tmp_path: Path, solved: list[FrontJob]) -> None:
    """The same job is solved once, a changed file again."""
    path = tmp_path / "a.png"
    path.write_bytes(b"one")
    for _ in range(3):
        table(plan(), path)
    assert len(solved) == 1
    table(plan(), path, etch_factor=1.0)
    assert len(solved) == 2
    path.write_bytes(b"two")
    table(plan(), path)
    assert len(solved) == 3


def test_measured_curve_without_file() -> None:
    """Without the file, the measured curve replaces the front."""
    assert plate.measured_table(plan(), etch_factor=1.2, bite_factor=1.0) is None
    made = plan(growth_mm2=((0.0, 100.0), (0.5, 150.0), (1.0, 150.0)), pieces=2)
    found = plate.measured_table(made, etch_factor=1.0, bite_factor=1.0)
    assert found is not None
    end = found.rows[-1]
    assert end.depth_mm == pytest.approx(1.3 * made.target_depth_mm)
    assert 2 * 100.0 * end.depth_mm < end.volume_mm3 < 2 * 150.0 * end.depth_mm
    assert end.volume_mm3 == pytest.approx(rising_mm3(end.depth_mm), rel=1e-9)


def rising_mm3(depth_mm: float) -> float:
    """A(0) d + slope (pi/4) d^2 while the curve rises with one slope: the quarter circle's area by
    the slope, two copies.
    """
    return 2.0 * (100.0 * depth_mm + 100.0 * math.pi / 4.0 * depth_mm**2)
