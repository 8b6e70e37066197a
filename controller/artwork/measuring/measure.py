"""Measures a file: loads it, visits its tiles and makes the result.

Runs inside the worker process.
"""

from __future__ import annotations

import hashlib
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, BinaryIO

import numpy as np

from controller.artwork import limits
from controller.artwork.distances.distance import Squares, scale_for
from controller.artwork.distribution.plate_map import map_canvas
from controller.artwork.distribution.spread import PartPlaces, Spread, sheet_spread
from controller.artwork.loading.levels import Levels, find_levels
from controller.artwork.loading.picture import Picture
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.loading.sniff import sniff
from controller.artwork.measuring.curves import growth_distances, pairs_of, row_sums
from controller.artwork.measuring.doubts import Doubts, dust_warning, soft_warning
from controller.artwork.measuring.growth import grown_area_px2
from controller.artwork.measuring.lines import LineBook
from controller.artwork.measuring.pieces import Piece, pieces
from controller.artwork.measuring.preview import PreviewCanvas
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.measuring.tally import Tally
from controller.artwork.measuring.tile import HALO_PX, TileFrame, measure_tile
from controller.artwork.measuring.uncertainty import deviations
from controller.artwork.options import MeasureOptions
from controller.artwork.outline.chain import Cover, is_open
from controller.artwork.result import ArtworkMeasure
from controller.errors import RefusedError

if TYPE_CHECKING:
    from controller.physics.places import Place

_TILE_PX = 512
"""Rows of a band, and columns of a tile in it."""

_FIELD_ROWS = 128
"""Rows whose open fields are counted at once. Random noise has a run each 4 px, of 0.2 kB each."""

_SOFT_PER_EDGE = 6.0
"""Partly covered pixels per pixel of edge that line art has at most, also a soft scan of it; the
rest is shading."""


def measure_file(
    path: ReadableFile, options: MeasureOptions, preview: Path | BinaryIO | None = None
) -> ArtworkMeasure:
    """Return the measurement of a file, and write its preview as PNG if asked for.

    Raises: RefusedError when the file or the options cannot be used.
    """
    if sniff(path) != "ZIP":
        return _measured(path, load_picture(path, options), options, preview)[0]
    from controller.artwork.assembly.plate_measure import measured_plate
    from controller.artwork.assembly.plate_picture import assembled

    plate = assembled(path, load_picture)
    whole, places = _measured(path, plate.picture, options, preview, plate.part_places())
    return measured_plate(plate, whole, places, options, measure_file)


def _measured(
    path: ReadableFile,
    picture: Picture,
    options: MeasureOptions,
    preview: Path | BinaryIO | None,
    parts: Sequence[PartPlaces] = (),
) -> tuple[ArtworkMeasure, tuple[tuple[Place, ...], ...]]:
    """Return the measurement of a picture, and the places of each part. Raises: RefusedError."""
    levels = find_levels(picture, options.invert)
    sheet, is_drawing = Sheet(picture, levels, options), picture.histogram is None
    walk = _Walk(sheet, levels, options, is_drawing=is_drawing, with_preview=preview is not None)
    walk.run()
    spread = walk.spread(parts)
    return walk.result(path, picture, preview, spread), spread.of_parts


def load_picture(path: ReadableFile, options: MeasureOptions) -> Picture:
    """Return the picture.

    Each loader is imported only for its kind of file, which saves memory and time.
    """
    kind = sniff(path)
    if kind == "ZIP":
        from controller.artwork.assembly.plate_picture import load_plate

        return load_plate(path, load_picture)
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
        self,
        sheet: Sheet,
        levels: Levels,
        options: MeasureOptions,
        *,
        is_drawing: bool,
        with_preview: bool,
    ) -> None:
        self._sheet, self._levels, self._options = sheet, levels, options
        self._reach_px = options.reach_mm / sheet.px_mm + 2.0
        undercut_mm = options.undercut_mm
        self._undercut_px = None if undercut_mm is None else undercut_mm / sheet.px_mm
        self._tally = Tally(self._reach_px)
        self._doubts = Doubts(sheet.px_mm, sheet.origin_mm, looks_for_dust=not is_drawing)
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
                float(sheet.weight_y[top:bottom] @ row_sums(core, sheet.weight_x)) / sheet.full
            )
            for row in range(halo, halo + bottom - top, _FIELD_ROWS):
                self._doubts.add(is_open_band[row : min(row + _FIELD_ROWS, halo + bottom - top)])
            is_last = bottom == sheet.height_px
            self._doubts.add_rim(core, sheet.full, is_first=top == 0, is_last=is_last)
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

    def spread(self, parts: Sequence[PartPlaces]) -> Spread:
        """Return how the current spreads over the sheet, and the places of parts of it."""
        return sheet_spread(self._map, self._sheet, self._options, parts)

    def result(
        self,
        path: ReadableFile,
        picture: Picture,
        preview: Path | BinaryIO | None,
        spread: Spread,
    ) -> ArtworkMeasure:
        """Return the measurement of all copies."""
        sheet, options, tally = self._sheet, self._options, self._tally
        px_mm = sheet.px_mm
        mm2 = px_mm * px_mm * options.copies
        s_mm = growth_distances(options)
        growth_px2 = np.concatenate(
            [
                [self._open_px2],
                grown_area_px2(tally, self._reach_px, self._open_px2, s_mm[1:] / px_mm),
            ]
        )
        growth_px2 = np.maximum.accumulate(growth_px2)
        soft_px2 = max(0.0, self._partial_px - _SOFT_PER_EDGE * tally.edge_px)
        dust = self._doubts.dust(self._open_px2, tally.edge_px)
        warnings = [
            *picture.warnings,
            *soft_warning(soft_px2, self._open_px2, px_mm),
            *self._doubts.rim_warning(),
        ]
        if dust is not None:
            warnings.append(dust_warning(dust, self._open_px2, tally.edge_px))
        off = deviations(
            tally,
            self._levels.step_px(sheet.reduction),
            soft_px2,
            s_mm / px_mm,
            growth_px2,
            px_mm,
            noisy=self._levels.quality == "noisy",
            dust=dust,
        )
        lost, lost_count = self._lines.lost_lines(sheet)
        if preview is not None and self._preview is not None:
            specks_px = None if dust is None else dust.places_px
            self._preview.save(preview, options.undercut_mm, px_mm, lost_count, specks_px)
        spread = sheet_spread(self._map, sheet, options)
        plate_mm2 = sheet.plate_mm[0] * sheet.plate_mm[1]
        with path.open("rb") as file:
            digest = hashlib.file_digest(file, "sha256").hexdigest()
        return ArtworkMeasure(
            area_mm2=self._open_px2 * mm2,
            area_uncertainty_mm2=off.area_mm2 * options.copies,
            edge_mm=tally.edge_px * px_mm * options.copies,
            edge_uncertainty_mm=off.edge_mm * options.copies,
            growth_mm2=pairs_of(s_mm, growth_px2 * mm2),
            growth_uncertainty_mm2=pairs_of(s_mm, off.growth_mm2 * options.copies),
            width_mm=sheet.plate_mm[0],
            height_mm=sheet.plate_mm[1],
            open_fraction=self._open_px2 * px_mm * px_mm / plate_mm2,
            open_fields=self._doubts.fields.total * options.copies,
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
            remedies=spread.remedies,
        )
