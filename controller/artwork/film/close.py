"""Exact distances close to an outline, where points on grid lines are too coarse."""

from __future__ import annotations

import numpy as np

from controller.artwork.outline.chain import Chain, Floats

_LONGEST_PX = 1.0


def close_distance(shape: tuple[int, int], chain: Chain, reach_px: int) -> Floats:
    """Return the distance of each pixel to the nearest segment, infinite beyond ``reach_px``."""
    height, width = shape
    x0, y0 = chain.x_px, chain.y_px
    x1, y1 = x0[chain.nxt], y0[chain.nxt]
    count = np.maximum(1, np.ceil(np.hypot(x1 - x0, y1 - y0) / _LONGEST_PX).astype(np.intp))
    segment = np.repeat(np.arange(len(x0)), count)
    part = np.arange(len(segment)) - np.repeat(np.cumsum(count) - count, count)
    low, high = part / count[segment], (part + 1) / count[segment]
    run_x, run_y = (x1 - x0)[segment], (y1 - y0)[segment]
    start_x, start_y = x0[segment] + low * run_x, y0[segment] + low * run_y
    run_x, run_y = run_x * (high - low), run_y * (high - low)
    length2 = np.maximum(run_x**2 + run_y**2, 1e-18)
    away = np.full(height * width, np.inf)
    column = np.floor(np.minimum(start_x, start_x + run_x)).astype(np.intp)
    row = np.floor(np.minimum(start_y, start_y + run_y)).astype(np.intp)
    for down in range(-reach_px, reach_px + 3):
        for right in range(-reach_px, reach_px + 3):
            x, y = column + right, row + down
            some = np.flatnonzero((x >= 0) & (x < width) & (y >= 0) & (y < height))
            off_x, off_y = x[some] - start_x[some], y[some] - start_y[some]
            along = (off_x * run_x[some] + off_y * run_y[some]) / length2[some]
            along = np.clip(along, 0.0, 1.0)
            gap = np.hypot(off_x - along * run_x[some], off_y - along * run_y[some])
            np.minimum.at(away, y[some] * width + x[some], gap)
    away[away > reach_px] = np.inf
    return away.reshape(height, width)
