"""Measures a file: loads it, visits its tiles and makes the result.

Runs inside the worker process.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import BinaryIO

import numpy as np

from controller.artwork import limits
from controller.artwork.distances.components import FieldCount
from controller.artwork.distances.distance import Squares, scale_for
from controller.artwork.distribution.plate_map import map_canvas
from controller.artwork.distribution.spread import spread_of
from controller.artwork.loading.levels import Levels, find_levels
from controller.artwork.loading.picture import Picture
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.loading.sniff import sniff
from controller.artwork.measuring.growth import grown_area_px2
from controller.artwork.measuring.lines import LineBook
from controller.artwork.measuring.pieces import Piece, pieces
from controller.artwork.measuring.preview import PreviewCanvas
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.measuring.tally import Tally
from controller.artwork.measuring.tile import HALO_PX, TileFrame, measure_tile
from controller.artwork.measuring.uncertainty import deviations
from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Cover, Floats, is_open
from controller.artwork.result import ArtworkMeasure, Pair
from controller.errors import RefusedError
from controller.texts import Message

_TILE_PX = 512
"""Rows of a band, and columns of a tile in it."""

_FIELD_ROWS = 128
"""Rows whose open fields are counted at once. Random noise has a run each 4 px, of 0.2 kB each."""
_SOFT_PER_EDGE = 6.0
"""Partly covered pixels per pixel of edge that line art has at most, also a soft scan of it; the
rest is shading."""

_SOFT_LIMIT_FRACTION = 0.25
_SOFT_WARN_FRACTION = 0.01
"""Shaded shares of the open area. Above the first the artwork is refused as a picture in tones;
above the second there is a warning."""


def measure_file(
    path: ReadableFile, options: MeasureOptions, preview: Path | BinaryIO | None = None
) -> ArtworkMeasure:
    """Return the measurement of a file, and write its preview as PNG if asked for.

    Raises: RefusedError when the file or the options cannot be used.
    """
    picture = load_picture(path, options)
    levels = find_levels(picture, options.invert)
    walk = _Walk(Sheet(picture, levels, options), levels, options, with_preview=preview is not None)
    walk.run()
    return walk.result(path, picture, preview)


def load_picture(path: ReadableFile, options: MeasureOptions) -> Picture:
    """Return the picture.

    Each loader is imported only for its kind of file, which saves memory and time.
    """
    kind = sniff(path)
    if kind == "PDF":
        from controller.artwork.loading.pdf import load_pdf

        return load_pdf(path, options)
    if kind == "SVG":
        from controller.artwork.loading.svg import load_svg

        return load_svg(path, options)
    from controller.artwork.loading.raster import load_raster

    return load_raster(path, kind, options)


class _Walk:
    """One pass over the sheet."""

    def __init__(
        self, sheet: Sheet, levels: Levels, options: MeasureOptions, *, with_preview: bool
    ) -> None:
        self._sheet, self._levels, self._options = sheet, levels, options
        self._reach_px = options.reach_mm / sheet.px_mm + 2.0
        undercut_mm = options.undercut_mm
        self._undercut_px = None if undercut_mm is None else undercut_mm / sheet.px_mm
        self._tally = Tally(self._reach_px)
        self._fields = FieldCount()
        self._lines = LineBook(self._undercut_px)
        self._preview = PreviewCanvas(sheet.height_px, sheet.width_px) if with_preview else None
        self._map = map_canvas(sheet, options.bath)
        self._open_px2 = 0.0
        self._partial_px = 0
        self._noise_range_px = levels.noise_range_px(sheet.reduction)

    def run(self) -> None:
        """Visit all tiles. Raises: RefusedError when nothing is open."""
        sheet = self._sheet
        halo = int(np.ceil(self._reach_px)) + HALO_PX
        block = 1 if self._preview is None else self._preview.block
        tile = max(1, _TILE_PX // block) * block
        least, most = int(0.02 * sheet.full) + 1, int(np.ceil(0.98 * sheet.full)) - 1
        for top in range(0, sheet.height_px, tile):
            bottom = min(top + tile, sheet.height_px)
            band = sheet.rows(top - halo, bottom + halo)
            core = band[halo : halo + bottom - top]
            is_open_band = is_open(band, sheet.full)
            self._open_px2 += (
                float(sheet.weight_y[top:bottom] @ _row_sums(core, sheet.weight_x)) / sheet.full
            )
            for row in range(halo, halo + bottom - top, _FIELD_ROWS):
                self._fields.add(is_open_band[row : min(row + _FIELD_ROWS, halo + bottom - top)])
            if self._map is not None:
                self._map.add(band, is_open_band, sheet.full, top, halo)
            self._partial_px += int(np.count_nonzero((core >= least) & (core <= most)))
            for piece in pieces(is_open_band, halo, tile, block):
                self._piece(band, top, piece, halo)
        if self._open_px2 <= 0.0:
            key = "artwork.nothing_light" if self._options.invert else "artwork.nothing_dark"
            raise RefusedError(key, field="invert", level=self._levels.threshold_level)

    def _piece(self, band: Cover, band_top: int, piece: Piece, halo: int) -> None:
        """Count the pixels of a piece by their squared distance, and draw them."""
        sheet = self._sheet
        rows = band[piece.top : piece.bottom + 2 * halo]
        cover = rows[halo:-halo, piece.left : piece.right]
        top, bottom = band_top + piece.top, band_top + piece.bottom
        squares = np.full(cover.shape, 65535, np.uint16)  # no edge within reach
        if piece.crossings:
            squares = self._measured(rows, top, piece.left, bottom, piece.right, halo)
        is_open_part = is_open(cover, sheet.full)
        weight_y, weight_x = sheet.weight_y[top:bottom], sheet.weight_x[piece.left : piece.right]
        self._tally.add_squares(squares, is_open_part, weight_y, weight_x)
        if self._preview is not None:
            reached = (
                0.0
                if self._undercut_px is None
                else self._undercut_px**2 * scale_for(self._reach_px)
            )
            self._preview.add(
                top, piece.left, cover, sheet.full, is_open_part | (squares <= reached)
            )

    def _measured(
        self, rows: Cover, top: int, left: int, bottom: int, right: int, halo: int
    ) -> Squares:
        """Measure contours and lines.

        Return the squared distance of each pixel, without the rim of ``rows``.
        """
        sheet = self._sheet
        low, high = left - halo, right + halo
        cover = rows[:, max(low, 0) : min(high, sheet.width_px)]
        lack = max(0, -low), max(0, high - sheet.width_px)
        if any(lack):
            cover = np.pad(cover, ((0, 0), lack), mode="edge")
        y0, x0 = top - halo, left - halo
        edges = sheet.plate_px
        plate = (edges[0] - y0, edges[1] - x0, edges[2] - y0, edges[3] - x0)
        is_outer = (top == 0, left == 0, bottom == sheet.height_px, right == sheet.width_px)
        frame = TileFrame(halo, halo, halo + bottom - top, halo + right - left, plate, is_outer)
        squares, gaps = measure_tile(
            np.ascontiguousarray(cover),
            sheet.full,
            frame,
            self._reach_px,
            self._noise_range_px,
            self._tally,
        )
        lost = self._lines.add(gaps.moved(x0, y0), top, left, bottom, right)
        if lost is not None and self._preview is not None:
            self._preview.add_lost(lost)
        return squares

    def result(
        self, path: ReadableFile, picture: Picture, preview: Path | BinaryIO | None
    ) -> ArtworkMeasure:
        """Return the measurement of all copies."""
        sheet, options, tally = self._sheet, self._options, self._tally
        px_mm = sheet.px_mm
        mm2 = px_mm * px_mm * options.copies
        s_mm = _distances(options)
        growth_px2 = np.concatenate(
            [
                [self._open_px2],
                grown_area_px2(tally, self._reach_px, self._open_px2, s_mm[1:] / px_mm),
            ]
        )
        growth_px2 = np.maximum.accumulate(growth_px2)
        soft_px2 = max(0.0, self._partial_px - _SOFT_PER_EDGE * tally.edge_px)
        warnings = [*picture.warnings, *self._soft_warning(soft_px2)]
        off = deviations(
            tally,
            self._levels.step_px(sheet.reduction),
            soft_px2,
            s_mm / px_mm,
            growth_px2,
            px_mm,
            noisy=self._levels.quality == "noisy",
        )
        lost, lost_count = self._lines.lost_lines(sheet)
        if preview is not None and self._preview is not None:
            self._preview.save(preview, options.undercut_mm, px_mm, lost_count)
        spread = spread_of(self._map, sheet, options)
        plate_mm2 = sheet.plate_mm[0] * sheet.plate_mm[1]
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        return ArtworkMeasure(
            area_mm2=self._open_px2 * mm2,
            area_uncertainty_mm2=off.area_mm2 * options.copies,
            edge_mm=tally.edge_px * px_mm * options.copies,
            edge_uncertainty_mm=off.edge_mm * options.copies,
            growth_mm2=_pairs(s_mm, growth_px2 * mm2),
            growth_uncertainty_mm2=_pairs(s_mm, off.growth_mm2 * options.copies),
            width_mm=sheet.plate_mm[0],
            height_mm=sheet.plate_mm[1],
            open_fraction=self._open_px2 * px_mm * px_mm / plate_mm2,
            open_fields=self._fields.total * options.copies,
            narrowest_resist=self._lines.narrowest(sheet, resist=True),
            narrowest_open=self._lines.narrowest(sheet, resist=False),
            undercut_mm=options.undercut_mm,
            lost_lines=lost,
            lost_line_count=lost_count,
            copies=options.copies,
            inverted=options.invert,
            threshold_level=self._levels.threshold_level,
            quality=self._levels.quality,
            file_format=picture.file_format,
            page=picture.page,
            width_px=picture.width_px,
            height_px=picture.height_px,
            dpi=picture.dpi,
            grid_dpi=picture.dpi / sheet.reduction,
            scale_source=picture.scale_source,
            sha256=digest,
            version=limits.MEASURE_VERSION,
            warnings=tuple(warnings),
            places=spread.places,
            bath_resistance_ohm=spread.bath_resistance_ohm,
        )

    def _soft_warning(self, soft_px2: float) -> list[Message]:
        """Return a warning when parts are grey. Raises: RefusedError for a picture in tones."""
        share = soft_px2 / self._open_px2
        grey_mm2 = soft_px2 * self._sheet.px_mm**2
        if share > _SOFT_LIMIT_FRACTION:
            raise RefusedError(
                "artwork.tones",
                field="file",
                grey_mm2=grey_mm2,
                share_percent=100 * share,
                limit_percent=100 * _SOFT_LIMIT_FRACTION,
            )
        if share > _SOFT_WARN_FRACTION:
            return [Message("artwork.grey_parts", {"grey_mm2": grey_mm2})]
        return []


def _row_sums(core: Cover, weight_x: Floats) -> Floats:
    """Return the weighted sum of each row.

    Only the first and the last pixel may weigh less than 1.
    """
    sums: Floats = core.sum(1, dtype=np.uint64).astype(np.float64)
    for end in {0, core.shape[1] - 1}:
        sums -= (1.0 - weight_x[end]) * core[:, end]
    return sums


def _distances(options: MeasureOptions) -> Floats:
    """Return the distances of the growth curve, mm: finer near the edge, where lines close."""
    reach = options.reach_mm
    s = np.concatenate(
        [np.arange(0, 0.2, 0.005), np.arange(0.2, 1.0, 0.02), np.arange(1.0, reach + 0.05, 0.05)]
    )
    wanted = [value for value in (1.0, options.undercut_mm, reach) if value is not None]
    s = np.concatenate([s[s <= reach], wanted])
    return np.unique(np.round(s, 6))


def _pairs(s_mm: Floats, values: Floats) -> tuple[Pair, ...]:
    return tuple((float(s), float(value)) for s, value in zip(s_mm, values, strict=True))
