"""What would even a plate out, each with the spread of depth that it would leave.

The spread is the depth of the deepest twentieth of the artwork over that of its widest floor's
middle. Every figure is solved for, none is a rule of thumb.

Resist around the artwork changes nothing here: what evens out is bare metal that takes current at
the rim, be it a waste border that is cut off later or a strip beside the plate. A plate that is
turned end for end changes nothing either, since this bath is alike on all sides: in a real one it
halves what a plate that hangs askew or lopsided stirring does.
"""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from controller.artwork.distribution.currents import joined
from controller.artwork.distribution.places import DEEPEST_FRACTION, TIP_MM
from controller.artwork.distribution.plate_map import PlateMap
from controller.artwork.distribution.solver import CurrentSolver
from controller.artwork.distribution.widths import rim_distance
from controller.artwork.outline.chain import Floats
from controller.physics.bath_field import BathField, evenness_of, wagner_length_mm
from controller.physics.remedies import Remedy

STRIP_MM = 5.0
"""Width of the bare border and of the thief strip."""

BORDER_GAP_MM = 2.0
"""Resist between the artwork and a bare waste border."""

THIEF_GAP_MM = 5.0
"""Liquid between the plate's rim and a thief strip."""

_MOST_CELLS = 200_000
"""Cells of the bath here: the figures are compared with each other, so coarser ones do."""


def remedies(plate: PlateMap, bath: BathField, evenness: float) -> tuple[Remedy, ...]:
    """Return the spread as things are, under ``as-planned``, and with each remedy.

    :param evenness: of the bath, 0 to 1. Less current raises the surface resistance in proportion,
        as a Tafel law does, and so lowers the evenness.
    """
    cells = math.prod(side + 2 * bath.margin_mm / plate.pixel_mm for side in plate.open_share.shape)
    step = max(1, math.ceil(math.sqrt(cells / _MOST_CELLS)))
    share, pixel_mm = joined(plate.open_share, step), plate.pixel_mm * step
    half_current = evenness_of(2.0 * wagner_length_mm(evenness))
    wider = replace(bath, gap_mm=2.0 * bath.gap_mm)
    as_planned = _spread(share, share, pixel_mm, bath, evenness)
    return (
        Remedy("as-planned", as_planned),
        Remedy("bare-waste-border", _framed(share, pixel_mm, bath, evenness, inside=True)),
        Remedy("thief-strip", _framed(share, pixel_mm, bath, evenness, inside=False)),
        Remedy("twice-the-gap", _spread(share, share, pixel_mm, wider, evenness)),
        Remedy("half-the-current", _spread(share, share, pixel_mm, bath, half_current)),
        Remedy("turned-at-half-depth", as_planned),
    )


def _framed(
    share: Floats, pixel_mm: float, bath: BathField, evenness: float, *, inside: bool
) -> float:
    """Return the spread with a bare frame, close around the artwork or beyond the plate's rim."""
    if inside:
        rows, columns = (np.flatnonzero(share.any(axis)) for axis in (1, 0))
        share = share[rows[0] : rows[-1] + 1, columns[0] : columns[-1] + 1]
    off_px = max(1, round((BORDER_GAP_MM if inside else THIEF_GAP_MM) / pixel_mm))
    wide_px = max(1, round(STRIP_MM / pixel_mm))
    own = np.pad(share, off_px + wide_px)
    framed = np.pad(np.pad(share, off_px), wide_px, constant_values=1.0)
    # The tank stays as it is, so a wider plate has less free liquid around it.
    grown_mm = (framed.shape[0] - share.shape[0]) / 2 * pixel_mm
    margin_mm = max(0.0, bath.margin_mm - (0.0 if inside else grown_mm))
    return _spread(own, framed, pixel_mm, replace(bath, margin_mm=margin_mm), evenness)


def _spread(own: Floats, bare: Floats, pixel_mm: float, bath: BathField, evenness: float) -> float:
    """Return the deepest twentieth over the middle of the widest floor.

    :param own: open share of the artwork.
    :param bare: open share of everything that takes current.
    """
    ratios = CurrentSolver(bare, pixel_mm, bath).solve(evenness).ratios
    own = np.where(ratios > 0.0, own, 0.0)
    flat, weight = ratios.reshape(-1), own.reshape(-1)
    order = np.argsort(np.where(weight > 0.0, -flat, np.inf), kind="stable")
    reached = np.cumsum(weight[order])
    deepest = order[: int(np.searchsorted(reached, DEEPEST_FRACTION * reached[-1])) + 1]
    deep = float((flat[deepest] * weight[deepest]).sum() / weight[deepest].sum())
    distance = rim_distance(own >= 0.5)
    if not distance.any():
        distance = own
    widest = np.where(distance >= 0.98 * distance.max(), ratios, np.inf)
    row, column = divmod(int(widest.argmin()), own.shape[1])
    tip_px = max(0.5, min(TIP_MM / pixel_mm, float(distance.max())) / 2)
    y, x = np.ogrid[: own.shape[0], : own.shape[1]]
    tip = np.where((y - row) ** 2 + (x - column) ** 2 <= tip_px**2, own, 0.0)
    return deep / float((tip * ratios).sum() / tip.sum())
