"""Mutation testing: break a module in one place, run its tests, see whether they notice.

``python -m tests.proofs.mutants [PATH...] [--tests FILE...] [--json FILE] [--again FILE]
[--jobs N]`` works on copies of the project.
"""

from __future__ import annotations

import argparse
import json
import os
import shutil
import subprocess
import sys
import tempfile
from dataclasses import asdict
from pathlib import Path

from tests.paths import ROOT
from tests.proofs.mutants.judging import Tally, judge_module, preload
from tests.proofs.mutants.making import placeless
from tests.proofs.mutants.modules import BY_DEFAULT, TESTS

LEAST = 0.90
NOT_COPIED = shutil.ignore_patterns(
    ".git", ".venv", ".*_cache", ".hypothesis", ".schemathesis", "__pycache__", "out", "build"
)


def work_here(
    modules: dict[str, tuple[str, ...]], only: frozenset[str] | None, part: int, parts: int
) -> list[Tally]:
    """Judge one part of the mutants in the present directory, which is a copy.

    :param modules: path of each module, and its test files.
    """
    preload()
    return [judge_module(name, tests, only, part, parts) for name, tests in modules.items()]


def work_in_copies(
    modules: list[str], tests: list[str], again: Path | None, jobs: int
) -> list[Tally]:
    """Judge all mutants, each job in its own copy."""
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory(prefix="mutants-") as scratch:
        running = []
        for part in range(jobs):
            there = Path(scratch) / f"copy{part}"
            shutil.copytree(ROOT, there, ignore=NOT_COPIED)
            command = [
                sys.executable,
                "-m",
                "tests.proofs.mutants",
                *modules,
                *(["--tests", *tests] if tests else []),
                f"--part={part}/{jobs}",
                "--json=tally.json",
            ]
            command += [f"--again={again.absolute()}"] if again else []
            running.append((there, subprocess.Popen(command, cwd=there, env=environment)))
        codes = [job.wait() for _, job in running]
        if any(codes):
            raise SystemExit("a job failed")
        parts = [read_tallies(there / "tally.json") for there, _ in running]
    return [sum(of_module[1:], of_module[0]) for of_module in zip(*parts, strict=True)]


def read_tallies(path: Path) -> list[Tally]:
    """Return what an earlier ``--json`` wrote."""
    return [Tally(**row) for row in json.loads(path.read_text(encoding="utf-8"))]


def render(tallies: list[Tally]) -> str:
    """Return the table in Markdown."""
    lines = [
        "| module | mutants | killed | timed out | survived | killed or timed out |",
        "|---|---|---|---|---|---|",
    ]
    for tally in tallies:
        survived = len(tally.survivors)
        share = f"{100 * tally.share:.1f} %" if tally.mutants else "none tried"
        counts = f"{tally.mutants} | {tally.killed} | {tally.timeouts} | {survived}"
        lines.append(f"| {tally.module} | {counts} | {share} |")
    return "\n".join(lines)


def main() -> int:
    """Judge modules, in copies, or one part of their mutants here."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "modules", nargs="*", metavar="PATH", help=f"default: {', '.join(BY_DEFAULT)}"
    )
    parser.add_argument(
        "--tests",
        nargs="+",
        default=[],
        metavar="FILE",
        help="test files for modules that have none in tests/proofs/mutants/modules.py",
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the result there")
    parser.add_argument(
        "--again", type=Path, metavar="FILE", help="try only the survivors of an earlier --json"
    )
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes side by side")
    parser.add_argument("--part", help=argparse.SUPPRESS)
    given = parser.parse_args()
    modules: dict[str, tuple[str, ...]] = {}
    for path in given.modules or BY_DEFAULT:
        if not (Path.cwd() / path).is_file():
            parser.error(f"there is no {path}: give a path from the root of the project")
        modules[path] = TESTS.get(path) or tuple(given.tests)
        if not modules[path]:
            parser.error(f"no tests are known for {path}: add --tests FILE")
    if given.part is None:
        tallies = work_in_copies(list(modules), given.tests, given.again, given.jobs)
        print(render(tallies))
    else:
        only = (
            frozenset(
                placeless(diff) for tally in read_tallies(given.again) for diff in tally.survivors
            )
            if given.again
            else None
        )
        part, parts = map(int, given.part.split("/"))
        tallies = work_here(modules, only, part, parts)
    if given.json is not None:
        given.json.parent.mkdir(parents=True, exist_ok=True)
        given.json.write_text(
            json.dumps([asdict(tally) for tally in tallies], indent=1), encoding="utf-8"
        )
    return int(given.part is None and any(tally.share < LEAST for tally in tallies))


if __name__ == "__main__":
    sys.exit(main())
