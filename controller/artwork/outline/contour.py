"""Traces the contours of the open region at half coverage, with sub-pixel vertices."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from controller.artwork.outline.chain import Chain, Cover, Floats, Ints, is_open, length_of
from controller.artwork.outline.edge_sums import edge_distance

_LARGEST_SHIFT_PX = 0.3
"""A sum may move a vertex this far from the plain interpolation. More means that the window holds
something else, such as a corner or a crossing line, and the vertex is dropped. On straight edges
the shift stays below 0.1 px."""

_BACK_COSINE = np.cos(np.radians(100.0))


@dataclass(frozen=True)
class _Crossings:
    """Places where half coverage is crossed between neighbouring pixels; those on columns come
    first.

    :param first: flat index of the open pixel; ``step`` leads from it into the resist.
    """

    chain: Chain
    columns: int
    first: Ints
    step: Ints


def trace(cover: Cover, full: int) -> Chain:
    """Return the contours of an image whose coverage runs from 0 to ``full``.

    Vertices lie on whole columns where the contour runs within 45 degrees of the rows and on whole
    rows elsewhere; there the sum of the coverage across the edge gives its position exactly, for a
    straight edge at any angle.
    """
    raw = _crossings(cover, full)
    chain, columns = raw.chain, raw.columns
    width = cover.shape[1]
    ahead, back = chain.hops(2)
    run_x = np.abs(chain.x_px[ahead[2]] - chain.x_px[back[2]])
    run_y = np.abs(chain.y_px[ahead[2]] - chain.y_px[back[2]])
    on_column = np.arange(len(run_x)) < columns
    good = np.where(on_column, run_x >= run_y, run_y > run_x)
    index = np.flatnonzero(good)
    first, step = raw.first[index], raw.step[index]
    distance = edge_distance(cover, full, first, step)
    rough = np.where(
        index < columns,
        np.abs(chain.y_px[index] - first // width),
        np.abs(chain.x_px[index] - first % width),
    )
    good[index[np.abs(distance - rough) > _LARGEST_SHIFT_PX]] = False
    known = np.isfinite(distance)
    index, first, step, distance = index[known], first[known], step[known], distance[known]
    x_px, y_px = chain.x_px.copy(), chain.y_px.copy()
    down = index < columns
    y_px[index[down]] = first[down] // width + np.sign(step[down]) * distance[down]
    x_px[index[~down]] = first[~down] % width + step[~down] * distance[~down]
    return _untangled(Chain(x_px, y_px, chain.nxt).only(good))


def _untangled(chain: Chain) -> Chain:
    """Return the chain without pairs of vertices at which it turns back twice.

    Beside a corner, a vertex on a row and one on a column may be out of order. Loops of four
    vertices or fewer, the smallest specks, do not change.
    """
    ahead, back = chain.hops(2)
    in_x, in_y = chain.x_px - chain.x_px[back[1]], chain.y_px - chain.y_px[back[1]]
    out_x, out_y = chain.x_px[ahead[1]] - chain.x_px, chain.y_px[ahead[1]] - chain.y_px
    turns_back = in_x * out_x + in_y * out_y < _BACK_COSINE * length_of(in_x, in_y) * length_of(
        out_x, out_y
    )
    speck = (ahead[1] == back[1]) | (ahead[2] == back[1]) | (ahead[2] == back[2])
    tangled = turns_back & (turns_back[ahead[1]] | turns_back[back[1]])
    return chain.only(~tangled | speck)


def _crossings(cover: Cover, full: int) -> _Crossings:
    width = cover.shape[1]
    flat = cover.ravel()
    half = full / 2.0
    open_flat = is_open(cover, full).ravel()
    crosses_down, crosses_right = np.zeros((2, len(flat)), np.bool_)
    np.not_equal(open_flat[:-width], open_flat[width:], out=crosses_down[:-width])
    np.not_equal(open_flat[:-1], open_flat[1:], out=crosses_right[:-1])
    crosses_right[width - 1 :: width] = False
    on_col, on_row = np.flatnonzero(crosses_down), np.flatnonzero(crosses_right)
    columns = len(on_col)
    col_row, row_row = on_col // width, on_row // width
    x_px = np.concatenate(
        [on_col - col_row * width, on_row - row_row * width + _fraction(flat, on_row, 1, half)]
    )
    y_px = np.concatenate([col_row + _fraction(flat, on_col, width, half), row_row])
    above, left = open_flat[on_col], open_flat[on_row]
    first = np.concatenate(
        [np.where(above, on_col, on_col + width), np.where(left, on_row, on_row + 1)]
    )
    step = np.concatenate([np.where(above, width, -width), np.where(left, 1, -1)])
    # A cell is the square between four pixel centres, named by its top left one; cells are shifted
    # by one row so that those above the image have a place. With open to the right of travel, each
    # crossing leads out of one cell into another.
    into = (
        np.concatenate(
            [np.where(above, on_col - 1, on_col), np.where(left, on_row, on_row - width)]
        )
        + width
    )
    out_of = (
        np.concatenate(
            [np.where(above, on_col, on_col - 1), np.where(left, on_row - width, on_row)]
        )
        + width
    )
    own = np.arange(len(first))
    leaving = np.empty(len(flat) + 2 * width, np.int32)  # only what is read is filled
    leaving[into] = -1
    leaving[out_of] = own
    leaving.reshape(-1, width)[:, -1] = -1  # beyond the last column there is no cell
    nxt = leaving[into].astype(np.intp)
    # Contours cross an even number of a cell's sides: where they cross three, they cross all four.
    corner = on_row[: np.searchsorted(on_row, len(flat) - width)]
    saddle = corner[crosses_down[corner] & crosses_right[corner + width]]
    if len(saddle):
        _link_saddles(nxt, saddle, cover, full, on_col, on_row)
    nxt = np.where(nxt < 0, own, nxt)
    return _Crossings(Chain(x_px, y_px, nxt), columns, first, step)


def _fraction(flat: Cover, at: Ints, stride: int, half: float) -> Floats:
    before = flat[at].astype(np.float64)
    fraction: Floats = (before - half) / (before - flat[at + stride])
    return fraction


def _link_saddles(
    nxt: Ints, cell: Ints, cover: Cover, full: int, on_col: Ints, on_row: Ints
) -> None:
    """Link the crossings of cells with open pixels at opposite corners, by their mean coverage."""
    flat, width = cover.ravel(), cover.shape[1]
    columns = len(on_col)
    top, bottom = (
        columns + np.searchsorted(on_row, cell),
        columns + np.searchsorted(on_row, cell + width),
    )
    left, right = np.searchsorted(on_col, cell), np.searchsorted(on_col, cell + 1)
    total = (
        flat[cell].astype(np.int64) + flat[cell + 1] + flat[cell + width] + flat[cell + width + 1]
    )
    joined = total >= 2 * full
    falling = is_open(flat[cell], full)
    for mask, links in (
        (falling & joined, ((top, right), (bottom, left))),
        (falling & ~joined, ((top, left), (bottom, right))),
        (~falling & joined, ((left, top), (right, bottom))),
        (~falling & ~joined, ((left, bottom), (right, top))),
    ):
        for source, target in links:
            nxt[source[mask]] = target[mask]
