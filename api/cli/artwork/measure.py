"""``biteclock measure``: open area, edges, growth and narrow lines of an artwork file."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.artwork.artwork_options import file_argument, read_options, reading_options
from api.cli.options import Function, config_option, json_option, refusing, with_options
from api.cli.printing import help_of, print_json, say, warn
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.texts import text
from controller.units import mm2_to_cm2

if TYPE_CHECKING:
    from controller.artwork.result import ArtworkMeasure, LinePlace
    from controller.config import Settings

_SHOWN_LINES = 12
_SHOWN_GROWTH_MM = (0.05, 0.1, 0.2, 0.5, 1.0)


def measure_options(function: Function) -> Function:
    """Add what is measured, after the options for reading the file."""
    more = (
        click.option(
            "--copies",
            type=int,
            default=1,
            show_default=True,
            help=text("command_line.measure.copies"),
        ),
        click.option("--depth-mm", type=float, help=text("command_line.measure.depth_mm")),
        click.option("--etch-factor", type=float, help=text("command_line.measure.etch_factor")),
        click.option(
            "--max-undercut-mm", type=float, help=text("command_line.measure.max_undercut_mm")
        ),
        click.option(
            "--even-out", metavar="EVENNESS", type=float, help=text("command_line.measure.even_out")
        ),
        click.option(
            "--preview",
            type=click.Path(dir_okay=False, writable=True, path_type=Path),
            help=text("command_line.measure.preview"),
        ),
    )
    return with_options(function, (*reading_options(""), *more))


@click.command(help=help_of("command_line.measure"))
@file_argument
@measure_options
@config_option
@json_option
@refusing
def measure(
    file: Path,
    copies: int,
    depth_mm: float | None,
    etch_factor: float | None,
    max_undercut_mm: float | None,
    even_out: float | None,
    preview: Path | None,
    settings: Settings,
    as_json: bool,
    **reading: Any,
) -> None:
    """Print the measurement of an artwork."""
    from controller.artwork.client import measure as measure_in_process
    from controller.artwork.workplaces import Workplace

    read = read_options(reading).to_dict()
    wanted = {
        "copies": copies,
        "depth_mm": depth_mm,
        "etch_factor": etch_factor,
        "max_undercut_mm": max_undercut_mm,
        "even_out_at": even_out,
        "bath": None if even_out is None else settings.cell.field,
    }
    options = MeasureOptions(**{**read, **wanted})
    _refuse_bad_place(preview)
    # A person's file on their machine: where it cannot be confined, a warning says so.
    found = measure_in_process(
        file, options, preview_path=preview, workplace=Workplace(accept_unconfined=True)
    )
    if as_json:
        print_json(found.to_shown_dict())
        return
    _print_file(file, found)
    _print_areas(found)
    _print_lost_lines(found)
    if even_out is not None:
        _print_spread(found, even_out)
    say("command_line.measure.line.sha256", sha256=found.sha256)
    for warning in found.warnings:
        warn("command_line.measure.line.warning", warning=warning)
    if preview is not None:
        say("command_line.measure.line.preview", file=preview)


def _refuse_bad_place(preview: Path | None) -> None:
    if preview is None:
        return
    if preview.suffix.lower() != ".png":
        raise RefusedError(
            "command_line.measure.preview_no_png", field="preview", file=preview.name
        )
    directory = preview.absolute().parent
    if not directory.is_dir() or not os.access(directory, os.W_OK):
        raise RefusedError(
            "command_line.measure.preview_no_place", field="preview", directory=directory
        )


def _print_file(file: Path, found: ArtworkMeasure) -> None:
    say(
        "command_line.measure.line.file",
        file=file.name,
        format=found.file_format,
        width_px=found.width_px,
        height_px=found.height_px,
        quality=text(f"command_line.measure.quality.{found.quality}"),
    )
    if found.page != 1:
        say("command_line.measure.line.page", page=found.page)
    if found.copies != 1:
        say("command_line.measure.line.copies", copies=found.copies)
    say(
        "command_line.measure.line.scale",
        dpi=found.dpi,
        source=found.scale_source,
        grid_dpi=found.grid_dpi,
    )
    say(
        "command_line.measure.line.plate",
        width_mm=found.width_mm,
        height_mm=found.height_mm,
        open_fraction=found.open_fraction,
    )


def _print_areas(found: ArtworkMeasure) -> None:
    say(
        "command_line.measure.line.open_area",
        area_cm2=mm2_to_cm2(found.area_mm2),
        area_mm2=found.area_mm2,
        uncertainty_mm2=found.area_uncertainty_mm2,
    )
    say(
        "command_line.measure.line.edges",
        edge_mm=found.edge_mm,
        uncertainty_mm=found.edge_uncertainty_mm,
    )
    say("command_line.measure.line.open_fields", number=found.open_fields)
    if found.inverted:
        say("command_line.measure.line.threshold_inverted", grey_level=found.threshold_level)
    else:
        say("command_line.measure.line.threshold", grey_level=found.threshold_level)
    say("command_line.measure.line.narrowest_resist", place=_place(found.narrowest_resist))
    say("command_line.measure.line.narrowest_open", place=_place(found.narrowest_open))
    reach_mm = found.growth_mm2[-1][0]
    areas = [
        text(
            "command_line.measure.line.growth_area",
            area_mm2=found.grown_mm2(growth_mm),
            growth_mm=growth_mm,
        )
        for growth_mm in _SHOWN_GROWTH_MM
        if growth_mm <= reach_mm
    ]
    say("command_line.measure.line.growth", areas=", ".join(areas))


def _print_lost_lines(found: ArtworkMeasure) -> None:
    if found.undercut_mm is None:
        return
    say(
        "command_line.measure.line.lost_lines",
        number=found.lost_line_count,
        width_mm=2.0 * found.undercut_mm,
        undercut_mm=found.undercut_mm,
    )
    for line in found.lost_lines[:_SHOWN_LINES]:
        say("command_line.measure.line.lost_line", place=_place(line))
    more = found.lost_line_count - _SHOWN_LINES
    if more > 0:
        say("command_line.measure.line.more_lost_lines", number=more)


def _print_spread(found: ArtworkMeasure, evenness: float) -> None:
    """Print where the plate etches deeper, and what would even it out."""
    say("command_line.measure.line.depth_places")
    for place in found.places:
        say(
            "command_line.measure.line.depth_place",
            ratio=place.ratio(evenness),
            place=text(f"places.name.{place.name}"),
            share_fraction=place.share_of_area,
            x_mm=place.x_mm,
            y_mm=place.y_mm,
        )
    say("command_line.measure.line.remedies")
    for remedy in found.remedies:
        what = text(f"artwork.remedy.{remedy.name}")
        say("command_line.measure.line.remedy", depth_ratio=remedy.depth_ratio, remedy=what)


def _place(line: LinePlace | None) -> str:
    """Return where a line is narrowest, in words."""
    if line is None:
        return text("command_line.measure.line.no_place")
    values = {"width_mm": line.width_mm, "x_mm": line.x_mm, "y_mm": line.y_mm}
    if line.length_mm is None:
        return text("command_line.measure.line.place", **values)
    return text("command_line.measure.line.place_with_length", **values, length_mm=line.length_mm)
