"""``biteclock plan``: what a run takes, before it begins."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from api.cli.options import config_option, json_option, refusing
from api.cli.plan_options import plan_options
from api.cli.printing import help_of, print_json, say, warn
from controller.texts import text
from controller.units import mm2_to_cm2

if TYPE_CHECKING:
    from controller.artwork.planned import ArtworkFile
    from controller.config import Settings
    from controller.planning.request import PlanRequest
    from controller.planning.run_plan import RunPlan


@click.command(help=help_of("command_line.plan"))
@plan_options
@config_option
@json_option
@refusing
def plan(
    request: PlanRequest, artwork: ArtworkFile | None, settings: Settings, as_json: bool
) -> None:
    """Print a plan."""
    from controller.planning.plan import make_plan

    made = make_plan(request, settings, settings.rig.sensor_range_a)
    if as_json:
        from controller.planning.json_form import plan_to_json

        print_json(plan_to_json(made))
        return
    _print_job(made, artwork)
    _print_effort(made)
    _print_result(made)
    for warning in made.warnings:
        warn("command_line.plan.line.warning", warning=warning.message)


def _print_job(made: RunPlan, artwork: ArtworkFile | None) -> None:
    say(
        "command_line.plan.line.metal",
        metal=made.metal.title,
        density_g_per_cm3=made.metal.density_g_per_cm3,
        source=made.metal.density_source,
    )
    if artwork is not None and artwork.sheet_mm is not None:
        _print_plate(made, artwork.sheet_mm)
    elif artwork is not None:
        say(
            "command_line.plan.line.artwork",
            file=artwork.path.name,
            area_cm2=mm2_to_cm2(made.request.area_mm2),
            edge_mm=made.request.edge_mm,
        )
    say("command_line.plan.line.open_area", area_cm2=mm2_to_cm2(made.total_area_mm2))


def _print_plate(made: RunPlan, sheet_mm: tuple[float, float]) -> None:
    """Print where the pieces lie, and what each is."""
    say(
        "command_line.plan.line.sheet",
        width_mm=sheet_mm[0],
        height_mm=sheet_mm[1],
        pieces=len(made.request.pieces_on_plate),
    )
    for piece in made.pieces:
        say(
            "command_line.plan.line.piece",
            file=piece.name,
            x_mm=piece.x_mm,
            y_mm=piece.y_mm,
            degrees=piece.degrees,
            area_cm2=mm2_to_cm2(piece.area_mm2),
            share_fraction=piece.share_of_area,
            lost_lines=piece.lost_line_count,
        )


def _print_effort(made: RunPlan) -> None:
    minutes, seconds = divmod(round(made.duration_s), 60)
    say(
        "command_line.plan.line.charge",
        charge_coulombs=made.charge_coulombs,
        ceiling_coulombs=made.max_charge_coulombs,
    )
    say(
        "command_line.plan.line.time",
        minutes=minutes,
        seconds=seconds,
        current_a=made.current_a,
        ceiling_minutes=made.max_on_time_s / 60.0,
    )
    say("command_line.plan.line.density", density_a_per_dm2=made.density_a_per_dm2)
    if made.metal_removed_fraction is None:
        say("command_line.plan.line.metal_lost", removed_g=made.metal_removed_g)
    else:
        say(
            "command_line.plan.line.metal_lost_of_sheet",
            removed_g=made.metal_removed_g,
            removed_fraction=made.metal_removed_fraction,
        )
    heat_kj = made.heat_j / 1000.0
    if made.warming_k is None:
        say("command_line.plan.line.heat", power_w=made.power_w, heat_kj=heat_kj)
    else:
        say(
            "command_line.plan.line.heat_in_bath",
            power_w=made.power_w,
            heat_kj=heat_kj,
            warming_k=made.warming_k,
        )


def _print_result(made: RunPlan) -> None:
    from controller.figures import place_title
    from controller.planning.json_form import places_of

    say(
        "command_line.plan.line.depth",
        depth_mm=made.target_depth_mm,
        low_mm=made.depth_low_mm,
        high_mm=made.depth_high_mm,
        place=place_title(made.target_place),
    )
    if made.request.finishing_mm > 0.0 and made.request.depth_mm is not None:
        say(
            "command_line.plan.line.finished",
            depth_mm=made.request.depth_mm,
            finishing_mm=made.request.finishing_mm,
        )
    for place in places_of(made):
        say(
            "command_line.plan.line.place",
            place=place.title,
            depth_mm=place.depth_mm,
            low_mm=place.depth_low_mm,
            high_mm=place.depth_high_mm,
        )
    left_mm = made.metal_left_mm(made.charge_coulombs, made.acid_s_at_stop)
    if left_mm is not None:
        say("command_line.plan.line.metal_left", left_mm=max(0.0, left_mm))
    say("command_line.plan.line.over_current", limit_a=made.max_current_a)
    if made.gauge_stops_mm:
        stops = [
            text("command_line.plan.line.gauge_stop", stop_mm=stop_mm)
            for stop_mm in made.gauge_stops_mm
        ]
        say("command_line.plan.line.gauge", stops=", ".join(stops))
    elif made.offered_gauge_stops_mm:
        options = [f"--gauge-stop-mm {stop_mm:.3g}" for stop_mm in made.offered_gauge_stops_mm]
        say("command_line.plan.line.advice", options=" ".join(options))
