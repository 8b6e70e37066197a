"""``biteclock rehearse``: a whole run on the rehearsal rig, as fast as the machine allows."""

from __future__ import annotations

from typing import TYPE_CHECKING

import click

from api.cli.options import (
    Function,
    json_option,
    refusing,
    rehearsal_config_option,
    with_options,
)
from api.cli.plan_options import plan_options
from api.cli.printing import help_of, print_json, say
from api.cli.rehearsal.fault_option import fault_option
from controller.texts import text

if TYPE_CHECKING:
    from api.cli.rehearsal.rehearse import RehearsalResult
    from controller.artwork.planned import ArtworkFile
    from controller.config import Settings
    from controller.planning.request import PlanRequest

SHOWN_DEEPER_FRACTION = 0.001
"""The deepest place has its own line when it is deeper than the mean by more than this share."""

_TRUTH_OPTIONS = (
    click.option("--supply-v", type=float, help=text("command_line.rehearse.supply_v")),
    click.option(
        "--seed", type=int, default=1, show_default=True, help=text("command_line.common.seed")
    ),
    fault_option("command_line.common.fault"),
    click.option(
        "--bite-factor",
        type=float,
        default=1.0,
        show_default=True,
        help=text("command_line.rehearse.bite_factor"),
    ),
    click.option(
        "--true-etch-factor", type=float, help=text("command_line.rehearse.true_etch_factor")
    ),
    click.option(
        "--crowding",
        type=float,
        default=0.0,
        show_default=True,
        help=text("command_line.rehearse.crowding"),
    ),
    click.option("--true-evenness", type=float, help=text("command_line.rehearse.true_evenness")),
    click.option(
        "--true-attack-um-per-min",
        type=float,
        default=0.0,
        show_default=True,
        help=text("command_line.rehearse.true_attack_um_per_min"),
    ),
    click.option("--stop-at-gauge", is_flag=True, help=text("command_line.rehearse.stop_at_gauge")),
    click.option(
        "--ripple-fraction",
        type=float,
        default=0.03,
        show_default=True,
        help=text("command_line.rehearse.ripple_fraction"),
    ),
    click.option(
        "--ripple-hz",
        type=float,
        default=100.0,
        show_default=True,
        help=text("command_line.rehearse.ripple_hz"),
    ),
)


def truth_options(function: Function) -> Function:
    """Add what the rehearsal rig knows and the controller does not."""
    return with_options(function, _TRUTH_OPTIONS)


@click.command(help=help_of("command_line.rehearse"))
@plan_options
@truth_options
@rehearsal_config_option
@json_option
@refusing
def rehearse(
    request: PlanRequest,
    artwork: ArtworkFile | None,
    supply_v: float | None,
    seed: int,
    faults: tuple[str, ...],
    bite_factor: float,
    true_etch_factor: float | None,
    crowding: float,
    true_evenness: float | None,
    true_attack_um_per_min: float,
    stop_at_gauge: bool,
    ripple_fraction: float,
    ripple_hz: float,
    settings: Settings,
    as_json: bool,
) -> None:
    """Rehearse a run and print how it ended."""
    from api.cli.rehearsal.rehearse import rehearse as rehearse_run
    from api.main import Rehearsal, parse_faults

    rehearsal = Rehearsal(
        supply_v=supply_v,
        seed=seed,
        faults=parse_faults(faults),
        bite_factor=bite_factor,
        etch_factor=true_etch_factor,
        ripple_fraction=ripple_fraction,
        ripple_hz=ripple_hz,
        artwork=artwork,
        crowding=crowding,
        evenness=true_evenness,
        attack_um_per_min=true_attack_um_per_min,
    )
    result = rehearse_run(request, rehearsal, settings, stop_at_gauge=stop_at_gauge)
    if as_json:
        print_json(result.to_json())
    else:
        _print(result, has_faults=bool(faults))
    raise SystemExit(result.exit_status)


def _print(result: RehearsalResult, *, has_faults: bool) -> None:
    if result.reason is None:
        say(
            "command_line.rehearse.outcome",
            state=result.outcome,
            on_time_s=result.elapsed_s,
        )
    else:
        say(
            "command_line.rehearse.outcome_with_reason",
            state=result.outcome,
            reason=result.reason,
            on_time_s=result.elapsed_s,
        )
    if result.message:
        say("command_line.common.message", message=result.message)
    say(
        "command_line.rehearse.depth",
        depth_mm=result.depth_mm,
        low_mm=result.depth_low_mm,
        high_mm=result.depth_high_mm,
        true_mm=result.true_depth_mm,
        target_mm=result.target_depth_mm,
    )
    if result.true_deepest_mm > (1.0 + SHOWN_DEEPER_FRACTION) * result.true_depth_mm:
        say("command_line.rehearse.deepest", true_mm=result.true_deepest_mm)
    for stop in result.gauge_stops:
        say(
            "command_line.rehearse.gauge",
            stop_mm=stop.stop_mm,
            depth_mm=stop.depth_mm,
            true_mm=stop.true_depth_mm,
        )
    say(
        "command_line.rehearse.charge",
        charge_coulombs=result.charge_coulombs,
        true_coulombs=result.true_charge_coulombs,
    )
    if result.off_after_fault_s is not None and has_faults:
        if result.reason is None:
            say("command_line.rehearse.off_at_end", off_after_s=result.off_after_fault_s)
        else:
            say("command_line.rehearse.off", off_after_s=result.off_after_fault_s)
