"""The preview shows the measured widths, in patterns that do not need colour."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import box
from shapely.ops import unary_union

from controller.artwork.limits import PREVIEW_SIDE_PX
from controller.artwork.measuring.measure import measure_file
from controller.artwork.measuring.preview import (
    _ETCHED,
    _LINE,
    _LOST,
    _LOST_STRIPE,
    _RESIST,
    _UNDERCUT,
    _block_sums,
)
from controller.artwork.options import MeasureOptions
from tests.kits.artwork.shapes import save, sheet_px

SHAPE = unary_union([box(1, 1, 4, 9), box(4.3, 1, 6, 9), box(7.5, 1, 9, 9)])
"""Gaps of 0.3 mm, which an undercut of 0.2 mm takes, and of 1.5 mm, which it leaves."""


def preview_of(tmp_path: Path, options: MeasureOptions, dpi: float = 600) -> np.ndarray:
    measure_file(save(tmp_path / "a.png", SHAPE, dpi), options, tmp_path / "p.png")
    with Image.open(tmp_path / "p.png") as image:
        return np.asarray(image.convert("RGB")).astype(int)


def shows(picture: np.ndarray, colour: tuple[int, int, int]) -> np.ndarray:
    return (np.abs(picture - np.array(colour)) <= 12).all(-1)


@pytest.fixture
def picture(tmp_path: Path) -> np.ndarray:
    return preview_of(tmp_path, MeasureOptions(depth_mm=0.24, etch_factor=1.2))


def at(picture: np.ndarray, x_mm: float, y_mm: float, half: int = 4) -> np.ndarray:
    """Return a small square of the picture; it is enlarged three times here."""
    col, row = (round(value / 25.4 * 600 * 3) for value in (x_mm, y_mm))
    return picture[row - half : row + half + 1, col - half : col + half + 1]


def test_each_kind_in_its_place(picture: np.ndarray) -> None:
    """Each kind of line is marked in its place."""
    assert shows(at(picture, 2.5, 5), _ETCHED).all()
    assert shows(at(picture, 6.75, 5), _RESIST).all()
    assert shows(at(picture, 6.1, 5), _UNDERCUT).all()
    gap = at(picture, 4.15, 5, half=8)
    assert shows(gap, _LOST).any()
    assert shows(gap, _LOST_STRIPE).any()
    assert not shows(at(picture, 6.75, 5, half=20), _LOST).any()


def test_edge_of_the_undercut(picture: np.ndarray) -> None:
    """The undercut's edge is a line at its distance."""
    row = picture[round(5 / 25.4 * 600 * 3)]
    black = np.flatnonzero(shows(row, _LINE)) / 3 / 600 * 25.4
    for x_mm in (0.8, 6.2, 7.3, 9.2):
        assert np.abs(black - x_mm).min() < 0.05


def test_lost_lines_differ_without_colour(picture: np.ndarray) -> None:
    """In grey alone: stripes of two lightnesses inside a black ring, which nothing else has."""
    grey = picture.mean(-1)
    gap = at(grey, 4.15, 5, half=8)
    assert np.ptp(gap) > 120
    across = grey[
        round(5 / 25.4 * 600 * 3), round(3.9 / 25.4 * 600 * 3) : round(4.4 / 25.4 * 600 * 3)
    ]
    assert (across < 30).sum() >= 2
    lightness = [np.mean(colour) for colour in (_ETCHED, _UNDERCUT, _RESIST)]
    assert min(abs(a - b) for k, a in enumerate(lightness) for b in lightness[:k]) > 40


def test_no_depth_no_undercut(tmp_path: Path) -> None:
    """Without a depth there is only etched and resist."""
    picture = preview_of(tmp_path, MeasureOptions())
    drawing = picture[: 3 * sheet_px(600)]
    assert shows(drawing, _ETCHED).any()
    assert not shows(drawing, _LOST).any()
    assert not shows(drawing, _UNDERCUT).any()


@pytest.mark.parametrize("dpi", [300, 600])
def test_the_legend_and_the_size(tmp_path: Path, dpi: float) -> None:
    picture = preview_of(tmp_path, MeasureOptions(depth_mm=0.24, etch_factor=1.2), dpi)
    enlarged = 800 // sheet_px(dpi) * sheet_px(dpi)
    assert picture.shape[1] == enlarged
    legend = picture[enlarged:]
    assert 80 < len(legend) < 140
    for colour in (_ETCHED, _UNDERCUT, _LOST, _LINE):
        assert shows(legend, colour).any()


def test_large_sheet_reduced(tmp_path: Path) -> None:
    """A large sheet is brought down."""
    side = 2 * PREVIEW_SIDE_PX + 300
    image = Image.new("L", (side, 600), 255)
    image.paste(0, (100, 100, side - 100, 300))
    image.save(tmp_path / "a.png", dpi=(600, 600))
    measure_file(tmp_path / "a.png", MeasureOptions(), tmp_path / "p.png")
    with Image.open(tmp_path / "p.png") as preview:
        width, _ = preview.size
    assert PREVIEW_SIDE_PX / 2 < width <= PREVIEW_SIDE_PX


@pytest.mark.parametrize("block", [1, 2, 3, 7])
def test_blocks_summed_at_edges(block: int) -> None:
    """Against one block at a time."""
    values = np.random.default_rng(block).integers(0, 256, (13, 20)).astype(np.uint8)
    filled = np.pad(values, ((0, -13 % block), (0, -20 % block)), mode="edge").astype(int)
    found = _block_sums(values, block)
    assert found.shape == (-(-13 // block), -(-20 // block))
    for row, col in np.ndindex(*found.shape):
        assert (
            found[row, col]
            == filled[row * block : (row + 1) * block, col * block : (col + 1) * block].sum()
        )
