"""Computes the growth curve A(s) from the tally.

Far from the edge it counts distances, close to the edge it uses Steiner's formula.
"""

from __future__ import annotations

import numpy as np

from controller.artwork.distances.distance import scale_for
from controller.artwork.measuring.tally import ANGLE_BINS, MIDDLE_BINS, PER_PX, Tally
from controller.artwork.outline.chain import Floats

_NEAR_PX, _FAR_PX = 1.4, 1.9
"""Below the first Steiner's formula holds, above the second the counted distances; between them the
two are blended. At 2 px the spacing of the seeds changes the distances by less than 0.003 px."""


def grown_area_px2(tally: Tally, reach_px: float, open_px2: float, s_px: Floats) -> Floats:
    """Return A(s) in px2 for each distance ``s_px`` up to ``reach_px``.

    :param open_px2: open area, A(0).
    """
    near = _near(tally, open_px2, s_px)
    far = _far(tally, reach_px, s_px)
    share = np.clip((s_px - _NEAR_PX) / (_FAR_PX - _NEAR_PX), 0.0, 1.0)
    curve = np.where(
        share == 0.0, near, np.where(share == 1.0, far, near * (1.0 - share) + far * share)
    )
    total = float(tally.histogram.sum())
    return np.minimum(np.maximum.accumulate(curve), total)


def _near(tally: Tally, open_px2: float, s_px: Floats) -> Floats:
    """Return A + P s + (turn/2) s^2, less the strips on both sides of lines that have closed.

    Source: Steiner's formula.
    """
    half = np.arange(len(tally.half_widths)) / PER_PX
    closed = 2.0 * (tally.half_widths * np.maximum(s_px[:, None] - half, 0.0)).sum(1)
    result: Floats = open_px2 + tally.edge_px * s_px + tally.bend_rad / 2.0 * s_px**2 - closed
    return result


def _far(tally: Tally, reach_px: float, s_px: Floats) -> Floats:
    """Return the counted area, corrected for the spacing of the seeds and the corners that they
    cut.
    """
    used = np.flatnonzero(tally.histogram)
    distance = np.sqrt(used / scale_for(reach_px))
    distance[used == 0] = -1.0
    count = tally.histogram[used]

    def counted(s: Floats) -> Floats:
        return np.array(
            [float((count * np.clip(one - distance + 0.5, 0.0, 1.0)).sum()) for one in s]
        )

    area, before, after = counted(s_px), counted(s_px - 1.0), counted(s_px + 1.0)
    front = (after - before) / 2.0
    moving = np.clip(front / np.maximum(tally.edge_px + tally.bend_rad * s_px, 1e-9), 0.0, 1.0)
    alive = np.arange(len(tally.cut_area_px2))[None, :] > s_px[:, None]
    cut = (alive * (tally.cut_area_px2 + tally.cut_length_px * s_px[:, None])).sum(1)
    closing = _lines(tally, s_px - 1.0) - 2.0 * _lines(tally, s_px) + _lines(tally, s_px + 1.0)
    blur = (after - 2.0 * area + before - closing) / 24.0
    result: Floats = (
        area
        + cut
        + moving * (_spacing(tally, s_px) + tally.curve_px2)
        - blur
        + _folded(tally, s_px)
    )
    return result


def _lines(tally: Tally, s_px: Floats) -> Floats:
    """Return the share of the counted area in the strips on both sides of lines.

    Each pixel counts from s - 0.5 to s + 0.5.
    """
    bins = np.flatnonzero(tally.half_widths)
    beyond = np.clip(s_px[:, None] - bins / PER_PX + 0.5, 0.0, 1.0)
    low = np.minimum(s_px[:, None], bins / PER_PX - 0.5)
    strip = low + beyond - beyond**2 / 2.0
    result: Floats = 2.0 * (strip * tally.half_widths[bins]).sum(1)
    return result


def _spacing(tally: Tally, s_px: Floats) -> Floats:
    """Return the area that is counted too far away because the seeds lie on whole lines.

    The foot of a perpendicular of length s on a contour at angle a lies s sin(a) lines away, but
    the nearest seed lies on a whole line. A pixel covers a range of one pixel in s.
    """
    angle = np.linspace(0.0, np.pi / 4.0, ANGLE_BINS)
    result = np.zeros(len(s_px))
    for part in (np.arange(8) + 0.5) / 8.0 - 0.5:
        s = np.maximum(s_px + part, 0.25)[:, None]
        lines = s * np.sin(angle)
        off = (lines - np.rint(lines)) / np.cos(angle)
        result += ((np.sqrt(s**2 + off**2) - s) * tally.by_angle).sum(1) / 8.0
    return result


def _folded(tally: Tally, s_px: Floats) -> Floats:
    """Return the area missing near the middles of lines.

    There a pixel holds both sides, and no distance exceeds the half width.
    """
    bins = np.flatnonzero(tally.middles.any(1))
    half = bins / PER_PX
    result = np.zeros(len(s_px))
    for place in range(MIDDLE_BINS):
        off = (place + 0.5) / (2 * MIDDLE_BINS)
        beyond = np.clip(half[None, :] - s_px[:, None], 0.0, None)
        covered = np.minimum(beyond, off + 0.5) - np.maximum(-beyond, off - 0.5)
        true = 1.0 - np.clip(covered, 0.0, 1.0)
        counted = np.clip(s_px[:, None] - half[None, :] + off + 0.5, 0.0, 1.0)
        result += ((true - counted) * tally.middles[bins, place]).sum(1)
    return result
