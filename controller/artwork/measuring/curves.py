"""Sums of rows, and the growth curve as pairs. Runs inside the worker process."""

from __future__ import annotations

import numpy as np

from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Cover, Floats
from controller.artwork.result import Pair


def row_sums(core: Cover, weight_x: Floats) -> Floats:
    """Return the weighted sum of each row.

    Only the first and the last pixel may weigh less than 1.
    """
    sums: Floats = core.sum(1, dtype=np.uint64).astype(np.float64)
    for end in {0, core.shape[1] - 1}:
        sums -= (1.0 - weight_x[end]) * core[:, end]
    return sums


def growth_distances(options: MeasureOptions) -> Floats:
    """Return the distances of the growth curve, mm: finer near the edge, where lines close."""
    reach = options.reach_mm
    s = np.concatenate(
        [np.arange(0, 0.2, 0.005), np.arange(0.2, 1.0, 0.02), np.arange(1.0, reach + 0.05, 0.05)]
    )
    wanted = [value for value in (1.0, options.undercut_mm, reach) if value is not None]
    s = np.concatenate([s[s <= reach], wanted])
    return np.unique(np.round(s, 6))


def pairs_of(s_mm: Floats, values: Floats) -> tuple[Pair, ...]:
    """Return pairs of a distance, mm, and its value."""
    return tuple((float(s), float(value)) for s, value in zip(s_mm, values, strict=True))
