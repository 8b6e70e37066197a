"""Makes a film of a file. Runs inside the worker process."""

from __future__ import annotations

import hashlib
import io
from typing import Any

import numpy as np

from controller.artwork.film import bitmap, drawing
from controller.artwork.film.layout import layout
from controller.artwork.film.options import MOST_FILM_BYTES, FilmOptions
from controller.artwork.film.page import Page
from controller.artwork.film.result import FilmLine, FilmResult
from controller.artwork.film.sheet_walk import SheetFilm
from controller.artwork.film.spots import Line
from controller.artwork.film.undercut import Undercut, undercut_of
from controller.artwork.loading.levels import find_levels
from controller.artwork.loading.readable import ReadableFile
from controller.artwork.measuring.measure import load_picture
from controller.artwork.measuring.sheet import Sheet
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.texts import Message


def film_file(
    path: ReadableFile, options: MeasureOptions, film: FilmOptions, out: io.BytesIO | None
) -> dict[str, Any]:
    """Return the figures of a film as JSON values, and write the film.

    Raises: RefusedError when the file or the options cannot be used.
    """
    picture = load_picture(path, options)
    levels = find_levels(picture, options.invert)
    sheet = Sheet(picture, levels, options)
    undercut = undercut_of(sheet, film)
    made = SheetFilm(sheet, levels, undercut, film.least_open_mm)
    if not made.has_open:
        key = "artwork.nothing_light" if options.invert else "artwork.nothing_dark"
        raise RefusedError(key, field="invert", level=levels.threshold_level)
    if not made.has_room:
        raise RefusedError(
            "artwork.film.all_close",
            field="depth_mm",
            depth_mm=film.depth_mm,
            etch_factor=film.etch_factor,
            undercut_mm=film.undercut_mm,
            width_mm=2.0 * film.undercut_mm,
        )
    page = _page(sheet, picture.width_px, picture.height_px, made, film)
    if out is not None:
        _write(page, film, out)
        if out.tell() > MOST_FILM_BYTES:
            raise RefusedError(
                "artwork.film.too_large",
                field="file_format",
                name=path.name,
                size_mb=out.tell() / 1e6,
                limit_mb=MOST_FILM_BYTES / 1e6,
            )
    with path.open("rb") as file:
        digest = hashlib.file_digest(file, "sha256").hexdigest()
    return _result(made, undercut, sheet, page, film, digest, picture.warnings).to_dict()


def _page(sheet: Sheet, width_px: int, height_px: int, made: SheetFilm, film: FilmOptions) -> Page:
    plan = layout(sheet.plate_mm, film)
    step = sheet.px_mm / sheet.reduction
    beside = [
        (side_px * step - plate) / 2.0
        for side_px, plate in zip((width_px, height_px), sheet.plate_mm, strict=True)
    ]
    x0, y0 = (
        start + origin - off + sheet.px_mm / 2.0
        for start, origin, off in zip(
            (plan.artwork.left_mm, plan.artwork.top_mm), sheet.origin_mm, beside, strict=True
        )
    )
    return Page(plan, made.picture, x0, y0, sheet.px_mm, film.mirrored, film.negative)


def _write(page: Page, film: FilmOptions, out: io.BytesIO) -> None:
    if film.file_format == "png":
        bitmap.png(page, film.dpi, out)
    else:
        out.write({"pdf": drawing.pdf, "svg": drawing.svg}[film.file_format](page))


def _result(
    made: SheetFilm,
    undercut: Undercut,
    sheet: Sheet,
    page: Page,
    film: FilmOptions,
    digest: str,
    warnings: tuple[Message, ...],
) -> FilmResult:
    thin, kept, px_mm = made.thin.lines(), made.kept.lines(), sheet.px_mm
    lost = thin.lost
    notes = [*warnings]
    if len(lost):
        notes.append(Message("artwork.film.lines_lost", {"count": len(lost)}))
    if len(kept):
        values = {"count": len(kept), "least_mm": film.least_open_mm}
        notes.append(Message("artwork.film.openings_limited", values))
    plan = page.layout
    return FilmResult(
        depth_mm=film.depth_mm,
        etch_factor=film.etch_factor,
        undercut_mm=film.undercut_mm,
        least_undercut_mm=undercut.least_px * px_mm,
        most_undercut_mm=undercut.most_px * px_mm,
        evenness=None if film.field is None else film.evenness,
        lines_saved=len(thin) - len(lost),
        lines_lost=len(lost),
        lost_lines=tuple(_shown(line, sheet, is_lost=True) for line in lost.listed()),
        openings_limited=len(kept),
        limited_openings=tuple(_shown(line, sheet, is_lost=False) for line in kept.listed()),
        width_mm=plan.width_mm,
        height_mm=plan.height_mm,
        plate_width_mm=plan.plate.width_mm,
        plate_height_mm=plan.plate.height_mm,
        scale_bar_mm=film.scale_bar_mm if film.with_marks else None,
        mirrored=film.mirrored,
        negative=film.negative,
        file_format=film.file_format,
        dpi=film.dpi if film.file_format == "png" else None,
        sha256=digest,
        warnings=tuple(notes),
    )


def _shown(line: Line, sheet: Sheet, *, is_lost: bool) -> FilmLine:
    x0_mm, y0_mm = sheet.origin_mm
    px_mm = sheet.px_mm
    return FilmLine(
        x_mm=x0_mm + (line.x_px + 0.5) * px_mm,
        y_mm=y0_mm + (line.y_px + 0.5) * px_mm,
        width_mm=line.width_px * px_mm,
        etched_width_mm=float(np.maximum(0.0, line.left_px)) * px_mm,
        length_mm=(line.bad_px if is_lost else line.length_px) * px_mm,
    )
