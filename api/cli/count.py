"""``biteclock count``: the charge in the log of any meter, and the depth that it etches."""

from __future__ import annotations

import codecs
import math
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from api.cli.artwork.artwork_options import file_argument
from api.cli.options import config_option, json_option
from api.cli.plan_options import optional_plan_options
from api.cli.printing import help_of, print_json, say, warn
from controller.errors import RefusedError
from controller.texts import text

if TYPE_CHECKING:
    from controller.config import Settings
    from controller.physics.meter_log import MeterCount
    from controller.planning.request import PlanRequest
    from controller.planning.run_plan import RunPlan

_SHOWN_GAPS = 10
_CHARGES = ("charge_coulombs", "uncertain_coulombs", "sampling_coulombs")
_FUTURE_FIELDS = ("current_a", "bath", "bath_volume_l")
"""Fields whose warnings concern a run that is still to come."""


@click.command(help=help_of("command_line.count"))
@file_argument
@click.option("--max-gap-s", type=float, help=text("command_line.count.max_gap_s"))
@click.option("--signed", is_flag=True, help=text("command_line.count.signed"))
@optional_plan_options
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
    """Print charge and gaps, and the depth when a plan is given."""
    from controller.physics.meter_log import count_log, read_log

    counted = count_log(read_log(_lines(file)), max_gap_s, signed=signed)
    made = None if request is None else _planned(request, counted, settings)
    values = _values(file, counted, made)
    if as_json:
        print_json(values)
    else:
        _print(values)


def _lines(file: Path) -> Iterator[str]:
    """Yield the lines of a text file: UTF-8, UTF-16 with a byte order mark, or single-byte."""
    with file.open("rb") as binary:
        start = binary.read(4096)
    encoding = "utf-8-sig"
    if start.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        encoding = "utf-16"
    # Column names and numbers are ASCII; other characters can occur in ignored columns only.
    with file.open(encoding=encoding, errors="replace", newline=None) as lines:
        yield from lines


def _planned(request: PlanRequest, counted: MeterCount, settings: Settings) -> RunPlan:
    """Return the plan whose table turns the charge into a depth.

    Another meter made the log, so the range of this rig's sensor does not limit it.
    """
    from controller.planning.plan import make_plan

    if counted.charge_coulombs <= 0.0:
        raise RefusedError(
            "command_line.count.no_charge",
            field="file",
            charge_coulombs=counted.charge_coulombs,
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
    depth = None
    if made is not None:
        missing = counted.uncertain_coulombs + counted.sampling_coulombs
        depth = made.acid_bite.estimate(
            made.table, counted.charge_coulombs, counted.duration_s, missing
        )
    return {
        "file": file.name,
        "charge_coulombs": counted.charge_coulombs,
        "charge_low_coulombs": counted.charge_coulombs
        + sum(gap.low_coulombs for gap in counted.gaps)
        - counted.sampling_coulombs,
        "charge_high_coulombs": counted.charge_coulombs
        + counted.uncertain_coulombs
        + counted.sampling_coulombs,
        "uncertain_coulombs": counted.uncertain_coulombs,
        "sampling_coulombs": counted.sampling_coulombs,
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
        else [str(it.message) for it in made.warnings if it.field not in _FUTURE_FIELDS],
    }


def _print(values: dict[str, Any]) -> None:
    _print_charge(values)
    for gap in values["gaps"][:_SHOWN_GAPS]:
        warn("command_line.count.line.gap", **gap)
    if len(values["gaps"]) > _SHOWN_GAPS:
        warn("command_line.count.line.more_gaps", number=len(values["gaps"]) - _SHOWN_GAPS)
    if values["depth_mm"] is not None:
        interval = {
            "depth_mm": values["depth_mm"],
            "low_mm": values["depth_low_mm"],
            "high_mm": values["depth_high_mm"],
        }
        target_mm = values["target_depth_mm"]
        if target_mm is None:
            say("command_line.count.line.depth", **interval)
        else:
            say("command_line.count.line.depth_wanted", **interval, target_mm=target_mm)
    for warning in values["warnings"]:
        warn("command_line.count.line.warning", warning=warning)


def _print_charge(values: dict[str, Any]) -> None:
    charge = {name: values[name] for name in _CHARGES}
    if charge["uncertain_coulombs"]:
        say("command_line.count.line.charge_with_gaps", **charge)
    else:
        say("command_line.count.line.charge", **charge)
    times = ("duration_s", "samples", "median_step_s", "max_gap_s")
    say("command_line.count.line.time", **{name: values[name] for name in times})
    if values["energy_j"] is not None:
        say("command_line.count.line.energy", energy_kj=values["energy_j"] / 1000.0)
