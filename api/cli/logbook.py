"""``biteclock runs``: list, show and export what the logbook holds, read from its file, daemon or not."""

from __future__ import annotations

from dataclasses import asdict
from pathlib import Path
from typing import Any

import click

from api.cli.options import config_option, json_option, print_json, refusing
from api.http.csv_export import csv_lines
from controller.config import Settings
from controller.logbook.reader import LogbookReader, RunSummary

_DIRECTORY = click.option(
    "--state-directory",
    type=click.Path(file_okay=False, path_type=Path),
    default=".",
    show_default=True,
    help="Where the logbook lies when its path is relative.",
)


def _reader(settings: Settings, state_directory: Path) -> LogbookReader:
    return LogbookReader(state_directory / settings.logbook.path)


@click.group()
def runs() -> None:
    """List, show and export past runs."""


@runs.command("list")
@config_option
@_DIRECTORY
@click.option("--limit", type=click.IntRange(1, 500), default=20, show_default=True)
@click.option("--search", default="", help="Words of piece, metal, bath or state.")
@json_option
@refusing
def list_runs(
    settings: Settings, state_directory: Path, limit: int, search: str, as_json: bool
) -> None:
    """List runs, newest first."""
    page = _reader(settings, state_directory).list_runs(limit=limit, search=search)
    if as_json:
        print_json([_summary(run) for run in page.runs])
        return
    for run in page.runs:
        progress = run.progress
        depth = "    -   " if progress.depth_mm is None else f"{progress.depth_mm:.3f} mm"
        reason = f" ({run.reason})" if run.reason else ""
        click.echo(
            f"{run.run_id:<22} {run.started_at_utc[:16]}  {run.metal:<16} {depth}  {progress.charge_coulombs:8.1f} C  "
            f"{run.state}{reason}  {run.piece}"
        )
    if not page.runs:
        click.echo("no runs")


@runs.command()
@click.argument("run_id")
@config_option
@_DIRECTORY
@json_option
@refusing
def show(run_id: str, settings: Settings, state_directory: Path, as_json: bool) -> None:
    """Show one run: plan, result, events."""
    reader = _reader(settings, state_directory)
    record, events = reader.run(run_id), reader.events(run_id)
    if as_json:
        print_json(
            {
                **_summary(record.summary),
                "plan": record.plan,
                "events": [asdict(event) for event in events],
            }
        )
        return
    summary = record.summary
    click.echo(f"{summary.run_id}  {summary.piece or 'no name'}, {summary.metal}: {summary.state}")
    if summary.message:
        click.echo(summary.message)
    click.echo(
        f"{summary.progress.charge_coulombs:.1f} C in {summary.progress.on_time_s:.1f} s, "
        f"up to {summary.progress.uncertain_charge_coulombs:.1f} C uncertain"
    )
    for event in events:
        click.echo(f"{event.on_time_s:9.1f} s  {event.kind:7}  {event.text}")


@runs.command()
@click.argument("run_id")
@click.option(
    "--format", "kind", type=click.Choice(["csv", "json"]), default="csv", show_default=True
)
@click.option(
    "--output",
    type=click.File("w", encoding="utf-8", lazy=True),
    default="-",
    help="A file. Default: the terminal.",
)
@config_option
@_DIRECTORY
@refusing
def export(run_id: str, kind: str, output: Any, settings: Settings, state_directory: Path) -> None:
    """Export a run's one-second samples."""
    reader = _reader(settings, state_directory)
    reader.run(run_id)
    if kind == "csv":
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
