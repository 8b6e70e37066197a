"""Measures speed, cost and scale, by hand: ``python -m tests.proofs.benchmarks [--rows
1,2,3] [--quick] [--json FILE]``. Not a test.

Each row is a figure against a baseline measured in the same run, both in turn. On a machine that
does other work the ratios are noisy: the table states the load. Quick means fewer and smaller
repetitions, for a look.
"""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Sequence
from pathlib import Path

from hardware.clock import SystemClock
from tests.proofs.benchmarks import logbook as bench_book
from tests.proofs.benchmarks import page as bench_page
from tests.proofs.benchmarks import process as bench_process
from tests.proofs.benchmarks import reaction as bench_reaction
from tests.proofs.benchmarks import serve as bench_serve
from tests.proofs.benchmarks import sheet as bench_sheet
from tests.proofs.benchmarks import tick as bench_tick
from tests.proofs.benchmarks.table import Line, machine, table

ROWS: dict[int, tuple[str, Callable[[bool], list[Line]]]] = {
    1: ("control tick", bench_tick.tick),
    2: ("over-voltage to off", bench_reaction.over_voltage_to_off),
    3: ("headless rehearsal", bench_tick.rehearsal),
    4: ("start", bench_process.start),
    5: ("memory", bench_process.memory),
    6: ("requests and streams", bench_serve.requests_and_streams),
    7: ("artwork", bench_sheet.sheets),
    8: ("logbook", bench_book.logbook),
    9: ("page", bench_page.page),
}
"""What is measured. The lines of row 10, growth, come with rows 1, 6, 7 and 8."""

GROWING = (1, 6, 7, 8)


def measured(rows: Sequence[int], quick: bool) -> list[Line]:
    """Return the lines of the rows, sorted; row 10 alone means the rows that grow."""
    wanted = [row for row in ROWS if row in rows or (10 in rows and row in GROWING)]
    lines: list[Line] = []
    clock = SystemClock()
    for row in wanted:
        name, measure = ROWS[row]
        began_s = clock.monotonic_s()
        lines += measure(quick)
        print(
            f"row {row}, {name}: {clock.monotonic_s() - began_s:.0f} s", file=sys.stderr, flush=True
        )
    return sorted((line for line in lines if line.row in rows), key=lambda line: line.row)


def main(arguments: Sequence[str] | None = None) -> int:
    parser = argparse.ArgumentParser(prog="python -m tests.proofs.benchmarks")
    parser.add_argument(
        "--rows", default=",".join(str(row) for row in [*ROWS, 10]), help="such as 1,2,3"
    )
    parser.add_argument(
        "--quick", action="store_true", help="a look: fewer and smaller repetitions"
    )
    parser.add_argument("--json", type=Path, default=Path("out/bench.json"))
    given = parser.parse_args(arguments)
    rows = [int(row) for row in given.rows.split(",")]
    if not set(rows) <= {*ROWS, 10}:
        parser.error(f"rows are 1 to 10, not {given.rows}")
    command = ["python -m tests.proofs.benchmarks", "--rows", given.rows]
    if given.quick:
        command.append("--quick")
    header = {
        "machine": machine(),
        "at_utc": SystemClock().utc_now().isoformat(timespec="seconds"),
        "command": " ".join(command),
    }
    lines = measured(rows, given.quick)
    print(f"{header['machine']}\n{header['at_utc']}, {header['command']}\n\n{table(lines)}")
    given.json.parent.mkdir(parents=True, exist_ok=True)
    given.json.write_text(
        json.dumps({**header, "lines": [line.to_json() for line in lines]}, indent=1) + "\n",
        encoding="utf-8",
    )
    return 0


if __name__ == "__main__":
    sys.exit(main())
