"""Solves the etching of an artwork as a moving front on its pixels, tile by tile.

Runs in a separate process (worker.py). It uses coverage, etch factor and speeds alone, no growth
curve and no volume formula.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import replace

import numpy as np

from controller.artwork.loading.levels import find_levels
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.measuring.measure import load_picture
from controller.artwork.measuring.sheet import Sheet
from controller.errors import RefusedError
from hardware.rehearsal.field.kinetics import Kinetics
from hardware.rehearsal.field.solver import Bath
from hardware.rehearsal.front_table import FrontRow, FrontTable
from hardware.rehearsal.level_set.edges import Floats
from hardware.rehearsal.level_set.job import FrontJob, FrontSolution
from hardware.rehearsal.level_set.overview import Overview
from hardware.rehearsal.level_set.pace import PaceMap
from hardware.rehearsal.level_set.places import TrueDepths
from hardware.rehearsal.level_set.tile import HALO_CELLS, CrowdingLaw, Tile

AIM_CELLS = 16
"""Wanted cells over the largest undercut. Source: errors against exact shapes,
tests/rehearsal/test_level_set.py."""

FINEST_MM, COARSEST_MM = 0.005, 0.02
"""Limits of the wanted cells, mm. No artwork file is finer than the first; at the second, lines of
0.1 mm are five cells wide."""

MOST_CELL_STEPS = 3e8
"""Most cells times steps with cells finer than the file's. Source: 20 to 30 ns each on a desktop
processor."""

REFUSED_CELL_STEPS = 4e9

_STEP = 0.5
"""Cells that the front moves along the resist in a step. The scheme is stable up to 0.7."""

_TILE_CELLS = 256
_ROWS = 40
"""Most rows of the table. Straight lines between them are off by less than 0.05 % of the volume."""


def solve_front(job: FrontJob, file: ReadableFile | None = None) -> FrontSolution:
    """Return the etching of an artwork, all its copies.

    :param file: the artwork, in place of the job's path when it is open already.
    Raises: RefusedError when the file or the options cannot be used or the job is too large.
    """
    reach_mm = job.undercut_mm
    options = replace(job.options, depth_mm=None, etch_factor=None, max_undercut_mm=reach_mm)
    picture = load_picture(file or job.path, options)
    sheet = Sheet(picture, find_levels(picture, options.invert), options)
    overview = Overview(sheet) if job.evenness > 0.0 or job.spots else None
    pace = None
    if job.evenness > 0.0 and overview is not None:
        bath, kinetics = Bath(job.gap_mm), Kinetics(job.evenness)
        pace = PaceMap(overview, sheet.px_mm, reach_mm, bath, kinetics)
    law = CrowdingLaw(job.crowding, most_pace=1.0 if pace is None else pace.fastest)
    finer, steps = _resolution(sheet, job, law)
    cell_mm = sheet.px_mm / finer
    front_mm = reach_mm * law.most_pace + law.width_mm
    walk = _Walk(sheet, finer, math.ceil(front_mm / sheet.px_mm) + HALO_CELLS, pace)
    if job.crowding > 0.0 or pace is not None:
        law = law.with_mean(_weighted(tile.mean_speed(law, cell_mm) for tile in walk))
    # The last step ends at the deepest floor. The first starts half a step in, before any front
    # moves.
    per_row = math.ceil(steps / _ROWS)
    rows = math.ceil(steps / per_row) + 1
    step = job.deepest_mm / cell_mm / ((rows - 1) * per_row + 0.5)
    times = step * (per_row * np.arange(rows, dtype=np.float64) + 0.5)
    volume, floor, deepest = np.zeros(rows), np.zeros(rows), np.zeros(rows)
    open_cells = 0.0
    truth = None
    if overview is not None and job.spots:
        truth = TrueDepths(sheet, overview, job.spots, law.fastest * float(times[-1]))
    for tile in walk:
        part = tile.etched(times, per_row, job.etch_factor, law, cell_mm)
        volume += part.volume
        floor += part.floor
        np.maximum(deepest, part.deepest, out=deepest)
        open_cells += part.open_cells
        if truth is not None:
            truth.add(*tile.corner_px, part.depth, part.open_weight, part.finer)
    if open_cells <= 0.0:
        raise RefusedError("hardware.front.nothing_open", field="invert")
    mm3 = cell_mm**3 * options.copies
    figures = zip(floor / open_cells * cell_mm, volume * mm3, deepest * cell_mm, strict=True)
    # The first row is left out: with a quarter of a cell of undercut, the grid still shows.
    rows_of_table = (FrontRow(0.0, 0.0, 0.0), *[FrontRow(*map(float, row)) for row in figures][1:])
    ratios = () if truth is None else truth.over(float(floor[-1]) / open_cells)
    found = zip(job.spots, ratios, strict=False)
    table = FrontTable(rows_of_table, tuple((spot, r) for spot, r in found if r is not None))
    return FrontSolution(table, cell_mm, sheet.width_px * sheet.height_px * finer**2, steps)


def _resolution(sheet: Sheet, job: FrontJob, law: CrowdingLaw) -> tuple[int, int]:
    """Return the number of cells per pixel of the grid, each way, and the number of steps."""
    reach_mm = job.undercut_mm
    aim_mm = min(max(reach_mm / AIM_CELLS, FINEST_MM), COARSEST_MM)

    def steps(finer: int) -> int:
        return max(4, math.ceil(reach_mm / (sheet.px_mm / finer) * law.fastest / _STEP + 0.5))

    def cost(finer: int) -> float:
        return float(sheet.width_px * sheet.height_px) * finer**2 * steps(finer)

    finer = math.ceil(sheet.px_mm / aim_mm - 1e-9)
    while finer > 1 and cost(finer) > MOST_CELL_STEPS:
        finer -= 1
    if cost(finer) > REFUSED_CELL_STEPS:
        raise RefusedError(
            "hardware.front.too_large",
            field="artwork",
            megapixels=sheet.width_px * sheet.height_px / 1e6,
            steps=steps(finer),
            limit_cell_steps=REFUSED_CELL_STEPS,
        )
    return finer, steps(finer)


class _Walk:
    """The tiles of a sheet, each with its surroundings.

    Beyond the sheet the nearest pixel repeats.
    """

    def __init__(self, sheet: Sheet, finer: int, halo_px: int, pace: PaceMap | None) -> None:
        self._sheet, self._finer, self._halo_px, self._pace = sheet, finer, halo_px, pace

    def __iter__(self) -> Iterator[Tile]:
        sheet, halo = self._sheet, self._halo_px
        side = max(_TILE_CELLS // self._finer, 3 * halo)
        for top in range(0, sheet.height_px, side):
            bottom = min(top + side, sheet.height_px)
            band = sheet.rows(top - halo, bottom + halo).astype(np.float32) / np.float32(sheet.full)
            for left in range(0, sheet.width_px, side):
                right = min(left + side, sheet.width_px)
                cover = band[:, max(left - halo, 0) : min(right + halo, sheet.width_px)]
                lack = max(0, halo - left), max(0, right + halo - sheet.width_px)
                cover = np.pad(cover, ((0, 0), lack), mode="edge")
                weight = np.outer(sheet.weight_y[top:bottom], sheet.weight_x[left:right])
                around = top - halo, bottom + halo, left - halo, right + halo
                pace = None if self._pace is None else self._pace.over(*around)
                yield Tile(cover, weight, halo, self._finer, pace, (top, left))


def _weighted(parts: Iterator[tuple[float, float]]) -> float:
    """Return the mean of (sum, weight) pairs."""
    total: Floats = np.array([(0.0, 0.0), *parts]).sum(0)
    return float(total[0] / total[1]) if total[1] > 0.0 else 0.0
