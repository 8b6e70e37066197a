"""``biteclock``: the command line. Serve the bench, rehearse, plan, check, look back, force the relay off."""

from __future__ import annotations

from pathlib import Path

import click

from api.cli_book import runs
from api.cli_check import check, off
from api.cli_options import config_option, json_option, plan_options, print_json, refusing
from controller.config import Settings
from controller.plan import make_plan
from controller.plan_json import plan_to_json
from controller.plan_request import PlanRequest
from controller.run_plan import RunPlan
from controller.units import mm2_to_cm2

FAULT_HELP = (
    "A fault, SECONDS after the relay turned on; 0: there from the beginning. Names: lead_off, short_circuit, supply_runaway, "
    "supply_lost, polarity_reversed, relay_welded, chip_reset, i2c_errors, bus_stuck, sample_stuck, ripple_worst."
)
CAUTION = (
    "Acid, fumes and current can hurt: extraction, goggles, gloves, apron; a real emergency stop in the supply. "
    "Local codes, safety data sheets and licensed practice come first."
)


@click.group(context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110}, epilog=CAUTION)
@click.version_option(package_name="biteclock")
def main() -> None:
    """Count coulombs instead of minutes: etch silver and copper to depth, stop there, cut on any fault."""


@main.command()
@config_option
@click.option(
    "--rig",
    type=click.Choice(["bench", "rehearsal"]),
    default="bench",
    show_default=True,
    help="The real bench, or its model on this machine.",
)
@click.option("--speed", type=float, default=1.0, show_default=True, help="Rehearsal only: virtual seconds per real second.")
@click.option(
    "--port",
    type=click.IntRange(0, 65535),
    help="Port of page and API; 0 takes a free one. Default: from the configuration, 8420.",
)
@click.option(
    "--state-directory",
    type=click.Path(file_okay=False, path_type=Path),
    default=".",
    show_default=True,
    help="Where the logbook lies when its path is relative.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Rehearsal only: noise, ripple phase, chip tolerances.")
@click.option("--fault", "faults", multiple=True, metavar="NAME@SECONDS", help=f"Rehearsal only. {FAULT_HELP}")
@refusing
def serve(
    settings: Settings, rig: str, speed: float, port: int | None, state_directory: Path, seed: int, faults: tuple[str, ...]
) -> None:
    """Run the daemon: control loop, page and API. Ctrl-C or SIGTERM turns the relay off and ends it."""
    from api.main import Daemon, Rehearsal, parse_faults

    rehearsal = Rehearsal(seed=seed, speed=speed, faults=parse_faults(faults)) if rig == "rehearsal" else None
    state_directory.mkdir(parents=True, exist_ok=True)
    daemon = Daemon(settings, rehearsal, state_directory, port)
    click.echo(f"biteclock serves {daemon.address} on the {daemon.rig.kind} rig. Ctrl-C ends it with the relay off.")
    daemon.run()
    click.echo(f"biteclock has ended; the relay output reads {'ON' if daemon.rig.gate.reads_on() else 'off'}.")


@main.command()
@plan_options
@click.option(
    "--supply-v",
    type=float,
    help="Voltage of the supply. Default: 5 V compliance in constant current, the set point that gives the current in "
    "constant voltage.",
)
@click.option("--seed", type=int, default=1, show_default=True, help="Noise, ripple phase, chip clock and offset.")
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME@SECONDS",
    help=FAULT_HELP,
)
@click.option("--bite-factor", type=float, default=1.0, show_default=True, help="The truth: metal removed over Faraday's.")
@click.option("--true-etch-factor", type=float, help="The truth: depth over undercut. Default: what the plan believes.")
@click.option("--ripple-fraction", type=float, default=0.03, show_default=True, help="Ripple amplitude over DC.")
@click.option("--ripple-hz", type=float, default=100.0, show_default=True, help="100 or 120.")
@config_option
@json_option
@refusing
def rehearse(
    request: PlanRequest,
    supply_v: float | None,
    seed: int,
    faults: tuple[str, ...],
    bite_factor: float,
    true_etch_factor: float | None,
    ripple_fraction: float,
    ripple_hz: float,
    settings: Settings,
    as_json: bool,
) -> None:
    """Rehearse a whole run headless, as fast as the machine allows, on a model of chip, supply and cell.

    Exit status: 0 finished, 3 stopped or paused, 4 tripped, 2 bad usage.
    """
    from api.main import Rehearsal, parse_faults
    from api.rehearse import rehearse as rehearse_run

    rehearsal = Rehearsal(
        supply_v=supply_v,
        seed=seed,
        faults=parse_faults(faults),
        bite_factor=bite_factor,
        etch_factor=true_etch_factor,
        ripple_fraction=ripple_fraction,
        ripple_hz=ripple_hz,
    )
    result = rehearse_run(request, rehearsal, settings)
    if as_json:
        print_json(result.to_json())
    else:
        reason = f" ({result.reason})" if result.reason else ""
        click.echo(f"{result.outcome}{reason} after {result.elapsed_s:.1f} s with the relay on")
        if result.message:
            click.echo(result.message)
        click.echo(
            f"depth   {result.depth_mm:.4f} mm estimated (95 %: {result.depth_low_mm:.3f} to {result.depth_high_mm:.3f}), "
            f"{result.true_depth_mm:.4f} mm true, {result.target_depth_mm:g} mm wanted"
        )
        click.echo(f"charge  {result.charge_coulombs:.1f} C counted, {result.true_charge_coulombs:.1f} C true")
        if result.off_after_fault_s is not None and faults:
            click.echo(f"off     {result.off_after_fault_s:.3f} s after the fault")
    raise SystemExit(result.exit_status)


@main.command()
@plan_options
@config_option
@json_option
@refusing
def plan(request: PlanRequest, settings: Settings, as_json: bool) -> None:
    """Plan a run: charge, time, metal lost, ceilings, and what may go wrong."""
    from api.main import rig_range_a

    made = make_plan(request, settings, rig_range_a(settings))
    if as_json:
        print_json(plan_to_json(made))
    else:
        _print_plan(made)


def _print_plan(made: RunPlan) -> None:
    minutes, seconds = divmod(round(made.duration_s), 60)
    rows: list[tuple[str, str]] = [
        ("metal", f"{made.metal.title}, {made.metal.density_g_per_cm3:g} g/cm3 ({made.metal.density_source})"),
        ("open area", f"{mm2_to_cm2(made.total_area_mm2):.2f} cm2 in all"),
        ("charge", f"{made.charge_coulombs:.0f} C, ceiling {made.max_charge_coulombs:.0f} C"),
        ("time", f"{minutes} min {seconds:02d} s at {made.current_a:.2f} A, ceiling {made.max_on_time_s / 60:.1f} min"),
        ("density", f"{made.density_a_per_dm2:.1f} A/dm2"),
        ("metal lost", f"{made.metal_removed_g:.2f} g"),
        ("depth", f"{made.target_depth_mm:.4g} mm (95 %: {made.depth_low_mm:.3f} to {made.depth_high_mm:.3f} mm)"),
        ("over-current", f"from {made.max_current_a:.2f} A"),
    ]
    for name, text in rows:
        click.echo(f"{name:<13}{text}")
    for warning in made.warnings:
        click.secho(f"warning      {warning.text}", fg="yellow")


@main.command()
@click.option("--speed", type=float, default=30.0, show_default=True, help="Virtual seconds per real second.")
@click.option("--port", type=int, default=8420, show_default=True, help="Port of page and API.")
@click.option("--once", is_flag=True, help="End with the run, with its exit status, instead of serving on.")
@refusing
def demo(speed: float, port: int, once: bool) -> None:
    """Show the main job on the rehearsal bench: a piece of fine silver, 0.25 mm deep, with page and API."""
    from api.demo import run_demo

    raise SystemExit(run_demo(speed, port, once))


for command in (check, off, runs):
    main.add_command(command)

if __name__ == "__main__":
    main()
