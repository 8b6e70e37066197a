"""``biteclock``: the command line. Serve the bench, rehearse, plan, measure, count, check, look back, force the relay off."""

from __future__ import annotations

import gc
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from difflib import get_close_matches
from pathlib import Path

import click

from api.cli.options import config_option, json_option, plan_options, print_json, refusing
from controller.artwork.planned import ArtworkFile
from controller.config import Settings
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.units import mm2_to_cm2

FAULT_NAMES = (
    "lead_off", "short_circuit", "supply_runaway", "supply_lost", "polarity_reversed", "relay_welded", "chip_reset", "i2c_errors",
    "bus_stuck", "sample_stuck", "ripple_worst", "resist_leak", "stirrer_stopped", "bath_warming", "dendrite_bridge",
    "contact_corroding", "one_piece_off", "plate_lifted", "black_film",
)  # fmt: skip
"""Those of the rehearsal bench, written out so that help comes at once, without loading the bench."""

FAULT_HELP = f"A fault, SECONDS after the relay turned on; 0: there from the beginning. Several. Names: {', '.join(FAULT_NAMES)}."
CAUTION = (
    "Acid, fumes and current can hurt: extraction, goggles, gloves, apron; a real emergency stop in the supply. "
    "Local codes, safety data sheets and licensed practice come first."
)


class SparingGroup(click.Group):
    """Loads the commands of other modules when they are asked for: the daemon starts sooner.

    Source: click's documentation, "Lazily Loading Subcommands".
    """

    ELSEWHERE = ("check", "count", "measure", "off", "runs")

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands, sorted."""
        return sorted([*super().list_commands(ctx), *self.ELSEWHERE])

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of that name, or None."""
        if cmd_name in ("check", "off"):
            from api.cli.check import check, off

            return {"check": check, "off": off}[cmd_name]
        if cmd_name == "count":
            from api.cli.count import count

            return count
        if cmd_name == "measure":
            from api.cli.measure import measure

            return measure
        if cmd_name == "runs":
            from api.cli.logbook import runs

            return runs
        return super().get_command(ctx, cmd_name)

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that was asked for. Raises: UsageError; click itself names similar ones among the loaded only."""
        near = get_close_matches(args[0], self.list_commands(ctx))
        if near and self.get_command(ctx, args[0]) is None and not ctx.resilient_parsing:
            raise click.UsageError(f"No such command '{args[0]}'. Did you mean '{near[0]}'?", ctx)
        return super().resolve_command(ctx, args)


@contextmanager
def loading() -> Iterator[None]:
    """Hold the collection of garbage while much is loaded and hardly any garbage made. What was loaded stays: no collection in
    mid-run looks through it.
    """
    gc.disable()
    try:
        yield
        gc.freeze()
    finally:
        gc.enable()


@click.group(
    cls=SparingGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    epilog=CAUTION,
)
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
@click.option(
    "--speed",
    type=float,
    default=1.0,
    show_default=True,
    help="Rehearsal only: virtual seconds per real second.",
)
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
@click.option(
    "--seed",
    type=int,
    default=1,
    show_default=True,
    help="Rehearsal only: noise, ripple phase, chip tolerances.",
)
@click.option(
    "--fault", "faults", multiple=True, metavar="NAME@SECONDS", help=f"Rehearsal only. {FAULT_HELP}"
)
@refusing
def serve(
    settings: Settings,
    rig: str,
    speed: float,
    port: int | None,
    state_directory: Path,
    seed: int,
    faults: tuple[str, ...],
) -> None:
    """Run the daemon: control loop, page and API. Ctrl-C or SIGTERM turns the relay off and ends it."""
    with loading():
        from api.main import Daemon, Rehearsal, parse_faults

        rehearsal = (
            Rehearsal(seed=seed, speed=speed, faults=parse_faults(faults))
            if rig == "rehearsal"
            else None
        )
        state_directory.mkdir(parents=True, exist_ok=True)
        daemon = Daemon(settings, rehearsal, state_directory, port)
        click.echo(
            f"biteclock serves {daemon.address} on the {daemon.rig.kind} rig. Ctrl-C ends it with the relay off."
        )
        click.echo(
            daemon.invitation.terminal() if sys.stdout.isatty() else daemon.invitation.text()
        )
    daemon.run()
    click.echo(
        f"biteclock has ended; the relay output reads {'ON' if daemon.rig.gate.reads_on() else 'off'}."
    )


@main.command()
@plan_options
@click.option(
    "--supply-v",
    type=float,
    help="Voltage of the supply. Default: 5 V compliance in constant current, the set point that gives the current in "
    "constant voltage.",
)
@click.option(
    "--seed",
    type=int,
    default=1,
    show_default=True,
    help="Noise, ripple phase, chip clock and offset.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    metavar="NAME@SECONDS",
    help=FAULT_HELP,
)
@click.option(
    "--bite-factor",
    type=float,
    default=1.0,
    show_default=True,
    help="The truth: metal removed over Faraday's.",
)
@click.option(
    "--true-etch-factor",
    type=float,
    help="The truth: depth over undercut. Default: what the plan believes.",
)
@click.option(
    "--crowding",
    type=float,
    default=0.0,
    show_default=True,
    help="The truth, with --artwork: how much faster than a wide floor metal goes at the edge of the resist. 0.3: by 30 %.",
)
@click.option(
    "--stop-at-gauge",
    is_flag=True,
    help="End at the first gauge stop. Otherwise the rehearsal resumes there by itself: nobody is at the bench.",
)
@click.option(
    "--ripple-fraction",
    type=float,
    default=0.03,
    show_default=True,
    help="Ripple amplitude over DC.",
)
@click.option("--ripple-hz", type=float, default=100.0, show_default=True, help="100 or 120.")
@config_option
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
    stop_at_gauge: bool,
    ripple_fraction: float,
    ripple_hz: float,
    settings: Settings,
    as_json: bool,
) -> None:
    """Rehearse a whole run headless, as fast as the machine allows, on a model of chip, supply and cell.

    With --artwork the plate really etches as a front moving on the artwork's own pixels, which the plan's formula knows nothing
    of; working that out takes some seconds. Without it the plate has the plan's area and edges.

    Exit status: 0 finished, 3 stopped or paused, 4 tripped, 2 bad usage.
    """
    from api.cli.rehearse import rehearse as rehearse_run
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
    )
    result = rehearse_run(request, rehearsal, settings, stop_at_gauge=stop_at_gauge)
    if as_json:
        print_json(result.to_json())
    else:
        reason = f" ({result.reason})" if result.reason else ""
        click.echo(f"{result.outcome}{reason} after {result.elapsed_s:.1f} s with the relay on")
        if result.message:
            click.echo(result.message)
        click.echo(
            f"depth   {result.depth_mm:.4f} mm estimated (95 %: {result.depth_low_mm:.3f} to {result.depth_high_mm:.3f}), "
            f"{result.true_depth_mm:.4f} mm true, {result.target_depth_mm:.4g} mm wanted"
        )
        if result.true_deepest_mm > 1.001 * result.true_depth_mm:
            click.echo(f"deepest {result.true_deepest_mm:.4f} mm true")
        for stop in result.gauge_stops:
            click.echo(
                f"gauge   at {stop.stop_mm:g} mm: {stop.depth_mm:.4f} mm estimated, {stop.true_depth_mm:.4f} mm true"
            )
        click.echo(
            f"charge  {result.charge_coulombs:.1f} C counted, {result.true_charge_coulombs:.1f} C true"
        )
        if result.off_after_fault_s is not None and faults:
            click.echo(f"off     {result.off_after_fault_s:.3f} s after the fault")
    raise SystemExit(result.exit_status)


@main.command()
@plan_options
@config_option
@json_option
@refusing
def plan(
    request: PlanRequest, artwork: ArtworkFile | None, settings: Settings, as_json: bool
) -> None:
    """Plan a run: charge, time, metal lost, ceilings, and what may go wrong."""
    from api.main import rig_range_a

    made = make_plan(request, settings, rig_range_a(settings))
    if as_json:
        print_json(plan_to_json(made))
    else:
        _print_plan(made, artwork)


def _print_plan(made: RunPlan, artwork: ArtworkFile | None) -> None:
    minutes, seconds = divmod(round(made.duration_s), 60)
    rows: list[tuple[str, str]] = [
        (
            "metal",
            f"{made.metal.title}, {made.metal.density_g_per_cm3:g} g/cm3 ({made.metal.density_source})",
        ),
        ("open area", f"{mm2_to_cm2(made.total_area_mm2):.2f} cm2 in all"),
        ("charge", f"{made.charge_coulombs:.0f} C, ceiling {made.max_charge_coulombs:.0f} C"),
        (
            "time",
            f"{minutes} min {seconds:02d} s at {made.current_a:.2f} A, ceiling {made.max_on_time_s / 60:.1f} min",
        ),
        ("density", f"{made.density_a_per_dm2:.1f} A/dm2"),
        ("metal lost", f"{made.metal_removed_g:.2f} g{_share(made.metal_removed_fraction)}"),
        ("heat", f"{made.power_w:.1f} W, {made.heat_j / 1000:.1f} kJ{_warming(made.warming_k)}"),
        (
            "depth",
            f"{made.target_depth_mm:.4g} mm (95 %: {made.depth_low_mm:.3f} to {made.depth_high_mm:.3f} mm)",
        ),
        ("over-current", f"from {made.max_current_a:.2f} A"),
    ]
    if artwork is not None:
        request = made.request
        rows.insert(
            1,
            (
                "artwork",
                f"{artwork.path.name}: {mm2_to_cm2(request.area_mm2):.4g} cm2, {request.edge_mm:.0f} mm of edges",
            ),
        )
    if made.gauge_stops_mm:
        rows.append(("gauge at", ", ".join(f"{stop:.3g} mm" for stop in made.gauge_stops_mm)))
    elif made.offered_gauge_stops_mm:
        offered = " ".join(f"--gauge-stop-mm {stop:.3g}" for stop in made.offered_gauge_stops_mm)
        rows.append(
            ("advice", f"gauge once before the end, in a bath that you do not know yet: {offered}")
        )
    for name, text in rows:
        click.echo(f"{name:<13}{text}")
    for warning in made.warnings:
        click.secho(f"warning      {warning.message}", fg="yellow")


def _share(fraction: float | None) -> str:
    return "" if fraction is None else f", {fraction:.1%} of the sheet"


def _warming(warming_k: float | None) -> str:
    return "" if warming_k is None else f", warms the bath by up to {warming_k:.1f} K"


@main.command()
@click.option(
    "--speed", type=float, default=30.0, show_default=True, help="Virtual seconds per real second."
)
@click.option("--port", type=int, default=8420, show_default=True, help="Port of page and API.")
@click.option(
    "--once", is_flag=True, help="End with the run, with its exit status, instead of serving on."
)
@refusing
def demo(speed: float, port: int, once: bool) -> None:
    """Show the main job on the rehearsal bench: a piece of fine silver, 0.25 mm deep, with page and API."""
    from api.cli.demo import run_demo

    raise SystemExit(run_demo(speed, port, once))


if __name__ == "__main__":
    main()
