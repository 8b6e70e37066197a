"""The uncertainty of the measured figures, from errors measured on shapes with known values.

The coefficients are fitted. On discs, rings, squares, stars, dots and lines at random offsets and
turns, in files of 300 and 600 dpi with 2, 5, 17, 65 and 256 shades and in JPEG, the errors are
within the stated standard deviation about two times in three, and always within three of them.
tests/proofs/benchmarks/artwork.py prints the table.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork.measuring.doubts import Dust
from controller.artwork.measuring.tally import Tally
from controller.artwork.outline.chain import Floats

_CLEAN_PLACE_PX, _NOISY_PLACE_PX = 0.004, 0.012
"""Error of an edge that shading places, px: from the area of exactly shaded discs and of JPEG files
of quality 90."""


_DUST_FRACTION = 0.6
"""One standard deviation of what dust adds, as a share of it: it is meant, or it is not."""


@dataclass(frozen=True)
class Deviations:
    """One standard deviation each."""

    area_mm2: float
    edge_mm: float
    growth_mm2: Floats


def deviations(
    tally: Tally,
    step_px: float,
    soft_px2: float,
    s_px: Floats,
    growth_px2: Floats,
    px_mm: float,
    *,
    noisy: bool,
    dust: Dust | None = None,
) -> Deviations:
    """Return the deviations of area, edge length and growth curve.

    :param step_px: grid on which the file's shades can place an edge; 0 for smooth shading.
    :param noisy: the flat parts of the file carry noise, which was cut off.
    :param soft_px2: area that is neither clearly resist nor clearly open.
    :param dust: specks that may not be meant: nobody knows whether they count.
    """
    edge = tally.edge_px
    level = tally.level_edge_px / edge if edge > 0 else 0.0
    # Shading is not exactly coverage. Edges along the grid are all rounded alike; others average
    # out.
    shading_px = _NOISY_PLACE_PX if noisy else _CLEAN_PLACE_PX
    place_px = float(np.hypot(shading_px + 0.03 * step_px, 0.29 * step_px * level))
    area = float(np.hypot(edge * place_px, 0.3 * soft_px2))
    if dust is not None:
        area = float(np.hypot(area, _DUST_FRACTION * dust.area_px2))
    noise = (tally.noise_px2 / tally.vertices) ** 0.5 if tally.vertices else 0.0
    share = float(
        np.hypot(0.0006 + 0.12 * noise * noise, 0.025 if step_px == 1.0 else 0.02 * step_px)
    )
    length = float(np.hypot(edge * share, tally.doubt_px))
    length = float(np.hypot(length, 0.06 * tally.vertices**0.5))
    if dust is not None:
        length = float(np.hypot(length, _DUST_FRACTION * dust.edge_px))
    # The curve has the error of the area at its start, of the length where the front still moves,
    # and of the grid at the front.
    front = np.gradient(growth_px2, s_px) if len(s_px) > 1 else np.zeros(1)
    # Fronts that meet do so within a pixel.
    near = np.array([front[np.abs(s_px - s) <= 1.0].max() for s in s_px])
    moving = np.clip(front / max(edge, 1e-9), 0.0, None)
    reached = np.concatenate([[0.0], np.cumsum(np.diff(s_px) * np.minimum(moving[1:], 1.0))])
    growth = np.sqrt(
        area**2 * np.minimum(1.0, moving) ** 2
        + (length * reached) ** 2
        + (near * (0.015 + 0.1 * step_px)) ** 2
    )
    growth[0] = area
    return Deviations(area * px_mm**2, length * px_mm, growth * px_mm**2)
