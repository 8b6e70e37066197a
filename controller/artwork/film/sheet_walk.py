"""Makes the film's picture of a whole sheet, tile by tile."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from controller.artwork.distances.gaps import Gaps
from controller.artwork.film.offset import Rule, moved_edges
from controller.artwork.film.spots import LineSamples
from controller.artwork.film.undercut import Undercut
from controller.artwork.loading.levels import Levels
from controller.artwork.measuring.pieces import Piece, pieces
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.measuring.tile import HALO_PX
from controller.artwork.outline.chain import Cover, is_open

EDGE_LEVEL = 127.5
"""Level of the film's picture on the edge of an opening. No pixel has it."""

_LEVELS_PER_PX = 60.0
"""Steps of the picture per pixel of distance. Rounding moves an edge by 0.01 px at most."""

_TILE_PX = 512
_LEAST_CROSSING_SAMPLES = 2

FilmPicture = npt.NDArray[np.uint8]
"""Signed distances to the edges of the film's openings, rounded; above ``EDGE_LEVEL`` is open."""


class SheetFilm:
    """The film of a sheet.

    :ivar picture: one level for each pixel of the sheet.
    :ivar thin: resist lines that would be lost without compensation.
    :ivar kept: openings that keep the least width.
    :ivar has_open: whether anything is open on the artwork.
    :ivar has_room: whether any opening is wide enough to be narrowed by the undercut.
    """

    def __init__(self, sheet: Sheet, levels: Levels, undercut: Undercut, least_mm: float) -> None:
        self._sheet, self._undercut = sheet, undercut
        self._least_px = least_mm / sheet.px_mm if undercut.most_px > 0.0 else 0.0
        self._noise_px = levels.noise_range_px(sheet.reduction)
        self.picture: FilmPicture = np.zeros((sheet.height_px, sheet.width_px), np.uint8)
        self.thin, self.kept = LineSamples(_LEAST_CROSSING_SAMPLES), LineSamples(1)
        self.has_open = self.has_room = False
        self._move()

    def _move(self) -> None:
        sheet = self._sheet
        reach_px = Rule(
            np.full((1, 1), self._undercut.most_px, np.float32), self._least_px
        ).reach_px
        halo = int(np.ceil(2.0 * reach_px)) + HALO_PX
        for top in range(0, sheet.height_px, _TILE_PX):
            bottom = min(top + _TILE_PX, sheet.height_px)
            band = sheet.rows(top - halo, bottom + halo)
            open_band = is_open(band, sheet.full)
            for piece in pieces(open_band, halo, _TILE_PX, 1):
                self._piece(band, top, piece, halo)

    def _piece(self, band: Cover, band_top: int, piece: Piece, halo: int) -> None:
        sheet = self._sheet
        top, bottom = band_top + piece.top, band_top + piece.bottom
        place = (slice(top, bottom), slice(piece.left, piece.right))
        rows = band[piece.top : piece.bottom + 2 * halo]
        if not piece.crossings:
            inside = is_open(rows[halo:-halo, piece.left : piece.right], sheet.full)
            self.picture[place] = np.where(inside, 255, 0)
            self.has_open = self.has_open or bool(inside.any())
            self.has_room = self.has_room or bool(inside.any())
            return
        low, high = piece.left - halo, piece.right + halo
        cover = rows[:, max(low, 0) : min(high, sheet.width_px)]
        cover = np.pad(cover, ((0, 0), (max(0, -low), max(0, high - sheet.width_px))), mode="edge")
        y0, x0 = top - halo, low
        undercut_px = self._undercut.over(y0, x0, cover.shape[0], cover.shape[1])
        rule = Rule(undercut_px, self._least_px)
        moved = moved_edges(np.ascontiguousarray(cover), sheet.full, self._noise_px, rule)
        core = (slice(halo, cover.shape[0] - halo), slice(halo, cover.shape[1] - halo))
        levels = moved.heights[core] * np.float32(_LEVELS_PER_PX) + np.float32(EDGE_LEVEL + 0.5)
        self.picture[place] = np.clip(np.floor(levels), 0, 255)
        inside = is_open(cover[core], sheet.full)
        self.has_open = self.has_open or bool(inside.any())
        self.has_room = self.has_room or moved.has_room
        frame = (halo - 0.5, cover.shape[0] - halo - 0.5, cover.shape[1] - halo - 0.5)
        thin = _owned(moved.thin, *frame)
        self.thin.add(moved.thin.only(thin).moved(x0, y0), moved.left_px[thin])
        kept = moved.kept.only(_owned(moved.kept, *frame))
        wide_px = np.minimum(kept.width_px, self._least_px) + 2.0 * rule.at(kept.x_px, kept.y_px)
        self.kept.add(kept.moved(x0, y0), wide_px)


def _owned(gaps: Gaps, low: float, bottom: float, right: float) -> npt.NDArray[np.bool_]:
    """Return which samples lie in the tile without its rim."""
    inside: npt.NDArray[np.bool_] = (
        (gaps.x_px >= low) & (gaps.x_px < right) & (gaps.y_px >= low) & (gaps.y_px < bottom)
    )
    return inside
