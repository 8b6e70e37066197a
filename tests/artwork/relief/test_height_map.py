"""The height map: read back it gives the depth, and its scale is in the file."""

from __future__ import annotations

import io
import json
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner
from PIL import Image
from shapely.geometry import box

from api.cli.command_line import main
from controller.artwork.options import MeasureOptions
from controller.artwork.relief.grid import plate_grid
from controller.artwork.relief.height_map import HIGHEST_LEVEL, level_mm, write_height_map
from controller.artwork.relief.make import MOST_PIXELS, relief_file, relief_of
from controller.artwork.relief.options import HEIGHT_MAP, PICTURE, ReliefOptions
from controller.artwork.relief.shading import shaded
from controller.errors import RefusedError
from tests.kits.artwork.shapes import save


@pytest.fixture
def artwork(tmp_path: Path) -> Path:
    return save(tmp_path / "a.png", box(2.0, 2.0, 8.0, 6.0), 600)


def test_read_back_within_half_level(artwork: Path) -> None:
    """Any reader of PNG gets the depth back, by the scale in the text chunks."""
    options = ReliefOptions(HEIGHT_MAP, 0.25, 1.2, 0.35)
    out = io.BytesIO()
    figures = relief_file(artwork, MeasureOptions(), options, out)
    depth_mm, _ = relief_of(plate_grid(artwork, MeasureOptions(), MOST_PIXELS), options)
    with Image.open(out) as image:
        assert image.mode == "I;16"
        scale, levels = dict(image.info), np.asarray(image, np.float64)
    step_mm = float(scale["mm_per_level"])
    found_mm = levels * step_mm + float(scale["offset_mm"])
    assert np.abs(found_mm + depth_mm).max() <= 0.5001 * step_mm
    assert step_mm < 0.0001
    assert figures["mm_per_level"] == step_mm
    assert float(scale["pixel_mm"]) == pytest.approx(25.4 / 600, rel=1e-9)
    # pHYs holds whole pixels per metre. Source: PNG specification, 11.3.4.3.
    assert scale["dpi"][0] == pytest.approx(600, rel=1e-4)
    assert levels.max() == HIGHEST_LEVEL


@pytest.mark.parametrize("deepest_mm", [1e-4, 0.25, 0.65535, 0.6554, 3.0])
def test_levels_reach_deepest(deepest_mm: float) -> None:
    """The deepest place has a level, and no more than two and a half times as many are unused."""
    step_mm = level_mm(deepest_mm)
    assert deepest_mm <= HIGHEST_LEVEL * step_mm * (1 + 1e-12)
    assert deepest_mm < 0.06 or deepest_mm > HIGHEST_LEVEL * step_mm / 2.6


def test_flat_map_has_a_scale() -> None:
    out = io.BytesIO()
    scale = write_height_map(out, np.zeros((4, 4), np.float32), 0.1)
    assert scale["mm_per_level"] > 0.0


def test_command_prints_scale(artwork: Path, tmp_path: Path) -> None:
    """The command writes both files and prints the scale that is in the file."""
    picture, height_map = tmp_path / "p.png", tmp_path / "h.png"
    command = ["relief", str(artwork), "--depth-mm", "0.25", "--json"]
    places = ["--picture", str(picture), "--height-map", str(height_map)]
    done = CliRunner().invoke(main, [*command, *places])
    assert done.exit_code == 0, done.output
    printed = json.loads(done.stdout)
    with Image.open(height_map) as image:
        assert float(image.info["mm_per_level"]) == printed["mm_per_level"]
        assert image.size == (printed["width_px"], printed["height_px"])
        deepest = HIGHEST_LEVEL - int(np.asarray(image).min())
    assert deepest * printed["mm_per_level"] == pytest.approx(printed["deepest_mm"], abs=1e-5)
    assert printed["deepest_mm"] > 0.25
    with Image.open(picture) as image:
        assert image.mode == "L"
        assert image.info["dpi"][0] > 600


def test_command_refuses_nothing_to_write(artwork: Path) -> None:
    done = CliRunner().invoke(main, ["relief", str(artwork), "--depth-mm", "0.25"])
    assert done.exit_code == 2
    assert "--picture" in done.output


def test_light_comes_from_top_left() -> None:
    """A wall that faces the top left is brighter than the surface, the opposite one darker."""
    height_mm = np.zeros((40, 40), np.float32)
    rise = np.linspace(0.0, -0.2, 10, dtype=np.float32)
    height_mm[:, 10:20], height_mm[:, 20:30] = rise, rise[::-1]
    grey = shaded(height_mm, 0.05).astype(int)
    assert grey[20, 12] < grey[20, 5] < grey[20, 26]


def test_impossible_undercut_refused() -> None:
    with pytest.raises(RefusedError, match="undercut"):
        ReliefOptions(PICTURE, 3.0, 0.5)
