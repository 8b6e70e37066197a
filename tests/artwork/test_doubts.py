"""What a file may not mean: dust, polarity, plain colours, a harmless DOCTYPE, thin strokes."""

from __future__ import annotations

import math
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image, ImageDraw

from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from controller.errors import RefusedError
from tests.kits.artwork.files import pdf, svg

PX_PER_MM = 600 / 25.4


def measured(tmp_path: Path, file: bytes | Image.Image, **options: Any) -> ArtworkMeasure:
    path = tmp_path / "artwork"
    if isinstance(file, bytes):
        path.write_bytes(file)
    else:
        file.save(path, format="PNG", dpi=(600, 600))
    return measure_file(path, MeasureOptions(**options))


def keys(found: ArtworkMeasure) -> list[str]:
    return [warning.key for warning in found.warnings]


def scan(specks: int, speck_mm: float = 0.2, seed: int = 1) -> Image.Image:
    """A square of 10 mm on a sheet of 30 mm, scanned with dust at random places."""
    rng = np.random.default_rng(seed)
    side = round(30 * PX_PER_MM)
    grey = np.full((side, side), 250.0)
    low, high = round(10 * PX_PER_MM), round(20 * PX_PER_MM)
    grey[low:high, low:high] = 8.0
    picture = Image.fromarray(grey.astype(np.uint8))
    draw = ImageDraw.Draw(picture)
    for _ in range(specks):
        x, y = rng.uniform(0.5, 29.5, 2) * PX_PER_MM
        half = 0.5 * speck_mm * PX_PER_MM
        level = 250 if low < x < high and low < y < high else 8
        draw.ellipse((x - half, y - half, x + half, y + half), fill=level)
    noisy = np.asarray(picture, float) + rng.normal(0.0, 2.0, (side, side))
    return Image.fromarray(np.clip(noisy, 0, 255).astype(np.uint8))


def test_dust_is_asked_about(tmp_path: Path) -> None:
    """Dust is counted and placed, and the range covers the square without it and with it."""
    clean = measured(tmp_path, scan(0))
    assert "artwork.specks" not in keys(clean)
    dusty = measured(tmp_path, scan(300))
    (asked,) = [warning for warning in dusty.warnings if warning.key == "artwork.specks"]
    assert 270 <= asked.values["count"] <= 300  # some lie on the square's edge, or on each other
    assert abs(dusty.edge_mm - clean.edge_mm) < 2.0 * dusty.edge_uncertainty_mm
    assert abs(dusty.area_mm2 - clean.area_mm2) < 2.0 * dusty.area_uncertainty_mm2
    assert clean.edge_uncertainty_mm < 0.1 * dusty.edge_uncertainty_mm


@pytest.mark.parametrize(("specks", "size_mm"), [(4, 0.2), (30, 0.6)])
def test_few_or_large_specks_are_drawn(tmp_path: Path, specks: int, size_mm: float) -> None:
    assert "artwork.specks" not in keys(measured(tmp_path, scan(specks, size_mm)))


def test_dust_is_placed_on_the_artwork(tmp_path: Path) -> None:
    """The topmost speck, from the artwork's corner also where the plate's outline cuts it."""
    image = Image.new("L", (709, 709), 255)
    draw = ImageDraw.Draw(image)
    for k in range(6):
        draw.rectangle((300 + 20 * k, 400 + 10 * k, 303 + 20 * k, 403 + 10 * k), fill=0)
    found = measured(tmp_path, image, plate_width_mm=20.0, plate_height_mm=16.0)
    (asked,) = found.warnings
    assert asked.values["x_mm"] == pytest.approx(300 / PX_PER_MM, abs=0.05)
    assert asked.values["y_mm"] == pytest.approx(400 / PX_PER_MM, abs=0.05)
    assert "e+" not in str(asked), "these specks are all of the edge: 100 %, not 1e+02 %"


def test_preview_shows_the_dust(tmp_path: Path) -> None:
    """A ring around each speck, on the picture and in its legend; none on a clean scan."""
    pictures = {}
    for count in (0, 40):
        file = tmp_path / f"{count}.png"
        scan(count, 0.15).save(file, dpi=(600, 600))
        out = tmp_path / f"{count}-preview.png"
        measure_file(file, MeasureOptions(), out)
        pictures[count] = np.asarray(Image.open(out).convert("RGB")).astype(int)
    clean, dusty = pictures[0], pictures[40]
    assert len(dusty) > len(clean), "one more line of the legend"
    rows = min(len(clean), len(dusty)) - 120
    changed = (np.abs(clean[:rows] - dusty[:rows]).sum(2) > 60).sum()
    # Rings of radius 7 and 4 px wide, some of them over each other.
    assert changed > 40 * 60


def test_drawn_dots_are_no_dust(tmp_path: Path) -> None:
    dots = "".join(f'<circle cx="{2 + i % 40}" cy="{2 + i // 40}" r="0.1"/>' for i in range(300))
    assert keys(measured(tmp_path, svg(dots))) == []


def test_open_rim_is_asked_about(tmp_path: Path) -> None:
    """White on black, read as black is etched."""
    image = Image.new("L", (700, 500), 0)
    image.paste(255, (100, 100, 600, 400))
    assert keys(measured(tmp_path, image)) == ["artwork.open_rim"]
    assert keys(measured(tmp_path, image, invert=True)) == []


@pytest.mark.parametrize("colour", ["red", "yellow", "#00ffff", "blue", "lime"])
def test_plain_colours_are_ink(tmp_path: Path, colour: str) -> None:
    """A drawing, a page and a picture in a plain colour measure as in black."""
    rgb = Image.new("RGB", (1, 1), colour).getpixel((0, 0))
    assert isinstance(rgb, tuple)
    drawing = measured(tmp_path, svg(f'<rect x="5" y="5" width="10" height="10" fill="{colour}"/>'))
    paint = " ".join(str(value / 255) for value in rgb)
    page = measured(tmp_path, pdf([f"{paint} rg 5 5 10 10 re f"], 50, 30))
    image = Image.new("RGB", (700, 500), "white")
    image.paste(rgb, (100, 100, 336, 336))
    picture = measured(tmp_path, image)
    for found, area_mm2 in ((drawing, 100.0), (page, 100.0), (picture, (236 / PX_PER_MM) ** 2)):
        assert found.area_mm2 == pytest.approx(area_mm2, rel=1e-3)
        assert keys(found) == []


@pytest.mark.parametrize("shift_px", [0.33, 1.0])
def test_fringes_are_no_colour(tmp_path: Path, shift_px: float) -> None:
    """A colour scan whose channels lie beside each other measures as a grey one does.

    The stated uncertainty holds within three deviations, as on other scans (uncertainty.py). Shifts
    of up to a pixel between the channels of a scanner: common practice, no source.
    """
    fine, bars = 16, 20
    x = np.arange(800 * fine) / fine
    channels = []
    for shift in (shift_px, 0.0, -shift_px):
        starts = 60.0 + 32.0 * np.arange(bars)[:, None] + shift
        inside = ((x >= starts) & (x < starts + 11.8)).any(0)
        level = np.full((300, 800), 245.0)
        level[40:260] -= 235.0 * inside.reshape(800, fine).mean(1)
        channels.append(level + np.random.default_rng(1).normal(0.0, 2.0, level.shape))
    image = Image.fromarray(np.clip(np.dstack(channels), 0, 255).astype(np.uint8))
    found = measured(tmp_path, image)
    true_mm2 = bars * 11.8 * 220 / PX_PER_MM**2
    assert found.area_mm2 == pytest.approx(true_mm2, abs=3.0 * found.area_uncertainty_mm2)


@pytest.mark.parametrize("colour", ["red", "yellow"])
def test_coloured_disc_in_a_picture(tmp_path: Path, colour: str) -> None:
    """The shaded rim of a coloured disc counts as it does in black, across bands of rows."""
    side, radius, fine = 900, 380.3, 4
    large = Image.new("L", (side * fine, side * fine), 0)
    middle, reach = side * fine / 2 - 0.5, radius * fine
    box = (middle - reach, middle - reach, middle + reach, middle + reach)
    ImageDraw.Draw(large).ellipse(box, fill=255)
    mask = large.reduce(fine)
    areas = {}
    for paint in ("black", colour):
        image = Image.new("RGB", (side, side), "white")
        image.paste(paint, (0, 0), mask)
        areas[paint] = measured(tmp_path, image)
    found = areas[colour]
    assert keys(found) == []
    assert found.area_mm2 == pytest.approx(areas["black"].area_mm2, rel=1e-4)
    assert found.edge_mm == pytest.approx(areas["black"].edge_mm, rel=1e-3)


def test_plain_doctype_is_drawn(tmp_path: Path) -> None:
    """The DOCTYPE that many drawing programs write. Source: SVG 1.1, section 1.3."""
    doctype = (
        b'<?xml version="1.0" standalone="no"?>\n<!DOCTYPE svg PUBLIC "-//W3C//DTD SVG 1.1//EN" '
        b'"http://www.w3.org/Graphics/SVG/1.1/DTD/svg11.dtd">\n'
    )
    body = svg('<rect x="5" y="5" width="10" height="10"/>')
    assert measured(tmp_path, doctype + body).area_mm2 == pytest.approx(100.0, rel=1e-3)
    with pytest.raises(RefusedError) as caught:
        measured(tmp_path, b'<!DOCTYPE svg [<!ENTITY a "b">]>' + body)
    assert caught.value.message.key == "artwork.svg.doctype"


@pytest.mark.parametrize("width_mm", [0.05, 0.1, 0.2])
def test_thin_strokes_are_covered(tmp_path: Path, width_mm: float) -> None:
    """Strokes along the grid, at many places: the true area lies within two deviations.

    The renderer places an upright edge in steps of a quarter pixel, all edges of a drawing alike.
    """
    off = []
    for place in np.linspace(5.0, 5.08, 6):
        lines = "".join(
            f'<path d="M{place + 2 * k} 5V25" stroke="black" stroke-width="{width_mm}"/>'
            for k in range(10)
        )
        found = measured(
            tmp_path, svg(lines, 'width="100mm" height="80mm"', 'viewBox="0 0 100 80"')
        )
        off.append((found.area_mm2 - 200.0 * width_mm) / found.area_uncertainty_mm2)
    assert np.abs(off).max() < 2.0, off
    assert math.sqrt(np.mean(np.square(off))) < 1.3
