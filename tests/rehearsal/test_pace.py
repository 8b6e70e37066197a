"""The distribution on the sheet's pixels and in one tile, where the result is exact."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import pytest

from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.levels import Floats
from hardware.rehearsal.field.solver import Bath, true_ratios
from hardware.rehearsal.level_set.pace import PaceMap
from hardware.rehearsal.level_set.tile import CrowdingLaw, Tile

HALO_PX = 12


@dataclass
class Square:
    """An overview of a square opening, the same from every side."""

    cell_mm: float = 0.05
    step: int = 1

    @property
    def share(self) -> Floats:
        share = np.zeros((80, 80))
        share[20:60, 20:60] = 1.0
        return share


def edge_tile(pace: float | None) -> Tile:
    cover = np.zeros((48, 48))
    cover[:, :24] = 1.0
    field = None if pace is None else np.full(cover.shape, pace)
    return Tile(cover, np.ones((24, 24)), HALO_PX, 1, field)


def test_pace_has_the_square_symmetry() -> None:
    """Nothing is moved between cells of the field and pixels of the sheet."""
    pace = PaceMap(Square(), 0.05, 0.3, Bath(), Kinetics(0.8))  # type: ignore[arg-type]
    speeds = pace.over(0, 80, 0, 80)
    assert speeds[40, 40] < 0.95 * speeds[40, 21]
    for turned in (speeds[::-1], speeds[:, ::-1], speeds.T):
        assert turned == pytest.approx(speeds, rel=2e-3)
    assert pace.fastest == pytest.approx(speeds.max(), rel=0.05)
    assert speeds[40, 17] == pytest.approx(speeds[40, 20], rel=0.05), "it goes on under the resist"
    assert np.array_equal(pace.over(-3, 4, 10, 12)[0], pace.over(0, 1, 10, 12)[0])


def test_partly_open_cells_share_the_current() -> None:
    """Across a gap far narrower than the cells, current flows straight: each mm2 of plate takes the
    same, so that half of the metal gets twice the density. R = gap / conductivity, on both sides.
    """
    share = np.ones((4, 8))
    share[:, 4:] = 0.5
    found = true_ratios(share, 20.0, Bath(0.5, 0.0), Kinetics(1.0))
    assert found[2, 6] / found[2, 1] == pytest.approx(2.0, rel=0.01)


def test_slow_tile_lags_in_time() -> None:
    """At half of the speed everything, the undercut too, happens in twice the time."""
    law = CrowdingLaw(0.0, most_pace=1.0)
    times = np.array([0.5, 2.0, 3.5, 5.0])
    plain = edge_tile(None).etched(times, 4, 1.0, law, 0.01)
    slow = edge_tile(0.5).etched(2.0 * times, 8, 1.0, law, 0.01)
    assert slow.volume[1:] == pytest.approx(plain.volume[1:], rel=5e-3)
    assert slow.floor[1:] == pytest.approx(plain.floor[1:], rel=1e-3)
    assert plain.volume[-1] > 1.1 * plain.floor[-1], "the undercut is a tenth: the check can fail"


def test_tile_without_edge_follows_pace() -> None:
    """Every pixel goes down at its own speed."""
    pace = np.tile(np.linspace(0.5, 1.5, 48), (48, 1))
    tile = Tile(np.ones((48, 48)), np.ones((24, 24)), HALO_PX, 1, pace)
    law = CrowdingLaw(0.0, most_pace=1.5)
    found = tile.etched(np.array([1.0, 2.0]), 1, 1.0, law, 0.01)
    inner = pace[12:36, 12:36]
    assert found.floor == pytest.approx([inner.sum(), 2.0 * inner.sum()])
    assert found.deepest == pytest.approx([inner.max(), 2.0 * inner.max()])
    assert found.depth == pytest.approx(2.0 * inner)
    assert tile.mean_speed(law, 0.01) == pytest.approx((inner.sum(), 576.0))
