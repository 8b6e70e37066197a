"""``biteclock relief``: the relief of an artwork file at a depth, as picture and height map."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.artwork.artwork_options import file_argument, read_options, reading_options
from api.cli.options import Function, json_option, refusing, with_options
from api.cli.printing import help_of, print_json, say, warn
from controller.artwork.relief.options import (
    HEIGHT_MAP,
    PICTURE,
    PRIOR_ETCH_FACTOR,
    PRIOR_EVENNESS,
    ReliefOptions,
)
from controller.errors import RefusedError
from controller.texts import text

if TYPE_CHECKING:
    from controller.artwork.relief.client import Relief

_png_file = click.Path(dir_okay=False, writable=True, path_type=Path)


def relief_options(function: Function) -> Function:
    """Add depth, bath and files, after the options for reading the file."""
    more = (
        click.option(
            "--depth-mm", type=float, required=True, help=text("command_line.relief.depth_mm")
        ),
        click.option(
            "--etch-factor",
            type=float,
            default=PRIOR_ETCH_FACTOR,
            show_default=True,
            help=text("command_line.relief.etch_factor"),
        ),
        click.option(
            "--evenness",
            type=float,
            default=PRIOR_EVENNESS,
            show_default=True,
            help=text("command_line.relief.evenness"),
        ),
        click.option("--picture", type=_png_file, help=text("command_line.relief.picture")),
        click.option("--height-map", type=_png_file, help=text("command_line.relief.height_map")),
    )
    return with_options(function, (*reading_options(""), *more))


@click.command(help=help_of("command_line.relief"))
@file_argument
@relief_options
@json_option
@refusing
def relief(
    file: Path,
    depth_mm: float,
    etch_factor: float,
    evenness: float,
    picture: Path | None,
    height_map: Path | None,
    as_json: bool,
    **reading: Any,
) -> None:
    """Write the relief of an artwork and print its figures."""
    from controller.artwork.relief.client import relief as relief_in_process
    from controller.artwork.workplaces import Workplace

    how = read_options(reading)
    wanted = [(PICTURE, picture), (HEIGHT_MAP, height_map)]
    _refuse_bad_places(picture, height_map)
    found: dict[str, Relief] = {}
    for kind, place in wanted:
        if place is None:
            continue
        options = ReliefOptions(kind, depth_mm, etch_factor, evenness)
        # A person's file on their machine: where it cannot be confined, a warning says so.
        workplace = Workplace(accept_unconfined=True)
        found[kind] = relief_in_process(file, how, options, place, workplace=workplace)
    if as_json:
        print_json(_figures(found, picture, height_map))
        return
    _print(found, picture, height_map)


def _refuse_bad_places(picture: Path | None, height_map: Path | None) -> None:
    places = [place for place in (picture, height_map) if place is not None]
    if not places:
        raise RefusedError("command_line.relief.nothing_wanted", field="picture")
    for place in places:
        if place.suffix.lower() != ".png":
            raise RefusedError("command_line.relief.no_png", field="picture", file=place.name)
        directory = place.absolute().parent
        if not directory.is_dir() or not os.access(directory, os.W_OK):
            raise RefusedError("command_line.relief.no_place", field="picture", directory=directory)
    if len({place.absolute() for place in places}) < len(places):
        raise RefusedError("command_line.relief.same_file", field="picture", file=places[0].name)


def _figures(
    found: dict[str, Relief], picture: Path | None, height_map: Path | None
) -> dict[str, Any]:
    some = next(iter(found.values()))
    mapped = found.get(HEIGHT_MAP)
    return {
        "depth_mm": some.depth_mm,
        "etch_factor": some.etch_factor,
        "evenness": some.evenness,
        "deepest_mm": some.deepest_mm,
        "shallowest_open_mm": some.shallowest_open_mm,
        "washed_out_mm2": some.washed_out_mm2,
        "pixel_mm": some.pixel_mm,
        "width_px": some.width_px,
        "height_px": some.height_px,
        "origin_x_mm": some.origin_x_mm,
        "origin_y_mm": some.origin_y_mm,
        "mm_per_level": None if mapped is None else mapped.mm_per_level,
        "offset_mm": None if mapped is None else mapped.offset_mm,
        "picture": None if picture is None else str(picture),
        "height_map": None if height_map is None else str(height_map),
        "sha256": some.sha256,
        "warnings": [] if some.unconfined is None else [str(_unconfined(some))],
    }


def _unconfined(found: Relief) -> str:
    return text("artwork.worker.ran_unconfined", reason=str(found.unconfined))


def _print(found: dict[str, Relief], picture: Path | None, height_map: Path | None) -> None:
    some = next(iter(found.values()))
    say(
        "command_line.relief.line.depth",
        depth_mm=some.depth_mm,
        shallowest_mm=some.shallowest_open_mm,
        deepest_mm=some.deepest_mm,
    )
    say("command_line.relief.line.washed_out", area_mm2=some.washed_out_mm2)
    say(
        "command_line.relief.line.pixel",
        pixel_mm=some.pixel_mm,
        width_px=some.width_px,
        height_px=some.height_px,
    )
    if picture is not None:
        say("command_line.relief.line.picture", file=picture)
    mapped = found.get(HEIGHT_MAP)
    if mapped is not None and height_map is not None:
        say(
            "command_line.relief.line.height_map",
            file=height_map,
            mm_per_level=mapped.mm_per_level or 0.0,
            offset_mm=mapped.offset_mm or 0.0,
        )
    if some.unconfined is not None:
        warn("command_line.measure.line.warning", warning=_unconfined(some))
