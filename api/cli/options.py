"""Options that several commands share, and what they turn into: settings, a plan request, a refusal on the terminal."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from controller.artwork.client import measure
from controller.artwork.options import MeasureOptions
from controller.artwork.planned import ArtworkFile, planning_options, request_fields
from controller.config import Settings, load_settings
from controller.errors import BiteclockError, RefusedError
from controller.physics.faraday import METALS
from controller.planning.request import PlanRequest
from controller.units import cm2_to_mm2

Function = TypeVar("Function", bound=Callable[..., Any])


class Refusal(click.ClickException):
    """Bad usage or refused input: exit status 2, like click's own."""

    exit_code = 2


def refusing(function: Function) -> Function:
    """Turn the project's errors into one line on the terminal and exit status 2."""

    @functools.wraps(function)
    def wrapped(*args: Any, **kwargs: Any) -> Any:
        try:
            return function(*args, **kwargs)
        except BiteclockError as error:
            raise Refusal(str(error)) from error

    return wrapped  # type: ignore[return-value]


def config_option(function: Function) -> Function:
    """Add ``--config FILE``, given to the command as ``settings``."""

    def load(_context: click.Context, _parameter: click.Parameter, value: Path | None) -> Settings:
        try:
            return Settings() if value is None else load_settings(value)
        except BiteclockError as error:
            raise Refusal(str(error)) from error

    option = click.option(
        "--config",
        "settings",
        type=click.Path(dir_okay=False, path_type=Path),
        callback=load,
        help="Configuration in TOML. Without one the defaults hold.",
    )
    return option(function)


json_option = click.option("--json", "as_json", is_flag=True, help="Print JSON, for scripts.")


def reading_options(prefix: str) -> tuple[Any, ...]:
    """Return the options that say how an artwork file is read, their names after ``--`` and ``prefix``."""
    return (
        click.option(
            f"--{prefix}dpi",
            type=float,
            help="Resolution of the image; stands above the file's own.",
        ),
        click.option(
            f"--{prefix}width-mm",
            type=float,
            help="Width of the page or image; stands above the file's own size.",
        ),
        click.option(
            f"--{prefix}page",
            type=int,
            default=1,
            show_default=True,
            help="Page of a PDF or frame of a TIFF.",
        ),
        click.option(f"--{prefix}invert", is_flag=True, help="Light is etched instead of dark."),
        click.option(
            f"--{prefix}plate-width-mm",
            type=float,
            help="Width of the plate, centred: what lies outside is not etched.",
        ),
        click.option(f"--{prefix}plate-height-mm", type=float, help="Height of the plate."),
        click.option(
            f"--{prefix}margin-mm",
            type=float,
            help="In place of width and height: a rim that lies outside the plate.",
        ),
    )


_READ_NAMES = (
    "dpi",
    "width_mm",
    "page",
    "invert",
    "plate_width_mm",
    "plate_height_mm",
    "margin_mm",
)

artwork_argument = click.argument(
    "file", type=click.Path(exists=True, dir_okay=False, readable=True, path_type=Path)
)

_ARTWORK = "artwork_"
_PLAN_OPTIONS = (
    click.option("--metal", metavar="NAME", help=f"One of: {', '.join(METALS)}."),
    click.option(
        "--area-cm2", type=float, help="Open area of one artwork: bare metal that the bath reaches."
    ),
    click.option(
        "--artwork",
        type=click.Path(exists=True, dir_okay=False, readable=True, path_type=Path),
        help="In place of --area-cm2 and --edge-mm: the artwork itself (PNG, TIFF, JPEG, PDF, SVG), dark is etched. "
        "Its area, edges, growth and narrow lines are measured.",
    ),
    *reading_options("artwork-"),
    click.option(
        "--edge-mm",
        type=float,
        help="Length of the edges between metal and resist. Unknown counts as 0: fine work then comes out shallower.",
    ),
    click.option("--depth-mm", type=float, help="Target: mean depth of an open floor."),
    click.option("--charge-coulombs", type=float, help="Target charge, in place of --depth-mm."),
    click.option("--current-a", type=float, help="Current that the supply will give."),
    click.option(
        "--density-a-per-dm2", type=float, help="Current density, in place of --current-a."
    ),
    click.option(
        "--thickness-mm",
        type=float,
        help="Sheet thickness. Without it nothing guards against etching through.",
    ),
    click.option(
        "--sheet-cm2", type=float, help="Bare size of the sheet, for the share of metal lost."
    ),
    click.option(
        "--pieces",
        type=int,
        default=1,
        show_default=True,
        help="Copies of the artwork on the plate.",
    ),
    click.option(
        "--sides",
        type=click.Choice(["1", "2"]),
        default="1",
        show_default=True,
        help="Etched sides.",
    ),
    click.option(
        "--other-bare-cm2",
        type=float,
        default=0.0,
        help="Other bare metal: contact tab, untaped edges and back.",
    ),
    click.option(
        "--film-mm", type=float, default=0.045, show_default=True, help="Thickness of the resist."
    ),
    click.option(
        "--supply-mode",
        type=click.Choice(["constant-current", "constant-voltage"]),
        default="constant-current",
        show_default=True,
        help="How the supply is set.",
    ),
    click.option(
        "--expected-voltage-v",
        type=float,
        default=3.0,
        show_default=True,
        help="Cell voltage, for power and heat.",
    ),
    click.option("--bath-volume-l", type=float, help="Volume of the bath, for its warming."),
    click.option(
        "--stop-policy",
        type=click.Choice(["best-estimate", "never-deeper"]),
        default="best-estimate",
        show_default=True,
        help="Stop when the best estimate reaches the target, or already when the upper bound does.",
    ),
    click.option(
        "--gauge-stop-mm",
        "gauge_stops_mm",
        type=float,
        multiple=True,
        help="Pause at this depth to gauge. Several.",
    ),
    click.option("--piece", default="", help="Name of the piece, for the logbook."),
)
_CM2_NAMES = ("area_cm2", "sheet_cm2", "other_bare_cm2")
_AS_THEY_ARE = (
    "metal", "edge_mm", "depth_mm", "charge_coulombs", "current_a", "density_a_per_dm2", "thickness_mm", "pieces", "film_mm",
    "supply_mode", "expected_voltage_v", "bath_volume_l", "stop_policy", "gauge_stops_mm", "piece",
)  # fmt: skip
_TELLING_NAMES = (
    "area_mm2",
    "edge_mm",
    "depth_mm",
    "charge_coulombs",
    "current_a",
    "density_a_per_dm2",
    "thickness_mm",
)


def with_options(function: Function, options: tuple[Any, ...]) -> Function:
    """Add options to a command, listed in their order."""
    command: Any = function
    for option in reversed(options):
        command = option(command)
    return command  # type: ignore[no-any-return]


def read_options(values: dict[str, Any], prefix: str = "") -> MeasureOptions:
    """Take how a file is read out of a command's values. Raises: RefusedError."""
    return MeasureOptions(**{name: values.pop(prefix + name) for name in _READ_NAMES})


def plan_options(function: Function) -> Function:
    """Add the options of a plan, given to the command as one ``request`` and the ``artwork`` that it came from, or None."""

    @functools.wraps(function)
    def wrapped(*args: Any, **values: Any) -> Any:
        known, artwork = _known(values)
        if known["metal"] is None:
            raise click.UsageError("Missing option '--metal'.")
        return function(*args, request=_request(known, artwork), artwork=artwork, **values)

    return with_options(refusing(wrapped), _PLAN_OPTIONS)  # type: ignore[return-value]


def maybe_plan_options(function: Function) -> Function:
    """Add the options of a plan, all of them optional: ``request`` is None when none is given."""

    @functools.wraps(function)
    def wrapped(*args: Any, **values: Any) -> Any:
        known, artwork = _known(values)
        if known["metal"] is not None:
            return function(*args, request=_request(known, artwork), artwork=artwork, **values)
        given = [name for name in _TELLING_NAMES if known[name] is not None]
        if given or artwork is not None:
            name = given[0] if given else "artwork"
            raise RefusedError(
                f"{name} is given without a metal: give --metal NAME too", field="metal"
            )
        return function(*args, request=None, artwork=None, **values)

    return with_options(refusing(wrapped), _PLAN_OPTIONS)  # type: ignore[return-value]


def _known(values: dict[str, Any]) -> tuple[dict[str, Any], ArtworkFile | None]:
    """Take what is known of a plan out of a command's values. Raises: RefusedError."""
    known = {name: values.pop(name) for name in _AS_THEY_ARE}
    known |= {name.replace("cm2", "mm2"): _mm2(values.pop(name)) for name in _CM2_NAMES}
    known["sides"] = int(values.pop("sides"))
    return known, _artwork(values)


def _request(known: dict[str, Any], artwork: ArtworkFile | None) -> PlanRequest:
    """Return the request, its artwork measured. Raises: RefusedError, MeasureFailedError."""
    if artwork is None:
        if known["area_mm2"] is None:
            raise RefusedError("give either --area-cm2 (cm2) or --artwork FILE", field="area_cm2")
        return PlanRequest(**{**known, "edge_mm": known["edge_mm"] or 0.0})
    for name in ("area_mm2", "edge_mm"):
        if known[name] is not None:
            option = name.replace("_", "-").replace("mm2", "cm2")
            raise RefusedError(
                f"--artwork and --{option} are both given, and the artwork brings its own: leave one out",
                field=name,
            )
    measured = measure(artwork.path, planning_options(artwork.options, known["depth_mm"]))
    return PlanRequest(**{**known, **request_fields(measured)})


def _mm2(value_cm2: float | None) -> float | None:
    return None if value_cm2 is None else cm2_to_mm2(value_cm2)


def _artwork(values: dict[str, Any]) -> ArtworkFile | None:
    """Take the artwork and how it is read out of a command's values. Raises: RefusedError."""
    path: Path | None = values.pop("artwork")
    options = read_options(values, _ARTWORK)
    if path is not None:
        return ArtworkFile(path, options)
    if options != MeasureOptions():
        raise RefusedError(
            "options --artwork-... are given without --artwork FILE: give the file too",
            field="artwork",
        )
    return None


def print_json(values: Any) -> None:
    """Print one JSON object. NaN and infinity are errors, never printed."""
    click.echo(json.dumps(values, indent=2, allow_nan=False))
