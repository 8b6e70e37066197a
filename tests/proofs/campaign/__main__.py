"""The campaign of whole runs: ``python -m tests.proofs.campaign --runs 2000 --seed 1``, or
``make campaign``.

A run is drawn from seed and number alone: ``--only N`` repeats one. ``--each N`` runs every fault
singly N times at the default limits, ``--study N`` asks for false alarms in N runs without a fault
and for the slow faults in N / 10 runs each.
"""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable, Iterator, Sequence
from concurrent.futures import ProcessPoolExecutor
from contextlib import nullcontext
from functools import partial
from multiprocessing import get_context
from pathlib import Path
from typing import NamedTuple

import click

from hardware.rehearsal.faults.slow import SLOW_FAULTS
from tests.proofs.campaign.draw import NAMES, STUDY
from tests.proofs.campaign.left_alone import misses_table
from tests.proofs.campaign.run import run_one
from tests.proofs.campaign.table import (
    Outcome,
    charge_lines,
    depth_lines,
    faults_table,
    invariants_table,
    kinds_line,
    study_table,
    violation_lines,
)

CHUNK = 4
"""Runs handed to a worker at a time."""

TOLD_EACH = 100
"""Number of runs between two lines of progress."""


class Wanted(NamedTuple):
    """One run: its number, and what is forced upon its draw."""

    number: int
    kind: str | None = None
    faults: tuple[str, ...] | None = None
    must_be_default: bool = False


def campaign(runs: int, first: int = 0) -> list[Wanted]:
    """Return the runs of the campaign: kinds and faults as drawn."""
    return [Wanted(first + index) for index in range(runs)]


def each(runs: int, faults: Sequence[str]) -> list[Wanted]:
    """Return ``runs`` runs of each fault, singly and at the default limits."""
    return [
        Wanted(1_000_000 * (1 + NAMES.index(name)) + index, "single", (name,), must_be_default=True)
        for name in faults
        for index in range(runs)
    ]


def study(runs: int) -> list[Wanted]:
    """Return ``runs`` runs without a fault and a tenth as many for each slow fault."""
    quiet = [Wanted(500_000 + index, STUDY, ()) for index in range(runs)]
    slow = [
        Wanted(1_000_000 * (101 + k) + index, STUDY, (name,))
        for k, name in enumerate(SLOW_FAULTS)
        for index in range(runs // 10)
    ]
    return quiet + slow


def run_wanted(seed: int, wanted: Wanted) -> Outcome:
    """Return the outcome of one run; what breaks the campaign itself is a violation too."""
    try:
        return run_one(seed, *wanted)
    except Exception as error:
        print(f"run {wanted.number} broke: {error!r}", file=sys.stderr)
        raise


def outcomes_of(seed: int, wanted: Iterable[Wanted], workers: int) -> Iterator[Outcome]:
    """Yield the outcomes in the order of the runs."""
    run = partial(run_wanted, seed)
    if workers == 1:
        yield from map(run, wanted)
        return
    with ProcessPoolExecutor(workers, mp_context=get_context("spawn")) as pool:
        yield from pool.map(run, wanted, chunksize=CHUNK)


def read(paths: Iterable[Path]) -> list[Outcome]:
    """Return the outcomes in files that ``--json`` wrote."""
    return [
        json.loads(line) for path in paths for line in path.read_text(encoding="utf-8").splitlines()
    ]


def report(outcomes: Sequence[Outcome], *, is_study: bool) -> list[str]:
    """Return the lines of the report."""
    lines = [kinds_line(outcomes), ""]
    lines += (
        [*study_table(outcomes), "", *misses_table(outcomes)]
        if is_study
        else faults_table(outcomes)
    )
    return [
        *lines,
        "",
        *depth_lines(outcomes),
        *charge_lines(outcomes),
        "",
        *invariants_table(outcomes),
    ]


@click.command(help=__doc__)
@click.option("--runs", default=2000, show_default=True, type=click.IntRange(1))
@click.option(
    "--first", default=0, show_default=True, type=click.IntRange(0), help="Number of the first run."
)
@click.option("--seed", default=1, show_default=True)
@click.option("--workers", default=2, show_default=True, type=click.IntRange(1, 64))
@click.option("--only", type=int, help="Repeat the run of this number, in detail.")
@click.option(
    "--each",
    "each_runs",
    type=click.IntRange(1),
    help="Runs of each fault, instead of the campaign.",
)
@click.option(
    "--fault",
    "faults",
    multiple=True,
    type=click.Choice(NAMES),
    help="With --each: only this fault.",
)
@click.option(
    "--study",
    "study_runs",
    type=click.IntRange(10),
    help="Runs of the study, instead of the campaign.",
)
@click.option(
    "--table",
    "table_paths",
    multiple=True,
    type=click.Path(path_type=Path),
    help="Run nothing: print the table of such files.",
)
@click.option(
    "--json",
    "json_path",
    type=click.Path(path_type=Path),
    help="Write each outcome as a line of JSON.",
)
def main(
    runs: int,
    first: int,
    seed: int,
    workers: int,
    only: int | None,
    each_runs: int | None,
    faults: tuple[str, ...],
    study_runs: int | None,
    table_paths: tuple[Path, ...],
    json_path: Path | None,
) -> None:
    wanted = (
        study(study_runs)
        if study_runs
        else each(each_runs, faults or NAMES)
        if each_runs
        else campaign(runs, first)
    )
    if only is not None:
        wanted = [item for item in wanted if item.number == only] or [Wanted(only)]
        workers = 1
    outcomes = read(table_paths)
    with json_path.open("w", encoding="utf-8") if json_path else nullcontext() as file:
        for outcome in outcomes_of(seed, [] if table_paths else wanted, workers):
            outcomes.append(outcome)
            for line in violation_lines([outcome]):
                click.echo(f"VIOLATION seed {seed} {line}")
            if file is not None:
                print(json.dumps(outcome), file=file, flush=True)
            if len(outcomes) % TOLD_EACH == 0:
                click.echo(f"{len(outcomes)} of {len(wanted)} runs", err=True)
    if only is not None:
        click.echo(json.dumps(outcomes[0], indent=1))
    is_study = all(outcome["kind"] == STUDY for outcome in outcomes)
    click.echo("\n".join(report(outcomes, is_study=is_study)))
    bad = sum(bool(outcome["violations"]) for outcome in outcomes)
    click.echo(f"\n{bad} of {len(outcomes)} runs with a violation.")
    sys.exit(bad > 0)


if __name__ == "__main__":
    main()
