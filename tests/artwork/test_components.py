"""Open fields against scipy's labelling, in bands of any height."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import label
from scipy.sparse import coo_matrix
from scipy.sparse.csgraph import connected_components

from controller.artwork.distances.components import FieldCount, component_roots
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions


@pytest.mark.parametrize("seed", range(40))
def test_fields_in_bands_match_scipy(seed: int) -> None:
    """Fields in bands are SciPy's fields."""
    rng = np.random.default_rng(seed)
    height, width = rng.integers(1, 60, 2)
    is_open = rng.random((height, width)) < rng.uniform(0.1, 0.9)
    fields, top = FieldCount(), 0
    while top < height:
        rows = int(rng.integers(1, 20))
        fields.add(is_open[top : top + rows])
        top += rows
    assert fields.total == label(is_open, np.ones((3, 3)))[1]


@pytest.mark.parametrize("seed", range(20))
def test_specks_match_scipy(seed: int) -> None:
    """The small fields, their areas and places are those of SciPy, across bands too."""
    rng = np.random.default_rng(seed)
    height, width = rng.integers(1, 60, 2)
    is_open = rng.random((height, width)) < rng.uniform(0.05, 0.5)
    fields, top = FieldCount(speck_px2=4.0), 0
    while top < height:
        rows = int(rng.integers(1, 20))
        fields.add(is_open[top : top + rows])
        top += rows
    names, count = label(is_open, np.ones((3, 3)))
    expected = []
    for name in range(1, count + 1):
        rows_of, columns_of = np.nonzero(names == name)
        if len(rows_of) <= 4:
            expected.append((len(rows_of), columns_of.min(), rows_of.min()))
    found = fields.specks
    assert sorted(zip(found.area_px2, found.x_px, found.y_px, strict=True)) == sorted(expected)


def test_components_are_scipys_components() -> None:
    rng = np.random.default_rng(5)
    a, b = rng.integers(0, 500, 400), rng.integers(0, 500, 400)
    root = component_roots(500, a, b)
    count, names = connected_components(
        coo_matrix((np.ones(400), (a, b)), (500, 500)), directed=False
    )
    assert len(np.unique(root)) == count
    assert all(len(np.unique(names[root == value])) == 1 for value in np.unique(root))


def test_spiral_is_one_field() -> None:
    """A spiral across bands is one field."""
    is_open = np.zeros((9, 9), np.bool_)
    is_open[0, :] = is_open[:, 8] = is_open[8, :] = is_open[2:, 0] = is_open[2, :7] = is_open[
        2:7, 6
    ] = is_open[6, 2:7] = True
    fields = FieldCount()
    for row in is_open:
        fields.add(row[None, :])
    assert fields.total == label(is_open, np.ones((3, 3)))[1] == 1


def test_fields_of_sheet_match_scipy(tmp_path: Path) -> None:
    """Specks over several bands, counted a part of a band at a time."""
    is_open = np.random.default_rng(8).random((1100, 90)) < 0.2
    path = tmp_path / "a.png"
    Image.fromarray((255 * ~is_open).astype(np.uint8)).convert("1").save(path, dpi=(600, 600))
    assert measure_file(path, MeasureOptions()).open_fields == label(is_open, np.ones((3, 3)))[1]
