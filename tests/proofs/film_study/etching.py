"""Etches a file by the rehearsal's moving front, and compares the result with what was drawn."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from shapely import LineString, contains_xy
from shapely.geometry.base import BaseGeometry

from controller.artwork.loading.levels import find_levels
from controller.artwork.measuring.measure import load_picture
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from hardware.rehearsal.level_set.edges import edge_distance
from hardware.rehearsal.level_set.travel import travel
from tests.proofs.film_study.artworks import Artwork

Floats = npt.NDArray[np.float64]

_AIM_MM = 0.015
_STEP_MM = 0.05
_STAYS, _STAYS_SHARE = 0.98, 0.45
"""A line counts as one that stays when over this share of its length, this share of its width is
left: half, less the step of the cells."""

_ROOM_MM = 0.15
"""Points of an edge count as wide where a disc of the undercut and this much more fits inside."""


@dataclass(frozen=True)
class Etched:
    """How far the open metal reaches.

    :param ahead_mm: for each cell, how far the front has passed it; negative where resist holds.
    """

    ahead_mm: Floats
    cell_mm: float

    def at(self, x_mm: Floats, y_mm: Floats) -> Floats:
        """Return ``ahead_mm`` at places, linear between the centres of cells."""
        x, y = x_mm / self.cell_mm - 0.5, y_mm / self.cell_mm - 0.5
        column = np.clip(np.floor(x).astype(int), 0, self.ahead_mm.shape[1] - 2)
        row = np.clip(np.floor(y).astype(int), 0, self.ahead_mm.shape[0] - 2)
        right, down = np.clip(x - column, 0, 1), np.clip(y - row, 0, 1)
        table = self.ahead_mm
        upper = table[row, column] * (1 - right) + table[row, column + 1] * right
        lower = table[row + 1, column] * (1 - right) + table[row + 1, column + 1] * right
        result: Floats = upper * (1 - down) + lower * down
        return result


def etched(path: Path, depth_mm: float, etch_factor: float) -> Etched:
    """Return how far a film lets the bath etch at a depth. No formula of the film's is used."""
    options = MeasureOptions()
    picture = load_picture(path, options)
    sheet = Sheet(picture, find_levels(picture, False), options)
    finer = max(1, round(sheet.px_mm / _AIM_MM))
    cover = sheet.rows(0, sheet.height_px).astype(np.float64) / sheet.full
    cells = _finer(_finer(cover, finer).T, finer).T
    cell_mm = sheet.px_mm / finer
    distance = edge_distance(cells, 2)
    is_open = cells >= 0.5
    is_start = is_open | (distance <= 1.5)
    # Time is depth in cells: a floor deepens by one cell while the front goes 1 / etch factor.
    start = np.where(np.isfinite(distance), distance, 0.0) * etch_factor
    depth_cells = depth_mm / cell_mm
    arrival = travel(
        np.where(is_start, start, 0.0), is_start, etch_factor, depth_cells + 4.0 * etch_factor
    )
    arrival = np.minimum(arrival, depth_cells + 4.0 * etch_factor)
    inside = np.where(is_open & ~np.isfinite(distance), depth_cells, depth_cells - arrival)
    return Etched(inside / etch_factor * cell_mm, cell_mm)


def _finer(values: Floats, finer: int) -> Floats:
    """Return each row cut into ``finer`` rows, linear between the middles of the old ones."""
    place = (np.arange(len(values) * finer) + 0.5) / finer - 0.5
    first = np.clip(np.floor(place).astype(int), 0, len(values) - 2)
    share = np.clip(place - first, 0.0, 1.0)[:, None]
    return values[first] * (1.0 - share) + values[first + 1] * share


def lines_left(artwork: Artwork, result: Etched) -> int:
    """Return how many of the artwork's resist lines keep half of their width everywhere."""
    count = 0
    for line, width_mm in artwork.lines:
        step = min(_STEP_MM, line.length / 2.0)
        whole = [
            _left_mm(line, way, width_mm, result) >= _STAYS_SHARE * width_mm
            for way in np.arange(step, line.length - step / 2.0, step)
        ]
        count += float(np.mean(whole)) >= _STAYS
    return count


def _left_mm(line: LineString, way: float, width_mm: float, result: Etched) -> float:
    """Return how much resist is left across a line, within its drawn width."""
    before, after = line.interpolate(way - 0.02), line.interpolate(way + 0.02)
    run = np.array([after.x - before.x, after.y - before.y])
    across = np.array([run[1], -run[0]]) / np.hypot(*run)
    middle = line.interpolate(way)
    off = (np.arange(40) + 0.5) / 40 * width_mm - width_mm / 2.0
    ahead = result.at(middle.x + off * across[0], middle.y + off * across[1])
    return float((ahead < 0.0).mean()) * width_mm


def edge_errors_mm(drawn: BaseGeometry, result: Etched, undercut_mm: float) -> Floats:
    """Return how far beyond the drawn edge the metal is open, along the edges of wide features.

    Wide is what a disc of the undercut, and a little more, can reach from inside: corners of an
    opening, and openings that the film cannot narrow further, are left out.
    """
    disc_mm = undercut_mm + _ROOM_MM
    wide = drawn.buffer(-disc_mm, 64).buffer(disc_mm, 64)
    errors = []
    for ring in _rings(drawn):
        along = np.arange(0.0, ring.length, _STEP_MM)
        for way in along:
            point = ring.interpolate(way)
            if wide.distance(point) > 1e-3:
                continue
            ahead, behind = ring.interpolate(way + 0.005), ring.interpolate(way - 0.005)
            run = np.array([ahead.x - behind.x, ahead.y - behind.y])
            if np.hypot(*run) < 0.0098:  # a corner
                continue
            out = np.array([run[1], -run[0]]) / np.hypot(*run)
            if contains_xy(drawn, point.x + 0.002 * out[0], point.y + 0.002 * out[1]):
                out = -out
            errors.append(_crossing_mm(result, np.array([point.x, point.y]), out))
    return np.array(errors)


def _crossing_mm(result: Etched, point: Floats, out: Floats) -> float:
    """Return where the front stands along a normal, mm outside the point; NaN beyond 0.6 mm."""
    ways = np.arange(-0.6, 0.6, 0.004)
    places = point[None, :] + ways[:, None] * out[None, :]
    ahead = result.at(places[:, 0], places[:, 1])
    falls = np.flatnonzero((ahead[:-1] >= 0.0) & (ahead[1:] < 0.0))
    if not len(falls):
        return float("nan")
    k = falls[np.argmin(np.abs(ways[falls]))]
    return float(ways[k] + 0.004 * ahead[k] / (ahead[k] - ahead[k + 1]))


def _rings(shape: BaseGeometry) -> list[BaseGeometry]:
    parts = getattr(shape, "geoms", [shape])
    return [ring for part in parts for ring in (part.exterior, *part.interiors)]
