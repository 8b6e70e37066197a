"""Shapes with known area, edge and growth, and exact raster files of them."""

from __future__ import annotations

import io
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import numpy.typing as npt
from PIL import Image
from shapely import affinity
from shapely.geometry import MultiPolygon, Point, Polygon, box
from shapely.geometry.base import BaseGeometry
from shapely.geometry.polygon import orient
from shapely.ops import unary_union

Floats = npt.NDArray[np.float64]

SIDE_MM = 10.0
"""Side of the sheets that the shapes are drawn on; every shape keeps 1 mm off the edges."""


def rings_of(shape: BaseGeometry) -> list[Floats]:
    """Return the rings of a shape in mm, outer ones one way round and holes the other."""
    parts = shape.geoms if isinstance(shape, MultiPolygon) else [shape]
    rings = []
    for part in parts:
        turned = orient(part, 1.0)
        rings += [np.array(ring.coords)[:-1] for ring in (turned.exterior, *turned.interiors)]
    return rings


def coverage(shape: BaseGeometry, width_px: int, height_px: int, px_mm: float) -> Floats:
    """Return the exact share of each pixel that a polygon covers, by the signed area under its
    edges.

    Every edge is cut where it meets pixel borders; each piece adds the area to its right within its
    pixel, and its height to all pixels beyond. Exact to rounding, no sampling.
    """
    rings = [ring / px_mm for ring in rings_of(shape)]
    start = np.concatenate(rings)
    end = np.concatenate([np.roll(ring, -1, axis=0) for ring in rings])
    pieces = []
    for axis in (0, 1):
        low, high = (
            np.minimum(start[:, axis], end[:, axis]),
            np.maximum(start[:, axis], end[:, axis]),
        )
        first, last = np.floor(low).astype(int) + 1, np.ceil(high).astype(int) - 1
        count = np.maximum(last - first + 1, 0)
        edge = np.repeat(np.arange(len(start)), count)
        line = first[edge] + np.arange(len(edge)) - np.repeat(np.cumsum(count) - count, count)
        pieces.append((edge, (line - start[edge, axis]) / (end - start)[edge, axis]))
    both = np.arange(len(start))
    edge = np.concatenate([both, both, *(edge for edge, _ in pieces)])
    at = np.concatenate([np.zeros(len(start)), np.ones(len(start)), *(at for _, at in pieces)])
    order = np.lexsort((at, edge))
    edge, at = edge[order], at[order]
    same = edge[1:] == edge[:-1]
    edge, low, high = edge[:-1][same], at[:-1][same], at[1:][same]
    run = (end - start)[edge]
    middle = start[edge] + ((low + high) / 2.0)[:, None] * run
    height = (high - low) * run[:, 1]
    col, row = np.floor(middle[:, 0]).astype(int), np.floor(middle[:, 1]).astype(int)
    part = middle[:, 0] - col
    assert col.min() >= 0
    assert col.max() < width_px
    assert row.min() >= 0
    assert row.max() < height_px
    wide = width_px + 1
    flat = row * wide + col
    size = height_px * wide
    sums = np.bincount(flat, height * (1.0 - part), size) + np.bincount(
        flat + 1, height * part, size
    )
    covered: Floats = np.abs(np.cumsum(sums.reshape(height_px, wide), axis=1)[:, :width_px])
    return np.clip(covered, 0.0, 1.0)


def sheet_px(dpi: float) -> int:
    return int(SIDE_MM / 25.4 * dpi)


def grey_image(shape: BaseGeometry, dpi: float) -> Image.Image:
    """Return the sheet with the shape in black, its edges shaded by exact coverage in 8 bits."""
    side = sheet_px(dpi)
    return Image.fromarray(
        (255.0 - np.rint(coverage(shape, side, side, 25.4 / dpi) * 255.0)).astype(np.uint8)
    )


def file_bytes(image: Image.Image, file_format: str, dpi: float | None, **options: object) -> bytes:
    """Return the image as a file."""
    out = io.BytesIO()
    scale = {} if dpi is None else {"dpi": (dpi, dpi)}
    image.save(out, file_format, **scale, **options)
    return out.getvalue()


def save(path: Path, shape: BaseGeometry, dpi: float, kind: str = "grey") -> Path:
    """Write a file of a kind: grey, one_bit, jpeg, or few (2 x 2 samples per pixel)."""
    if kind == "few":
        fine = np.asarray(grey_image(shape, 2 * dpi)) < 128
        side = fine.shape[0] // 2
        share = fine[: 2 * side, : 2 * side].reshape(side, 2, side, 2).mean((1, 3))
        image = Image.fromarray((255.0 - np.rint(share * 255.0)).astype(np.uint8))
    else:
        image = grey_image(shape, dpi)
    if kind == "one_bit":
        image = image.point(lambda level: 255 if level > 127 else 0).convert("1")
    path.write_bytes(
        file_bytes(
            image,
            "JPEG" if kind == "jpeg" else "PNG",
            dpi,
            **({"quality": 90} if kind == "jpeg" else {}),
        )
    )
    return path


def disc(radius: float, x: float = 5.0, y: float = 5.0) -> Polygon:
    """Return a disc as a polygon of 1024 corners, whose own area and edge are the truth."""
    return Point(x, y).buffer(radius, quad_segs=256)


def star(points: int, outer: float, inner: float, x: float, y: float, turn_rad: float) -> Polygon:
    angle = np.arange(2 * points) * np.pi / points + turn_rad
    radius = np.where(np.arange(2 * points) % 2 == 0, outer, inner)
    return Polygon(np.c_[x + radius * np.cos(angle), y + radius * np.sin(angle)])


def bar(width: float, height: float, x: float, y: float, turn_rad: float) -> Polygon:
    return affinity.rotate(
        box(x - width / 2, y - height / 2, x + width / 2, y + height / 2),
        turn_rad,
        (x, y),
        use_radians=True,
    )


def rows_of_bars(
    width: float, pitch: float, count: int, x: float, y: float, turn_rad: float
) -> BaseGeometry:
    bars = [bar(5.0, width, x, y + (k - (count - 1) / 2) * pitch, 0.0) for k in range(count)]
    return affinity.rotate(unary_union(bars), turn_rad, (x, y), use_radians=True)


def dots(radius: float, pitch: float, count: int, rng: np.random.Generator) -> BaseGeometry:
    """Return a square of dots, each a little off its place."""
    off = rng.uniform(-0.02, 0.02, (count, count, 2))
    first = 5.0 - (count - 1) / 2 * pitch
    return unary_union(
        [
            disc(radius, first + i * pitch + off[i, j, 0], first + j * pitch + off[i, j, 1])
            for i in range(count)
            for j in range(count)
        ]
    )


def families(rng: np.random.Generator) -> Iterator[tuple[str, BaseGeometry]]:
    """Yield shapes of every family at a random offset and turn."""

    def place() -> tuple[float, float]:
        x, y = 5.0 + rng.uniform(-0.05, 0.05, 2)
        return float(x), float(y)

    def turn() -> float:
        return float(rng.uniform(0.0, 2.0 * np.pi))

    yield "disc 4 mm", disc(2.0, *place())
    yield "disc 1 mm", disc(0.5, *place())
    yield "disc 0.5 mm", disc(0.25, *place())
    x, y = place()
    yield "ring 4 mm", disc(2.0, x, y).difference(disc(1.7, x, y))
    yield "square 2 mm", bar(2.0, 2.0, *place(), turn())
    yield "square 1 mm", bar(1.0, 1.0, *place(), turn())
    yield "square 1 mm, level", bar(1.0, 1.0, *place(), 0.0)
    yield "square 0.5 mm", bar(0.5, 0.5, *place(), turn())
    yield "bar 6 x 1 mm", bar(6.0, 1.0, *place(), turn())
    yield "star of 5, 6 mm", star(5, 3.0, 3.0 * 0.382, *place(), turn())
    yield "star of 8, 2 mm", star(8, 1.0, 0.541, *place(), turn())
    yield "lines 0.1 mm", rows_of_bars(0.1, 0.35, 11, *place(), turn())
    yield "lines 0.1 mm, level", rows_of_bars(0.1, 0.35, 11, *place(), 0.0)
    yield "lines 0.2 mm", rows_of_bars(0.2, 0.5, 9, *place(), turn())
    yield "dots 0.5 mm", dots(0.25, 0.8, 7, rng)
    yield "dots 0.3 mm", dots(0.15, 0.6, 9, rng)
    yield "dots 0.2 mm", dots(0.1, 0.5, 11, rng)
