"""The options of a plan, and the plan request that they make."""

from __future__ import annotations

import functools
from typing import TYPE_CHECKING, Any

import click

from api.cli.artwork.artwork_options import read_options, reading_options
from api.cli.artwork.plate_options import artwork_of, artwork_option, plate_options
from api.cli.options import Function, refusing, with_options
from controller.errors import RefusedError
from controller.physics.faraday import METALS
from controller.texts import text
from controller.units import cm2_to_mm2

if TYPE_CHECKING:
    from controller.artwork.planned import ArtworkFile
    from controller.physics.bath_field import BathField
    from controller.planning.request import PlanRequest

_ARTWORK = "artwork_"
_TARGET_OPTIONS = (
    click.option(
        "--metal", metavar="NAME", help=text("command_line.plan.metal", names=", ".join(METALS))
    ),
    click.option("--area-cm2", type=float, help=text("command_line.plan.area_cm2")),
    artwork_option,
    *reading_options("artwork-"),
    *plate_options,
    click.option("--edge-mm", type=float, help=text("command_line.plan.edge_mm")),
    click.option("--depth-mm", type=float, help=text("command_line.plan.depth_mm")),
    click.option(
        "--target-place",
        type=click.Choice(["widest-floor-middle", "mean"]),
        default="widest-floor-middle",
        show_default=True,
        help=text("command_line.plan.target_place"),
    ),
    click.option(
        "--finishing-mm",
        type=float,
        default=0.0,
        show_default=True,
        help=text("command_line.plan.finishing_mm"),
    ),
    click.option("--charge-coulombs", type=float, help=text("command_line.plan.charge_coulombs")),
    click.option("--current-a", type=float, help=text("command_line.plan.current_a")),
    click.option(
        "--density-a-per-dm2", type=float, help=text("command_line.plan.density_a_per_dm2")
    ),
)
_PLATE_OPTIONS = (
    click.option("--thickness-mm", type=float, help=text("command_line.plan.thickness_mm")),
    click.option("--sheet-cm2", type=float, help=text("command_line.plan.sheet_cm2")),
    click.option(
        "--pieces", type=int, default=1, show_default=True, help=text("command_line.plan.pieces")
    ),
    click.option(
        "--sides",
        type=click.Choice(["1", "2"]),
        default="1",
        show_default=True,
        help=text("command_line.plan.sides"),
    ),
    click.option(
        "--other-bare-cm2",
        type=float,
        default=0.0,
        help=text("command_line.plan.other_bare_cm2"),
    ),
    click.option(
        "--film-mm",
        type=float,
        default=0.045,
        show_default=True,
        help=text("command_line.plan.film_mm"),
    ),
)
_RUN_OPTIONS = (
    click.option(
        "--supply-mode",
        type=click.Choice(["constant-current", "constant-voltage"]),
        default="constant-current",
        show_default=True,
        help=text("command_line.plan.supply_mode"),
    ),
    click.option(
        "--expected-voltage-v",
        type=float,
        default=3.0,
        show_default=True,
        help=text("command_line.plan.expected_voltage_v"),
    ),
    click.option("--bath-volume-l", type=float, help=text("command_line.plan.bath_volume_l")),
    click.option(
        "--stop-policy",
        type=click.Choice(["best-estimate", "never-deeper"]),
        default="best-estimate",
        show_default=True,
        help=text("command_line.plan.stop_policy"),
    ),
    click.option(
        "--gauge-stop-mm",
        "gauge_stops_mm",
        type=float,
        multiple=True,
        help=text("command_line.plan.gauge_stop_mm"),
    ),
    click.option("--piece", default="", help=text("command_line.plan.piece")),
)
_OPTIONS = (*_TARGET_OPTIONS, *_PLATE_OPTIONS, *_RUN_OPTIONS)

_CM2_NAMES = ("area_cm2", "sheet_cm2", "other_bare_cm2")
_UNCHANGED_NAMES = (
    "metal",
    "edge_mm",
    "depth_mm",
    "charge_coulombs",
    "current_a",
    "density_a_per_dm2",
    "thickness_mm",
    "pieces",
    "film_mm",
    "supply_mode",
    "expected_voltage_v",
    "bath_volume_l",
    "stop_policy",
    "target_place",
    "finishing_mm",
    "gauge_stops_mm",
    "piece",
)
_NEED_METAL = {
    "area_mm2": "--area-cm2",
    "edge_mm": "--edge-mm",
    "depth_mm": "--depth-mm",
    "charge_coulombs": "--charge-coulombs",
    "current_a": "--current-a",
    "density_a_per_dm2": "--density-a-per-dm2",
    "thickness_mm": "--thickness-mm",
}
"""Fields that ask for a plan, and their options."""


def plan_options(function: Function) -> Function:
    """Add the options of a plan.

    The command gets one ``request``, and the ``artwork`` that was measured for it, or None.
    """

    @functools.wraps(function)
    def wrapped(*args: Any, **values: Any) -> Any:
        fields, artwork = _fields(values)
        if fields["metal"] is None:
            raise click.MissingParameter(param_hint="'--metal'", param_type="option")
        request = _request(fields, artwork, values["settings"].cell.field)
        return function(*args, request=request, artwork=artwork, **values)

    return with_options(refusing(wrapped), _OPTIONS)  # type: ignore[return-value]


def optional_plan_options(function: Function) -> Function:
    """Add the options of a plan; ``request`` is None when none is given."""

    @functools.wraps(function)
    def wrapped(*args: Any, **values: Any) -> Any:
        fields, artwork = _fields(values)
        if fields["metal"] is not None:
            request = _request(fields, artwork, values["settings"].cell.field)
            return function(*args, request=request, artwork=artwork, **values)
        given = [it for name, it in _NEED_METAL.items() if fields[name] is not None]
        if artwork is not None:
            given.append("--artwork")
        if given:
            raise RefusedError("command_line.plan.no_metal", field="metal", option=given[0])
        return function(*args, request=None, artwork=None, **values)

    return with_options(refusing(wrapped), _OPTIONS)  # type: ignore[return-value]


def _fields(values: dict[str, Any]) -> tuple[dict[str, Any], ArtworkFile | None]:
    """Move a plan's fields and its artwork out of a command's values. Raises: RefusedError."""
    artwork = artwork_of(values, read_options(values, _ARTWORK))
    fields = {name: values.pop(name) for name in _UNCHANGED_NAMES}
    fields |= {name.replace("cm2", "mm2"): _mm2(values.pop(name)) for name in _CM2_NAMES}
    fields["sides"] = int(values.pop("sides"))
    return fields, artwork


def _request(fields: dict[str, Any], artwork: ArtworkFile | None, bath: BathField) -> PlanRequest:
    """Return the request, its artwork measured. Raises: RefusedError, MeasureFailedError."""
    from controller.planning.request import PlanRequest

    if artwork is None:
        if fields["area_mm2"] is None:
            raise RefusedError("command_line.plan.no_area", field="area_cm2")
        return PlanRequest(**{**fields, "edge_mm": fields["edge_mm"] or 0.0})
    for name in ("area_mm2", "edge_mm"):
        if fields[name] is not None:
            raise RefusedError("command_line.plan.area_twice", field=name, option=_NEED_METAL[name])
    from controller.artwork.client import measure
    from controller.artwork.planned import planning_options, request_fields
    from controller.artwork.workplaces import Workplace

    options = planning_options(artwork.options, fields["depth_mm"], bath)
    # A person's file on their machine: confined where it can be.
    measured = measure(artwork.path, options, workplace=Workplace(accept_unconfined=True))
    return PlanRequest(**{**fields, **request_fields(measured)})


def _mm2(value_cm2: float | None) -> float | None:
    return None if value_cm2 is None else cm2_to_mm2(value_cm2)
