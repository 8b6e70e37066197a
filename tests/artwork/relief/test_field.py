"""The field of a plate: read back, damaged, and the same depth as the relief's."""

from __future__ import annotations

import gzip
import io
import json
import math
import struct
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from shapely import unary_union
from shapely.geometry import box

from controller.artwork.options import MeasureOptions
from controller.artwork.relief.client import plate_field
from controller.artwork.relief.field import half_width_codes
from controller.artwork.relief.field_form import (
    MAGIC,
    MOST_FIELD_BYTES,
    DamagedFieldError,
    Field,
    head_of,
    read_field,
    unpacked,
)
from controller.artwork.relief.grid import plate_grid
from controller.artwork.relief.make import MOST_PIXELS, relief_file, relief_of
from controller.artwork.relief.options import FIELD, PICTURE, ReliefOptions
from controller.artwork.relief.profile import depth_at_mm, profile
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.physics.places import EVENNESS_GRID
from tests.kits.artwork.shapes import save

SHAPE = unary_union([box(2.0, 2.0, 8.0, 6.0), box(2.0, 7.0, 8.0, 7.3)])


@pytest.fixture(scope="module")
def artwork(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save(tmp_path_factory.mktemp("field") / "a.png", SHAPE, 600)


@pytest.fixture(scope="module")
def packed(artwork: Path) -> bytes:
    out = io.BytesIO()
    relief_file(artwork, MeasureOptions(), ReliefOptions(FIELD, 0.1), out)
    return out.getvalue()


@pytest.fixture(scope="module")
def field(packed: bytes) -> Field:
    return read_field(packed)


@pytest.mark.parametrize("evenness", [0.0, 0.35, 0.65])
def test_same_depth_as_relief(artwork: Path, field: Field, evenness: float) -> None:
    """What a page draws from the field agrees with the relief at full resolution."""
    options = ReliefOptions(PICTURE, 0.25, 1.2, evenness)
    grid = plate_grid(artwork, MeasureOptions(), MOST_PIXELS)
    depth_mm, _ = relief_of(grid, options)
    for x_mm, y_mm in ((5.0, 4.0), (5.0, 7.15), (8.05, 4.0), (8.1, 4.0), (9.5, 4.0)):
        row, column = int(y_mm / grid.pixel_mm), int(x_mm / grid.pixel_mm)
        there = ((column + 0.5) * grid.pixel_mm, (row + 0.5) * grid.pixel_mm)
        found_mm = depth_at_mm(field, *there, 0.25, 1.2, evenness)
        assert found_mm == pytest.approx(float(depth_mm[row, column]), rel=0.04, abs=0.006)


def test_profile_has_its_ellipse(field: Field) -> None:
    """Across the edge: floor, quarter ellipse, untouched surface."""
    pairs = profile(field, (7.0, 4.0, 9.0, 4.0), 41, 0.25, 1.25, 0.0)
    assert pairs[0] == (0.0, pytest.approx(0.25, rel=1e-6))
    assert pairs[-1] == (2.0, 0.0)
    under_mm = dict(pairs)[1.1]
    assert under_mm == pytest.approx(0.25 * math.sqrt(1.0 - (0.1 / 0.2) ** 2), abs=0.01)


def test_place_has_its_ratios(field: Field) -> None:
    """A line gets deeper than the middle of a floor, the more so the more ohmic the bath."""
    floor, line = field.place_at(5.0, 4.0), field.place_at(5.0, 7.15)
    assert floor.name == line.name == "tapped"
    assert floor.ratios[0] == line.ratios[0] == pytest.approx(1.0, abs=1e-3)
    differences = [b / a for a, b in zip(floor.ratios, line.ratios, strict=True)]
    assert differences == sorted(differences)
    assert differences[-1] > 1.3
    assert len(line.ratios) == len(EVENNESS_GRID)


@pytest.mark.parametrize("place", [(-0.5, 4.0), (5.0, 6.5), (30.0, 4.0)])
def test_place_beside_metal_refused(field: Field, place: tuple[float, float]) -> None:
    with pytest.raises(RefusedError):
        field.place_at(*place)


def test_half_width_of_lines() -> None:
    """A resist line is lost by an undercut above half its width, a wide field by none."""
    pixel_mm = 0.02
    is_open = np.ones((60, 400), np.bool_)
    is_open[:, 100:120] = False  # 0.4 mm
    is_open[:, 200:390] = False  # 3.8 mm
    row = np.arange(400)
    inside = np.full(400, -9.0)
    inside[100:120] = np.minimum(row[100:120] - 99.5, 119.5 - row[100:120])
    inside[200:390] = np.minimum(row[200:390] - 199.5, 389.5 - row[200:390])
    distance_mm = np.tile((inside * pixel_mm).astype(np.float32), (60, 1))
    codes = half_width_codes(is_open, distance_mm, pixel_mm)
    assert 0.14 <= codes[30, 110] * 0.01 <= 0.24
    assert codes[30, 300] == 255
    assert codes[30, 50] == 0


def damaged(field: Field, **changes: object) -> bytes:
    head = head_of(replace(field.header, **changes))  # type: ignore[arg-type]
    return gzip.compress(head + field.body, mtime=0)


@pytest.mark.parametrize(
    "changes", [{"width_px": 5}, {"pixel_mm": 0.0}, {"middle_ratios": (1.0,)}, {"width_px": -4}]
)
def test_damaged_field_refused(field: Field, changes: dict[str, object]) -> None:
    """A worker may be in the hands of its file: sizes are checked before they are used."""
    assert read_field(damaged(field)) == field
    with pytest.raises(DamagedFieldError):
        read_field(damaged(field, **changes))


def test_bomb_is_not_unpacked() -> None:
    """Never more than a field's size comes out of the packed bytes."""
    bomb = gzip.compress(MAGIC + bytes(10 * MOST_FIELD_BYTES))
    assert len(bomb) < 100_000
    with pytest.raises(DamagedFieldError):
        unpacked(bomb)


@pytest.mark.parametrize("content", [b"", b"no gzip", gzip.compress(b"short", mtime=0)])
def test_other_bytes_refused(content: bytes) -> None:
    with pytest.raises(DamagedFieldError):
        read_field(content)


def test_header_words_checked() -> None:
    words = json.dumps({"width_px": 1}).encode()
    with pytest.raises(DamagedFieldError):
        read_field(gzip.compress(MAGIC + struct.pack("<I", len(words)) + words))


def test_worker_makes_field_confined(artwork: Path, packed: bytes, tmp_path: Path) -> None:
    """The confined process makes the same field as the function."""
    found = plate_field(artwork, MeasureOptions(), BathField(), tmp_path / "f")
    assert found == read_field(packed)
    assert read_field((tmp_path / "f").read_bytes()) == found
