"""``biteclock runs``: list, show and export past runs, with or without a running daemon."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.bench.run_sources import run_source
from api.cli.options import config_option, json_option, refusing, state_directory_option
from api.cli.printing import help_of, print_json, say
from controller.texts import text

if TYPE_CHECKING:
    from controller.config import Settings


@click.group(help=help_of("command_line.runs"))
def runs() -> None:
    """Run one of the commands below."""


@runs.command(
    "list",
    help=help_of("command_line.runs.list"),
    short_help=text("command_line.runs.list.summary"),
)
@config_option
@state_directory_option
@click.option(
    "--limit",
    type=click.IntRange(1, 500),
    default=20,
    show_default=True,
    help=text("command_line.runs.list.limit"),
)
@click.option("--search", default="", help=text("command_line.runs.list.search"))
@json_option
@refusing
def list_runs(
    settings: Settings, state_directory: Path, limit: int, search: str, as_json: bool
) -> None:
    """Print runs, newest first."""
    found = run_source(settings, state_directory).runs(limit, search)
    if as_json:
        print_json(found)
        return
    for run in found:
        _print_in_list(run)
    if not found:
        say("command_line.runs.list.empty")


def _print_in_list(run: dict[str, Any]) -> None:
    names = ("run_id", "metal", "charge_coulombs", "state", "piece", "depth_mm", "reason")
    values = {name: run[name] for name in names}
    values["started_at_utc"] = run["started_at_utc"][:16]
    match values["depth_mm"] is not None, values["reason"] is not None:
        case True, True:
            say("command_line.runs.list.line_with_reason", **values)
        case True, False:
            say("command_line.runs.list.line", **values)
        case False, True:
            say("command_line.runs.list.line_without_depth_with_reason", **values)
        case False, False:
            say("command_line.runs.list.line_without_depth", **values)


@runs.command(
    help=help_of("command_line.runs.show"), short_help=text("command_line.runs.show.summary")
)
@click.argument("run_id")
@config_option
@state_directory_option
@json_option
@refusing
def show(run_id: str, settings: Settings, state_directory: Path, as_json: bool) -> None:
    """Print one run."""
    run = run_source(settings, state_directory).run(run_id)
    if as_json:
        print_json(run)
        return
    values = {name: run[name] for name in ("run_id", "metal", "state")}
    if run["piece"]:
        say("command_line.runs.show.heading", **values, piece=run["piece"])
    else:
        say("command_line.runs.show.heading_without_name", **values)
    if run["message"]:
        say("command_line.common.message", message=run["message"])
    say(
        "command_line.runs.show.charge",
        charge_coulombs=run["charge_coulombs"],
        on_time_s=run["on_time_s"],
        uncertain_coulombs=run["uncertain_charge_coulombs"],
    )
    for event in run["events"]:
        say(
            "command_line.runs.show.event",
            on_time_s=event["on_time_s"],
            kind=event["kind"],
            event=event["text"],
        )


@runs.command(
    help=help_of("command_line.runs.export"), short_help=text("command_line.runs.export.summary")
)
@click.argument("run_id")
@click.option(
    "--format",
    "kind",
    type=click.Choice(["csv", "json"]),
    default="csv",
    show_default=True,
    help=text("command_line.runs.export.format"),
)
@click.option(
    "--output",
    type=click.File("w", encoding="utf-8", lazy=True),
    default="-",
    help=text("command_line.runs.export.output"),
)
@config_option
@state_directory_option
@refusing
def export(run_id: str, kind: str, output: Any, settings: Settings, state_directory: Path) -> None:
    """Write the one-second samples of a run."""
    source = run_source(settings, state_directory)
    if kind == "csv":
        for piece in source.csv(run_id):
            output.write(piece)
        return
    import json

    opening = "["
    for sample in source.samples(run_id):
        output.write(f"{opening}\n{json.dumps(sample, allow_nan=False)}")
        opening = ","
    output.write("[\n]\n" if opening == "[" else "\n]\n")
