"""``biteclock count``: the charge of a log from any other meter, and with a plan's options the depth that it makes."""

from __future__ import annotations

import codecs
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import click

from api.cli.options import (
    artwork_argument,
    config_option,
    json_option,
    maybe_plan_options,
    print_json,
)
from controller.config import Settings
from controller.errors import RefusedError
from controller.physics.meter_log import MeterCount, count_log, read_log
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan

_SHOWN_GAPS = 10
_ABOUT_A_RUN = ("current_a", "bath_volume_l")
"""Fields whose warnings are about a run to come: this one is over."""


@click.command()
@artwork_argument
@click.option(
    "--max-gap-s",
    type=float,
    help="Longest time between two samples that is counted. Default: 2.5 times the median step.",
)
@click.option(
    "--signed",
    is_flag=True,
    help="Current backwards counts as negative charge, instead of being refused.",
)
@maybe_plan_options
@config_option
@json_option
def count(
    file: Path,
    max_gap_s: float | None,
    signed: bool,
    request: PlanRequest | None,
    settings: Settings,
    as_json: bool,
    **_artwork: Any,
) -> None:
    """Count the charge in FILE, the log of any other meter.

    Columns time_s and current_a, and voltage_v if there is one; a header names them, others are ignored. Separated by tabs,
    semicolons or commas; decimal commas where columns are not separated by commas. Longer times without a sample are gaps:
    their charge is not guessed, it is told as bounds. With --metal and --area-cm2 or --artwork also the depth.
    """
    counted = count_log(read_log(_lines(file)), max_gap_s, signed=signed)
    made = None if request is None else _planned(request, counted, settings)
    values = _values(file, counted, made)
    if as_json:
        print_json(values)
    else:
        _print(values)


def _lines(file: Path) -> Iterator[str]:
    """Yield the lines of a text file in UTF-8, UTF-16 with its mark, or a single-byte encoding; names and numbers are ASCII."""
    with file.open("rb") as binary:
        start = binary.read(4096)
    encoding = "utf-8-sig"
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    # A degree or micro sign of a single-byte encoding may stand in a column that is ignored.
    with file.open(encoding=encoding, errors="replace", newline=None) as text:
        yield from text


def _planned(request: PlanRequest, counted: MeterCount, settings: Settings) -> RunPlan:
    """Return the plan whose table turns the charge into a depth. The log was not made on this bench: no range limits it."""
    if counted.charge_coulombs <= 0.0:
        raise RefusedError(
            f"the log counts {counted.charge_coulombs:g} C, a depth needs more than 0 C",
            field="file",
            limit="0 C",
        )
    known = request
    if request.depth_mm is None and request.charge_coulombs is None:
        known = replace(
            known,
            charge_coulombs=counted.charge_coulombs + counted.uncertain_coulombs,
            gauge_stops_mm=(),
        )
    if request.current_a is None and request.density_a_per_dm2 is None:
        known = replace(known, current_a=counted.charge_coulombs / counted.counted_s)
    return make_plan(known, settings, math.inf)


def _values(file: Path, counted: MeterCount, made: RunPlan | None) -> dict[str, Any]:
    depth = (
        None if made is None else made.table.at(counted.charge_coulombs, counted.uncertain_coulombs)
    )
    return {
        "file": file.name,
        "charge_coulombs": counted.charge_coulombs,
        "charge_low_coulombs": counted.charge_coulombs
        + sum(gap.low_coulombs for gap in counted.gaps),
        "charge_high_coulombs": counted.charge_coulombs + counted.uncertain_coulombs,
        "uncertain_coulombs": counted.uncertain_coulombs,
        "duration_s": counted.duration_s,
        "counted_s": counted.counted_s,
        "samples": counted.samples,
        "median_step_s": counted.median_step_s,
        "max_gap_s": counted.max_gap_s,
        "highest_current_a": counted.highest_current_a,
        "gaps": [
            {
                "from_s": gap.from_s,
                "to_s": gap.to_s,
                "length_s": gap.length_s,
                "low_coulombs": gap.low_coulombs,
                "high_coulombs": gap.high_coulombs,
            }
            for gap in counted.gaps
        ],
        "energy_j": counted.energy_j,
        "depth_mm": None if depth is None else depth.best_mm,
        "depth_low_mm": None if depth is None else depth.low_mm,
        "depth_high_mm": None if depth is None else depth.high_mm,
        "target_depth_mm": None
        if made is None or made.request.depth_mm is None
        else made.target_depth_mm,
        "warnings": []
        if made is None
        else [str(it.message) for it in made.warnings if it.field not in _ABOUT_A_RUN],
    }


def _print(values: dict[str, Any]) -> None:
    high = values["uncertain_coulombs"]
    more = f", and up to {high:.4g} C more in the gaps" if high else ""
    click.echo(f"charge   {values['charge_coulombs']:.6g} C{more}")
    click.echo(
        f"time     {values['duration_s']:.6g} s, {values['samples']} samples, median step {values['median_step_s']:.3g} s, "
        f"gaps are longer than {values['max_gap_s']:.3g} s"
    )
    if values["energy_j"] is not None:
        click.echo(f"energy   {values['energy_j'] / 1000:.4g} kJ")
    for gap in values["gaps"][:_SHOWN_GAPS]:
        click.secho(
            f"gap      {gap['length_s']:.4g} s from {gap['from_s']:.6g} s to {gap['to_s']:.6g} s: between "
            f"{gap['low_coulombs']:.4g} and {gap['high_coulombs']:.4g} C are not counted",
            fg="yellow",
        )
    if len(values["gaps"]) > _SHOWN_GAPS:
        click.secho(f"gap      and {len(values['gaps']) - _SHOWN_GAPS} more", fg="yellow")
    if values["depth_mm"] is not None:
        wanted = (
            ""
            if values["target_depth_mm"] is None
            else f", {values['target_depth_mm']:.4g} mm wanted"
        )
        interval = f"95 %: {values['depth_low_mm']:.3f} to {values['depth_high_mm']:.3f} mm"
        click.echo(f"depth    {values['depth_mm']:.4f} mm ({interval}){wanted}")
    for text in values["warnings"]:
        click.secho(f"warning  {text}", fg="yellow")
