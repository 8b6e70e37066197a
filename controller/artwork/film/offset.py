"""Moves the edges of one tile by the undercut, and keeps the openings that would close."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from controller.artwork.distances.distance import scale_for, squared_distance
from controller.artwork.distances.gaps import Gaps, find_gaps
from controller.artwork.distances.seeds import column_and_row_seeds
from controller.artwork.film.close import close_distance
from controller.artwork.outline.chain import Bools, Cover, Floats, Ints, is_open
from controller.artwork.outline.polygon import outline, seed_chain

Heights = npt.NDArray[np.float32]
"""Signed distance to the edge of the film's openings, px: positive inside an opening."""

_CLOSE_PX = 1.0
"""Up to this undercut distances are exact, which takes long. Beyond, the points on grid lines that
they are measured from make them too long by at most 0.22 px, and by 0.05 px at 5 px: half the way
between two points, squared, over twice the distance."""

_ROOM_PX = 3.0
"""Distances are worked out this far beyond the undercut."""

_LEAST_KEPT_PX = 0.5
"""A speck whose middle is nearer than this to its edge is no opening."""

_LEAST_GAP_PX = 0.3
"""A pixel nearer than this to a strip belongs to it."""

_ALONG_PX = 4
_FALL_PX = 0.7
_RIDGE_SLOPE = 0.1
"""A line's middle: two pixels to either side the depth is less by at least ``_FALL_PX``, and over
``_ALONG_PX`` both ways along it the depth changes by at most a tenth, as in a taper of 11
degrees."""

_MOST_AT_ONCE = 4_000_000
"""Cells that are drawn at once: 32 MB of places."""


@dataclass(frozen=True)
class Rule:
    """How the edges of a tile move, in px.

    :param undercut_px: for each pixel of the tile.
    :param least_px: width that openings keep.
    """

    undercut_px: Heights
    least_px: float

    @property
    def reach_px(self) -> float:
        """How far distances matter."""
        return float(self.undercut_px.max()) + self.least_px / 2.0 + _ROOM_PX

    def at(self, x_px: Floats, y_px: Floats) -> Floats:
        """Return the undercut at places of the tile."""
        height, width = self.undercut_px.shape
        row = np.clip(np.rint(y_px).astype(np.intp), 0, height - 1)
        column = np.clip(np.rint(x_px).astype(np.intp), 0, width - 1)
        undercut: Floats = self.undercut_px[row, column].astype(np.float64)
        return undercut


@dataclass(frozen=True)
class Moved:
    """A tile of the film.

    :param heights: see ``Heights``.
    :param kept: samples of openings that keep the least width.
    :param thin: samples of resist lines that the undercut would eat without compensation.
    :param left_px: width of each of these lines after etching through the film; not above 0 where
        nothing is left.
    :param has_room: whether some opening is wide enough to be narrowed by the undercut.
    """

    heights: Heights
    kept: Gaps
    thin: Gaps
    left_px: Floats
    has_room: bool


def moved_edges(cover: Cover, full: int, noise_px: tuple[float, float], rule: Rule) -> Moved:
    """Return the film of a tile.

    Every opening keeps what lies deeper in it than the undercut, so that the undercut brings it
    back to its drawn edge. Where less than the least width would be left, a strip of that width
    along the middle stays open.
    """
    reach_px = rule.reach_px
    found = outline(cover, full, noise_px)
    edges = seed_chain(found)
    columns, rows = column_and_row_seeds(edges)
    squares = squared_distance((cover.shape[0], cover.shape[1]), columns, rows, reach_px)
    inside = is_open(cover, full)
    away = np.sqrt(squares * np.float32(1.0 / scale_for(reach_px)))
    least_px = float(rule.undercut_px.min())
    if least_px < _CLOSE_PX:
        reach = int(np.ceil(min(float(rule.undercut_px.max()), _CLOSE_PX))) + 1
        exact = close_distance((cover.shape[0], cover.shape[1]), edges, reach)
        away = np.minimum(away, exact.astype(np.float32))
    heights: Heights = np.where(inside, away, -away) - rule.undercut_px
    has_room = bool((heights > 0.0).any())
    gaps = find_gaps(columns, rows, squares, reach_px)
    undercut_px = rule.at(gaps.x_px, gaps.y_px)
    kept = gaps.only(_is_kept(gaps, undercut_px, rule.least_px))
    _draw(heights, kept.x_px, kept.y_px, np.minimum(kept.width_px, rule.least_px) / 2.0)
    spots = _closed_spots(heights, np.where(inside, away, 0.0), rule)
    _draw(heights, spots.x_px, spots.y_px, np.minimum(spots.width_px, rule.least_px) / 2.0)
    thin = gaps.only(
        gaps.resist & gaps.is_strip & gaps.is_line & (gaps.width_px < 2.0 * undercut_px)
    )
    left_px = _crossing_px(heights, thin, reach_px) / thin.length_px
    left_px = left_px - 2.0 * rule.at(thin.x_px, thin.y_px)
    return Moved(heights, Gaps.joined([kept, spots]), thin, left_px, has_room)


def _is_kept(gaps: Gaps, undercut_px: Floats, least_px: float) -> Bools:
    """Return which samples are of openings that would get narrower than the least width.

    Lines are kept over their whole length. Of a point that tapers, only the part is kept whose
    edges the strip puts nearer to where they are drawn.
    """
    narrow = ~gaps.resist & (gaps.width_px < 2.0 * undercut_px + least_px)
    taper = gaps.is_strip & (gaps.width_px >= undercut_px + least_px / 2.0)
    result: Bools = narrow & (gaps.is_line | taper)
    return result


def _closed_spots(heights: Heights, depth_px: Heights, rule: Rule) -> Gaps:
    """Return the middles of openings that have closed and hold no strip yet.

    They are dots, short dashes, and bends, where no grid line crosses both edges of a line well.

    :param depth_px: distance of each open pixel to its edge; 0 in resist.
    """
    size = max(2, int(np.ceil(float(rule.undercut_px.max()))))
    is_top = (depth_px >= _largest_around(depth_px, size)) & (_largest_around(heights, 1) < 0.0)
    is_ridge, off_x, off_y = _ridge(depth_px)
    is_middle = (
        (depth_px >= _LEAST_KEPT_PX)
        & (depth_px < rule.undercut_px + rule.least_px / 2.0)
        & (is_top | (is_ridge & (heights < -_LEAST_GAP_PX)))
    )
    row, column = np.nonzero(is_middle)
    count = len(row)
    right, down = off_x[row, column].astype(np.float64), off_y[row, column].astype(np.float64)
    width_px: Floats = 2.0 * (depth_px[row, column].astype(np.float64) + np.hypot(right, down))
    return Gaps(
        x_px=column + right,
        y_px=row + down,
        width_px=width_px,
        length_px=np.ones(count),
        resist=np.zeros(count, np.bool_),
        along_y=np.zeros(count, np.bool_),
        reach_px=width_px,
        lean_rad=np.zeros(count),
    )


def _ridge(depth_px: Heights) -> tuple[Bools, Heights, Heights]:
    """Return which pixels lie along the middle of a line of even width, and how far beside it.

    The depth falls to both sides across the line, and hardly changes along it. Towards the tip of
    a corner it does change.
    """
    result = np.zeros(depth_px.shape, np.bool_)
    off_x, off_y = np.zeros_like(depth_px), np.zeros_like(depth_px)
    wide = np.pad(depth_px, _ALONG_PX)

    def shifted(down: int, right: int) -> Heights:
        top, left = _ALONG_PX + down, _ALONG_PX + right
        return wide[top : top + depth_px.shape[0], left : left + depth_px.shape[1]]

    below = np.maximum(depth_px - np.float32(_FALL_PX), 0.0)
    for down, right in ((0, 1), (1, 0), (1, 1), (1, -1)):
        far = _ALONG_PX if down * right == 0 else _ALONG_PX - 1
        step = float(np.hypot(down, right))
        one, other = shifted(far * right, -far * down), shifted(-far * right, far * down)
        ahead, behind = shifted(down, right), shifted(-down, -right)
        found = (
            ~result
            & (shifted(2 * down, 2 * right) <= below)
            & (shifted(-2 * down, -2 * right) <= below)
            & (ahead <= depth_px)
            & (behind <= depth_px)
            & (np.abs(one - other) <= np.float32(_RIDGE_SLOPE * 2.0 * far * step))
            & (np.minimum(one, other) > 0.0)
            & (depth_px > 0.0)
        )
        # Beside a ridge the depth is a tent, so its two sides tell how far the ridge is.
        beside = np.clip((ahead - behind) / 2.0, -step / 2.0, step / 2.0)
        off_x[found] = (beside * np.float32(right / step))[found]
        off_y[found] = (beside * np.float32(down / step))[found]
        result |= found
    return result, off_x, off_y


def _largest_around(values: Heights, size: int) -> Heights:
    """Return the largest value in the square of ``size`` pixels around each pixel."""
    result = values
    for axis in (0, 1):
        wide = np.pad(
            result, [(size, size) if axis == k else (0, 0) for k in (0, 1)], constant_values=-1e9
        )
        result = np.full_like(values, -1e9)
        for shift in range(2 * size + 1):
            part = (
                wide[shift : shift + values.shape[0]]
                if axis == 0
                else (wide[:, shift : shift + values.shape[1]])
            )
            np.maximum(result, part, out=result)
    return result


def _draw(heights: Heights, x_px: Floats, y_px: Floats, radius_px: Floats) -> None:
    """Open a disc around each place, in place.

    Discs stand in a row, a pixel apart, so each is a little larger: the row is then as wide as
    wanted on average.
    """
    if not len(x_px):
        return
    radius_px = np.sqrt(radius_px**2 + 1.0 / 12.0)
    size = int(np.ceil(float(radius_px.max()) + 2.0))
    shifts = np.arange(-size, size + 1)
    step = max(1, _MOST_AT_ONCE // len(shifts) ** 2)
    for first in range(0, len(x_px), step):
        some = slice(first, first + step)
        column, row = np.rint(x_px[some]).astype(np.intp), np.rint(y_px[some]).astype(np.intp)
        columns = column[:, None, None] + shifts[None, None, :]
        rows = row[:, None, None] + shifts[None, :, None]
        height = radius_px[some, None, None] - np.hypot(
            columns - x_px[some, None, None], rows - y_px[some, None, None]
        )
        columns, rows = np.broadcast_arrays(columns, rows)
        inside = (
            (columns >= 0) & (columns < heights.shape[1]) & (rows >= 0) & (rows < heights.shape[0])
        )
        place = rows[inside] * heights.shape[1] + columns[inside]
        np.maximum.at(heights.reshape(-1), place, height[inside].astype(np.float32))


def _crossing_px(heights: Heights, lines: Gaps, reach_px: float) -> Floats:
    """Return how long the film's resist is where the samples' grid lines cross it, px.

    Infinite where it does not end near: the line has room to spare.
    """
    total = np.zeros(len(lines.x_px))
    steps = np.arange(int(np.ceil(2.0 * np.sqrt(2.0) * reach_px)) + 2)
    for along_y in (True, False):
        at = np.flatnonzero(lines.along_y == along_y)
        if not len(at):
            continue
        table = heights if along_y else heights.T
        line = (lines.x_px if along_y else lines.y_px)[at].astype(np.intp)
        middle = (lines.y_px if along_y else lines.x_px)[at]
        first = np.floor(middle).astype(np.intp)
        for start, way in ((first, -1), (first + 1, 1)):
            total[at] += _first_opening(table, line, middle, start, way, steps)
    return total


def _first_opening(
    table: Heights, line: Ints, middle: Floats, start: Ints, way: int, steps: Ints
) -> Floats:
    """Return the distance from each middle to the first opening one way along its line, px."""
    place = start[:, None] + way * steps[None, :]
    clipped = np.clip(place, 0, len(table) - 1)
    height = table[clipped, line[:, None]]
    opens = height >= 0.0
    index = np.argmax(opens, axis=1)
    each = np.arange(len(index))
    here = height[each, index].astype(np.float64)
    before = height[each, np.maximum(index - 1, 0)].astype(np.float64)
    # The surface is linear between two pixels; at the first one the edge lies just beside it.
    with np.errstate(divide="ignore", invalid="ignore"):
        share = np.where(index > 0, here / (here - before), 0.0)
    edge = place[each, index] - way * share
    distance = np.where(opens[each, index], way * (edge - middle), np.inf)
    return np.maximum(distance, 0.0)
