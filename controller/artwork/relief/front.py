"""The etched surface: depth at every pixel, from the openings and the local depth in them. Pure.

From each point of an opening the front reaches under the resist as a quarter ellipse: at a
distance s the depth is d*sqrt(1 - (s/x)^2), with d the local depth and x = d / etch_factor. The
surface is the deepest of all these ellipses. Where two of them meet under a narrow line, the line
has lost its height, and what stands is where the ellipses cross.

With all lengths in pixels, (depth * undercut per depth)^2 = max over the open points p of
x_p^2 - |q - p|^2, which separates into rows and columns.
"""

from __future__ import annotations

import numpy as np

from controller.artwork.outline.chain import Bools, Floats
from controller.artwork.relief.grid import Singles


def etched_depth_mm(
    is_open: Bools,
    distance_px: Singles,
    local_mm: Floats,
    etch_factor: float,
    pixel_mm: float,
) -> Singles:
    """Return the depth of each pixel, mm.

    :param distance_px: to the nearest edge, above 0 in resist.
    :param local_mm: depth of the open floor at each open pixel.
    """
    undercut_px = np.where(is_open, local_mm / etch_factor / pixel_mm, 0.0).astype(np.float32)
    source_px, away_px = deepest_source(is_open, undercut_px)
    reached = source_px > 0.0
    s_px = np.maximum(distance_px, 0.0)
    if not _is_uniform(undercut_px[is_open]):
        # The deepest ellipse may come from another opening than the nearest. Its distance is known
        # from pixel to pixel only; the nearest edge says how far that is off.
        _, nearest_px = deepest_source(is_open, is_open * undercut_px.max())
        s_px = np.maximum(away_px + s_px - nearest_px, 0.0)
    rest = np.clip(1.0 - np.square(s_px / np.where(reached, source_px, 1.0)), 0.0, 1.0)
    under_mm = source_px * np.float32(pixel_mm * etch_factor) * np.sqrt(rest)
    under_mm = np.where(reached, under_mm, 0.0)
    return np.where(is_open, local_mm, under_mm).astype(np.float32)


def deepest_source(is_open: Bools, undercut_px: Singles) -> tuple[Singles, Singles]:
    """Return, for each pixel, the undercut of the open pixel whose ellipse is deepest here, px,
    and the distance to it, px. Where no ellipse reaches, the undercut is 0.
    """
    reach_px = int(np.ceil(undercut_px.max()))
    best = np.where(is_open, np.square(undercut_px), -np.inf).astype(np.float32)
    source = np.where(is_open, undercut_px, 0.0).astype(np.float32)
    best, source = _spread(best, source, reach_px)
    best, source = (part.T for part in _spread(best.T, source.T, reach_px))
    reached = best > 0.0
    away = np.sqrt(np.maximum(np.square(source) - best, 0.0, where=reached, out=source * 0.0))
    return np.where(reached, source, 0.0), away


def _spread(best: Singles, source: Singles, reach_px: int) -> tuple[Singles, Singles]:
    """Return the greatest value up or down the column less the squared distance, and its source."""
    found, found_source = best.copy(), source.copy()
    for step in range(1, min(reach_px, len(best) - 1) + 1):
        loss = np.float32(step * step)
        for here, there in (
            (slice(step, None), slice(None, -step)),
            (slice(None, -step), slice(step, None)),
        ):
            offered = best[there] - loss
            is_deeper = offered > found[here]
            np.copyto(found[here], offered, where=is_deeper)
            np.copyto(found_source[here], source[there], where=is_deeper)
    return found, found_source


def _is_uniform(values: Singles) -> bool:
    return float(values.max() - values.min()) <= 1e-6 * float(values.max())
