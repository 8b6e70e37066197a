"""Options that several commands share, and what they turn into: settings, a plan request, a refusal on the terminal."""

from __future__ import annotations

import functools
import json
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar

import click

from controller.config import Settings, load_settings
from controller.errors import BiteclockError
from controller.faraday import METALS
from controller.plan_request import PlanRequest
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

_PLAN_OPTIONS = (
    click.option("--metal", required=True, metavar="NAME", help=f"One of: {', '.join(METALS)}."),
    click.option("--area-cm2", required=True, type=float, help="Open area of one artwork: bare metal that the bath reaches."),
    click.option(
        "--edge-mm",
        type=float,
        default=0.0,
        help="Length of the edges between metal and resist. Unknown counts as 0: fine work then comes out shallower.",
    ),
    click.option("--depth-mm", required=True, type=float, help="Target: mean depth of an open floor."),
    click.option("--current-a", type=float, help="Current that the supply will give."),
    click.option("--density-a-per-dm2", type=float, help="Current density, in place of --current-a."),
    click.option("--thickness-mm", type=float, help="Sheet thickness. Without it nothing guards against etching through."),
    click.option("--pieces", type=int, default=1, show_default=True, help="Copies of the artwork on the plate."),
    click.option("--sides", type=click.Choice(["1", "2"]), default="1", show_default=True, help="Etched sides."),
    click.option("--other-bare-cm2", type=float, default=0.0, help="Other bare metal: contact tab, untaped edges and back."),
    click.option(
        "--supply-mode",
        type=click.Choice(["constant-current", "constant-voltage"]),
        default="constant-current",
        show_default=True,
        help="How the supply is set.",
    ),
    click.option("--piece", default="", help="Name of the piece, for the logbook."),
)


def plan_options(function: Function) -> Function:
    """Add the options of a plan, given to the command as one ``request``."""

    @functools.wraps(function)
    def wrapped(
        *args: Any,
        metal: str,
        area_cm2: float,
        edge_mm: float,
        depth_mm: float,
        current_a: float | None,
        density_a_per_dm2: float | None,
        thickness_mm: float | None,
        pieces: int,
        sides: str,
        other_bare_cm2: float,
        supply_mode: Any,
        piece: str,
        **kwargs: Any,
    ) -> Any:
        request = PlanRequest(
            metal=metal,
            area_mm2=cm2_to_mm2(area_cm2),
            depth_mm=depth_mm,
            current_a=current_a,
            density_a_per_dm2=density_a_per_dm2,
            edge_mm=edge_mm,
            thickness_mm=thickness_mm,
            pieces=pieces,
            sides=2 if sides == "2" else 1,
            other_bare_mm2=cm2_to_mm2(other_bare_cm2),
            supply_mode=supply_mode,
            piece=piece,
        )
        return function(*args, request=request, **kwargs)

    command: Any = wrapped
    for option in reversed(_PLAN_OPTIONS):
        command = option(command)
    return command  # type: ignore[no-any-return]


def print_json(values: Any) -> None:
    """Print one JSON object. NaN and infinity are errors, never printed."""
    click.echo(json.dumps(values, indent=2, allow_nan=False))
