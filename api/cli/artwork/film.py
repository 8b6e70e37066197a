"""``biteclock film``: the artwork as a film, with the undercut taken off its openings."""

from __future__ import annotations

import os
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.artwork.artwork_options import file_argument, read_options, reading_options
from api.cli.options import Function, json_option, refusing, with_options
from api.cli.printing import help_of, print_json, say, warn
from controller.artwork.film.options import EDGES, FORMATS, FilmOptions
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.physics.faraday import METALS
from controller.texts import text

if TYPE_CHECKING:
    from controller.artwork.film.result import FilmLine, FilmResult

_SHOWN_LINES = 12
_USUAL_ETCH_FACTOR = METALS["fine-silver"].etch_factor


def _length(name: str, key: str, default: float | None) -> Any:
    return click.option(
        name,
        type=float,
        default=default,
        show_default=default is not None,
        help=text(key),
    )


def film_options(function: Function) -> Function:
    """Add the film's options, before those for reading the file."""
    own = (
        click.option(
            "--depth-mm", type=float, required=True, help=text("command_line.film.depth_mm")
        ),
        click.option(
            "--out",
            type=click.Path(dir_okay=False, path_type=Path),
            required=True,
            help=text("command_line.film.out"),
        ),
        click.option("--etch-factor", type=float, help=text("command_line.film.etch_factor")),
        click.option("--bath", metavar="NAME", help=text("command_line.film.bath")),
        click.option("--evenness", type=float, help=text("command_line.film.evenness")),
        _length("--gap-mm", "command_line.film.gap_mm", None),
        _length("--least-open-mm", "command_line.film.least_open_mm", 0.1),
        click.option(
            "--mirror/--no-mirror",
            "mirrored",
            default=True,
            show_default=True,
            help=text("command_line.film.mirror"),
        ),
        click.option("--negative", is_flag=True, help=text("command_line.film.negative")),
        _length("--border-mm", "command_line.film.border_mm", 5.0),
        click.option(
            "--tab", "tab_edge", type=click.Choice(EDGES), help=text("command_line.film.tab")
        ),
        _length("--tab-width-mm", "command_line.film.tab_width_mm", 10.0),
        _length("--tab-length-mm", "command_line.film.tab_length_mm", 15.0),
        click.option(
            "--marks/--no-marks",
            "with_marks",
            default=True,
            show_default=True,
            help=text("command_line.film.marks"),
        ),
        _length("--scale-bar-mm", "command_line.film.scale_bar_mm", 100.0),
        click.option(
            "--film-dpi",
            type=int,
            default=1200,
            show_default=True,
            help=text("command_line.film.film_dpi"),
        ),
    )
    return with_options(function, (*own, *reading_options("")))


@click.command(help=help_of("command_line.film"))
@file_argument
@film_options
@json_option
@refusing
def film(
    file: Path,
    out: Path,
    etch_factor: float | None,
    bath: str | None,
    evenness: float | None,
    gap_mm: float | None,
    film_dpi: int,
    as_json: bool,
    **values: Any,
) -> None:
    """Write a film and print its figures."""
    from controller.artwork.film.client import make_film
    from controller.artwork.workplaces import Workplace

    reading = read_options(values)
    field = None if evenness is None else _field(gap_mm)
    if gap_mm is not None and evenness is None:
        raise RefusedError("command_line.film.gap_alone", field="gap_mm")
    wanted = FilmOptions(
        etch_factor=_etch_factor(etch_factor, bath),
        file_format=_format(out),
        field=field,
        evenness=evenness or 0.0,
        dpi=film_dpi,
        **values,
    )
    _refuse_bad_place(out)
    # A person's file on their machine: where it cannot be confined, a warning says so.
    found, content = make_film(file, reading, wanted, workplace=Workplace(accept_unconfined=True))
    _save(out, content)
    if as_json:
        print_json({**found.to_shown_dict(), "file": str(out)})
        return
    _print(found, out)
    if etch_factor is None and bath is None:
        warn("command_line.film.line.guessed", etch_factor=found.etch_factor)


def _field(gap_mm: float | None) -> BathField:
    return BathField() if gap_mm is None else BathField(gap_mm=gap_mm)


def _etch_factor(given: float | None, bath: str | None) -> float:
    """Return the etch factor given, a bath's, or the usual one. Raises: RefusedError."""
    if given is not None and bath is not None:
        raise RefusedError("command_line.film.two_etch_factors", field="bath")
    if given is not None:
        return given
    return _USUAL_ETCH_FACTOR if bath is None else _of_bath(bath)


def _of_bath(name: str) -> float:
    """Return what the daemon believes of a bath. Raises: RefusedError."""
    from api.cli.bench.local import local_socket
    from api.cli.client import ApiClient

    local = local_socket(None)
    if local is None:
        raise RefusedError("command_line.film.no_daemon", field="bath", bath=repr(name))
    baths = ApiClient.through(local).get("/api/baths")["baths"]
    for bath in baths:
        if bath["name"] == name:
            return float(bath["etch_factor"])
    raise RefusedError("run.bath.unknown", field="bath", bath=repr(name))


def _format(out: Path) -> str:
    """Return the format that a file name ends in. Raises: RefusedError."""
    ending = out.suffix.lower().removeprefix(".")
    if ending not in FORMATS:
        raise RefusedError("command_line.film.no_format", field="out", file=out.name)
    return ending


def _refuse_bad_place(out: Path) -> None:
    directory = out.absolute().parent
    if not directory.is_dir() or not os.access(directory, os.W_OK):
        raise RefusedError("command_line.film.no_place", field="out", directory=directory)


def _save(out: Path, content: bytes) -> None:
    try:
        out.write_bytes(content)
    except OSError as error:
        reason = error.strerror or str(error)
        raise RefusedError(
            "command_line.film.not_saved", field="out", file=out.name, reason=reason
        ) from error


def _print(found: FilmResult, out: Path) -> None:
    say("command_line.film.line.file", file=out, width_mm=found.width_mm, height_mm=found.height_mm)
    say(
        "command_line.film.line.undercut",
        undercut_mm=found.undercut_mm,
        depth_mm=found.depth_mm,
        etch_factor=found.etch_factor,
    )
    if found.evenness is not None:
        say(
            "command_line.film.line.uneven",
            low_mm=found.least_undercut_mm,
            high_mm=found.most_undercut_mm,
        )
    if found.negative:
        say("command_line.film.line.negative")
    else:
        say("command_line.film.line.positive")
    if found.mirrored:
        say("command_line.film.line.mirrored")
    else:
        say("command_line.film.line.not_mirrored")
    say("command_line.film.line.saved", number=found.lines_saved)
    say("command_line.film.line.lost", number=found.lines_lost)
    _print_lines(found.lost_lines, "command_line.film.line.lost_line")
    say("command_line.film.line.limited", number=found.openings_limited)
    _print_lines(found.limited_openings, "command_line.film.line.limited_opening")
    if found.scale_bar_mm is not None:
        say("command_line.film.line.scale_bar", length_mm=found.scale_bar_mm)
    for warning in found.warnings:
        warn("command_line.film.line.warning", warning=warning)


def _print_lines(lines: tuple[FilmLine, ...], key: str) -> None:
    for line in lines[:_SHOWN_LINES]:
        say(
            key,
            width_mm=line.width_mm,
            etched_width_mm=line.etched_width_mm,
            x_mm=line.x_mm,
            y_mm=line.y_mm,
            length_mm=line.length_mm,
        )
    if len(lines) > _SHOWN_LINES:
        say("command_line.film.line.more", number=len(lines) - _SHOWN_LINES)
