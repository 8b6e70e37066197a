"""``biteclock measure``: open area, edges, growth and narrow lines of an artwork file, for people and for scripts."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import click

from api.cli.options import (
    artwork_argument,
    json_option,
    print_json,
    read_options,
    reading_options,
    refusing,
    with_options,
)
from controller.artwork.client import measure as measure_in_process
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, LinePlace
from controller.errors import RefusedError
from controller.units import mm2_to_cm2

_SHOWN_LINES = 12
_SHOWN_GROWTH_MM = (0.05, 0.1, 0.2, 0.5, 1.0)


def _options(function: Any) -> Any:
    more = (
        click.option(
            "--copies",
            type=int,
            default=1,
            show_default=True,
            help="How often it stands on the plate.",
        ),
        click.option(
            "--depth-mm",
            type=float,
            help="Target depth; with --etch-factor it gives the undercut for lost lines.",
        ),
        click.option(
            "--etch-factor",
            type=float,
            help="Depth over undercut per side. Common practice, no source: 0.8 to 1.9.",
        ),
        click.option(
            "--max-undercut-mm",
            type=float,
            help="The growth curve reaches at least this far. Default: 1 mm.",
        ),
        click.option(
            "--preview",
            type=click.Path(dir_okay=False, writable=True, path_type=Path),
            help="Write a PNG: what is etched, the undercut's edge, and the lines that will not survive.",
        ),
    )
    return with_options(function, (*reading_options(""), *more))


@click.command()
@artwork_argument
@_options
@json_option
@refusing
def measure(
    file: Path,
    copies: int,
    depth_mm: float | None,
    etch_factor: float | None,
    max_undercut_mm: float | None,
    preview: Path | None,
    as_json: bool,
    **reading: Any,
) -> None:
    """Measure an artwork FILE: PNG, TIFF, JPEG, PDF or SVG. Dark is etched.

    Measuring runs in a process of its own with limits on time and memory. Uncertainties are one standard deviation.
    """
    read = read_options(reading).to_dict()
    wanted = {
        "copies": copies,
        "depth_mm": depth_mm,
        "etch_factor": etch_factor,
        "max_undercut_mm": max_undercut_mm,
    }
    options = MeasureOptions(**{**read, **wanted})
    _refuse_bad_place(preview)
    found = measure_in_process(file, options, preview_path=preview)
    if as_json:
        print_json(found.to_shown_dict())
    else:
        for name, text in _rows(file, found):
            click.echo(f"{name:<16}{text}".rstrip())
        for warning in found.warnings:
            click.secho(f"{'warning':<16}{warning}", fg="yellow")
        if preview is not None:
            click.echo(f"{'preview':<16}{preview}")


def _refuse_bad_place(preview: Path | None) -> None:
    if preview is None:
        return
    if preview.suffix.lower() != ".png":
        raise RefusedError(
            f"the preview is a PNG and {preview.name} is not named so: end its name in .png",
            field="preview",
        )
    if not preview.absolute().parent.is_dir() or not os.access(preview.absolute().parent, os.W_OK):
        raise RefusedError(
            f"nothing can be written in {preview.absolute().parent}: make the directory",
            field="preview",
        )


def _rows(file: Path, found: ArtworkMeasure) -> list[tuple[str, str]]:
    copies = "" if found.copies == 1 else f", {found.copies} copies together"
    page = f", page {found.page}" if found.page != 1 else ""
    rows = [
        (
            "file",
            f"{file.name}, {found.file_format}{page}, {found.width_px} x {found.height_px} px, {_quality(found)}",
        ),
        (
            "scale",
            f"{found.dpi:.4g} dpi ({found.scale_source}), measured at {found.grid_dpi:.4g} dpi",
        ),
        (
            "plate",
            f"{found.width_mm:.2f} x {found.height_mm:.2f} mm, {found.open_fraction:.1%} of it open",
        ),
        (
            "open area",
            f"{mm2_to_cm2(found.area_mm2):.4g} cm2 ({found.area_mm2:.2f} +- {found.area_uncertainty_mm2:.2f} mm2){copies}",
        ),
        ("edges", f"{found.edge_mm:.1f} +- {found.edge_uncertainty_mm:.1f} mm"),
        ("open fields", f"{found.open_fields}"),
        (
            "threshold",
            f"grey level {found.threshold_level:g} of 255{', light is etched' if found.inverted else ''}",
        ),
        ("narrowest resist", _place(found.narrowest_resist)),
        ("narrowest open", _place(found.narrowest_open)),
    ]
    reach_mm = found.growth_mm2[-1][0]
    grown = ", ".join(
        f"{found.grown_mm2(s):.1f} after {s:g} mm" for s in _SHOWN_GROWTH_MM if s <= reach_mm
    )
    rows.append(("growth", f"{grown} (mm2)"))
    if found.undercut_mm is not None:
        rows.append(
            (
                "lost lines",
                f"{found.lost_line_count} under {2 * found.undercut_mm:.3f} mm, eaten through by {found.undercut_mm:.3f} mm of "
                "undercut from both sides",
            )
        )
        rows += [("", _place(line)) for line in found.lost_lines[:_SHOWN_LINES]]
        if found.lost_line_count > _SHOWN_LINES:
            rows.append(("", f"and {found.lost_line_count - _SHOWN_LINES} more"))
    rows.append(("sha256", found.sha256))
    return [(name if len(name) < 16 else f"{name} ", text) for name, text in rows]


def _quality(found: ArtworkMeasure) -> str:
    return {
        "grey": "edges shaded",
        "one_bit": "black and white",
        "noisy": "noisy",
        "drawing": "drawing",
    }[found.quality]


def _place(line: LinePlace | None) -> str:
    if line is None:
        return "none found"
    length = "" if line.length_mm is None else f", {line.length_mm:.1f} mm long"
    return (
        f"{line.width_mm:.3f} mm at ({line.x_mm:.1f}, {line.y_mm:.1f}) mm from the top left{length}"
    )
