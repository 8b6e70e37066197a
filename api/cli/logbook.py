"""``biteclock runs``: list, show and export past runs, with or without a running daemon."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.options import config_option, json_option, refusing, state_directory_option
from api.cli.printing import help_of, print_json, say
from controller.texts import text

if TYPE_CHECKING:
    from controller.config import Settings
    from controller.logbook.reader import LogbookReader, RunSummary


def _reader(settings: Settings, state_directory: Path) -> LogbookReader:
    from controller.logbook.reader import LogbookReader

    return LogbookReader(state_directory / settings.logbook.path)


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
    page = _reader(settings, state_directory).list_runs(limit=limit, search=search)
    if as_json:
        print_json([_summary(run) for run in page.runs])
        return
    for run in page.runs:
        _print_in_list(run)
    if not page.runs:
        say("command_line.runs.list.empty")


def _print_in_list(run: RunSummary) -> None:
    values: dict[str, Any] = {
        "run_id": run.run_id,
        "started_at_utc": run.started_at_utc[:16],
        "metal": run.metal,
        "charge_coulombs": run.progress.charge_coulombs,
        "state": run.state.value,
        "piece": run.piece,
    }
    values["depth_mm"] = run.progress.depth_mm
    values["reason"] = None if run.reason is None else run.reason.value
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
    reader = _reader(settings, state_directory)
    record, events = reader.run(run_id), reader.events(run_id)
    if as_json:
        plan_and_events = {"plan": record.plan, "events": [asdict(event) for event in events]}
        print_json({**_summary(record.summary), **plan_and_events})
        return
    summary = record.summary
    values = {"run_id": summary.run_id, "metal": summary.metal, "state": summary.state.value}
    if summary.piece:
        say("command_line.runs.show.heading", **values, piece=summary.piece)
    else:
        say("command_line.runs.show.heading_without_name", **values)
    if summary.message:
        say("command_line.common.message", message=summary.message)
    say(
        "command_line.runs.show.charge",
        charge_coulombs=summary.progress.charge_coulombs,
        on_time_s=summary.progress.on_time_s,
        uncertain_coulombs=summary.progress.uncertain_charge_coulombs,
    )
    for event in events:
        say(
            "command_line.runs.show.event",
            on_time_s=event.on_time_s,
            kind=event.kind,
            event=event.text,
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
    reader = _reader(settings, state_directory)
    reader.run(run_id)
    if kind == "csv":
        from api.http.csv_export import csv_lines

        for chunk in csv_lines(reader.samples(run_id)):
            output.write(chunk)
        return
    import json

    output.write("[")
    separator = "\n"
    for samples in reader.samples(run_id):
        for sample in samples:
            output.write(separator + json.dumps(asdict(sample), allow_nan=False))
            separator = ",\n"
    output.write("\n]\n")


def _summary(run: RunSummary) -> dict[str, Any]:
    values = asdict(run)
    progress = values.pop("progress")
    return {**values, **{key: value for key, value in progress.items() if key != "at_s"}}
