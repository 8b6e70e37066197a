"""Mutation testing: break a module in one place, run its tests, see whether they notice.

``python -m tests.proofs.mutants [MODULE...] [--json FILE] [--again FILE] [--jobs N]`` works on copies of the project, with a fork
for each mutant. Mutants are made by cosmic-ray's operators, and by taking out one statement at a time.
"""

from __future__ import annotations

import argparse
import ast
import difflib
import importlib
import json
import os
import re
import resource
import shutil
import signal
import subprocess
import sys
import tempfile
import traceback
from collections.abc import Iterator
from dataclasses import asdict, dataclass, field
from pathlib import Path

import pytest

from tests.paths import ROOT

TESTS = {
    "safety/guards": ("safety/test_guards", "safety/test_run"),
    "safety/limits": ("safety/test_guards", "safety/test_run"),
    "safety/supervisor": (
        "safety/test_supervisor",
        "safety/test_supervisor_samples",
        "safety/test_age_watch",
    ),
    "physics/charge": ("physics/test_charge",),
    "physics/faraday": ("physics/test_faraday", "physics/test_published_values"),
    "physics/relief": ("physics/test_relief", "physics/test_published_values"),
}
"""Mutated modules of controller/, and the files of tests/ that must notice."""

PRELOADED = (
    "hypothesis",
    "numpy",
    "scipy.integrate",
    "scipy.constants",
    "shapely.ops",
    "periodictable",
    "pydantic",
)
"""Libraries imported before the fork, so that a mutant costs the project's own imports only."""

LEAST = 0.90
LEFT_OUT = re.compile(
    r"VariableReplacer|VariableInserter|NoOp"
    r"|ReplaceBinaryOperator_.*_(BitOr|BitAnd|BitXor|RShift|LShift|FloorDiv|Mod|Pow)"
    r"|ReplaceUnaryOperator_(USub|UAdd|Invert|Not)_(Invert|Not)"
    r"|ReplaceComparisonOperator_(Is|IsNot)_(Eq|NotEq|LtE?|GtE?)"
    r"|ReplaceComparisonOperator_(Eq|NotEq|LtE?|GtE?)_(Is|IsNot)"
)
"""Operators that need arguments, and those that mostly make code which raises at once and would only flatter the count (bit
operations on floats, a float that ``is`` another) or code that does the same (``==`` for ``is`` with None and enums)."""

OPTIONS = (
    *("-x", "--tb=no", "-p", "no:cacheprovider", "--hypothesis-profile=mutants"),
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),
    *("-p", "no:schemathesis", "-p", "no:anyio", "-p", "no:playwright"),
)
"""For pytest. Preloaded libraries cannot be rewritten any more and need not be; plugins that none of these tests use would
take most of a mutant's time."""

MEMORY_BYTES = 4 << 30
NOT_COPIED = shutil.ignore_patterns(
    ".git", ".venv", ".*_cache", ".hypothesis", ".schemathesis", "__pycache__", "out", "build"
)


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change. ``diff`` names the place."""

    operator: str
    diff: str
    source: str


@dataclass(slots=True)
class Tally:
    """What became of a module's mutants. ``same`` are not counted: they change no code that runs, or repeat another one."""

    module: str
    mutants: int = 0
    killed: int = 0
    timeouts: int = 0
    same: int = 0
    cpu_s: float = 0.0
    survivors: list[str] = field(default_factory=list)

    def __add__(self, other: Tally) -> Tally:
        """Return both parts of a module together."""
        return Tally(
            self.module,
            self.mutants + other.mutants,
            self.killed + other.killed,
            self.timeouts + other.timeouts,
            self.same,
            self.cpu_s + other.cpu_s,
            self.survivors + other.survivors,
        )

    @property
    def share(self) -> float:
        """Killed or timed out, as a share of all."""
        return (self.killed + self.timeouts) / self.mutants if self.mutants else 1.0


# --- making mutants -----------------------------------------------------------------------------------------------------


class _Bare(ast.NodeTransformer):
    """Takes out annotations: they are strings (PEP 563), so a change in one changes nothing that runs."""

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)

    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self.generic_visit(node)

    def visit_arg(self, node: ast.arg) -> ast.AST:
        node.annotation = None
        return node


def what_runs(source: str) -> str:
    """Return a text that is equal for sources which run the same."""
    return ast.dump(_Bare().visit(ast.parse(source)))


def by_operators(source: str) -> Iterator[tuple[str, str]]:
    """Yield (operator, mutated source) from cosmic-ray."""
    importlib.import_module(
        "parso.python.tree"
    )  # cosmic-ray imports parso's parts in an order that fails by itself
    plugins = importlib.import_module("cosmic_ray.plugins")
    mutate_code = importlib.import_module("cosmic_ray.mutating").mutate_code
    for name in sorted(plugins.operator_names()):
        short = name.rpartition("/")[2]
        if LEFT_OUT.fullmatch(short):
            continue
        occurrence = 0
        while (
            mutated := mutate_code(source, plugins.get_operator(name)(), occurrence)
        ) is not None:
            yield short, mutated
            occurrence += 1


def without_statements(source: str) -> Iterator[tuple[str, str]]:
    """Yield (name, source with one statement of a function replaced by ``pass``)."""
    lines = source.encode().splitlines(keepends=True)
    starts = [sum(map(len, lines[:i])) for i in range(len(lines) + 1)]
    whole = source.encode()
    for function in ast.walk(ast.parse(source)):
        if not isinstance(function, ast.FunctionDef):
            continue
        for node in ast.walk(function):
            if not isinstance(
                node, ast.Expr | ast.Assign | ast.AugAssign | ast.AnnAssign | ast.Raise | ast.Return
            ):
                continue
            if isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant):
                continue
            begin = starts[node.lineno - 1] + node.col_offset
            end = starts[(node.end_lineno or node.lineno) - 1] + (node.end_col_offset or 0)
            yield "StatementOut", (whole[:begin] + b"pass" + whole[end:]).decode()


def placeless(diff: str) -> str:
    """Return a diff without its line numbers, which change with every line above."""
    return re.sub(r"(?m)^(\S+\.py:|    )\d+:$", r"\1", diff)


def mutants_of(path: Path, source: str) -> tuple[list[Mutant], int]:
    """Return the mutants that run differently from the module and from each other, and the number of the others."""
    seen, found, same = {what_runs(source)}, [], 0
    for operator, mutated in (*by_operators(source), *without_statements(source)):
        try:
            runs = what_runs(mutated)
        except SyntaxError:
            runs = ""
        if not runs or runs in seen:
            same += 1
            continue
        seen.add(runs)
        changed = difflib.unified_diff(source.splitlines(), mutated.splitlines(), lineterm="", n=0)
        parts = [re.sub(r"^@@ -(\d+).*", r"\1:", line) for line in list(changed)[2:]]
        found.append(Mutant(operator, f"{path.name}:" + "\n    ".join(parts), mutated))
    return found, same


# --- running the tests --------------------------------------------------------------------------------------------------


class Quickest:
    """Orders a module's tests by their time in the first run, which had no mutation: most mutants then die in a moment."""

    def __init__(self, book: Path) -> None:
        self._book = book
        self._is_first = not book.exists()
        self._times_s: dict[str, float] = (
            {} if self._is_first else json.loads(book.read_text(encoding="utf-8"))
        )

    def pytest_collection_modifyitems(self, items: list[pytest.Item]) -> None:
        items.sort(key=lambda item: self._times_s.get(item.nodeid, 0.0))

    def pytest_runtest_logreport(self, report: pytest.TestReport) -> None:
        self._times_s[report.nodeid] = self._times_s.get(report.nodeid, 0.0) + report.duration

    def pytest_unconfigure(self) -> None:
        if self._is_first:
            self._book.write_text(json.dumps(self._times_s), encoding="utf-8")


def run_tests(
    tests: tuple[str, ...], most_cpu_s: int, *, is_quiet: bool = True
) -> tuple[int | None, float]:
    """Run tests in a fork. Return (pytest's exit code, or None when the time was up; CPU time used in s)."""
    child = os.fork()
    if child == 0:
        code = 3
        try:
            null = os.open(os.devnull, os.O_RDWR)
            os.dup2(null, 0)
            if is_quiet:
                os.dup2(null, 1)
            resource.setrlimit(resource.RLIMIT_CPU, (most_cpu_s, most_cpu_s))
            resource.setrlimit(resource.RLIMIT_AS, (MEMORY_BYTES, MEMORY_BYTES))
            resource.setrlimit(resource.RLIMIT_CORE, (0, 0))
            order = Quickest(Path(f"{Path(tests[0]).name}.times.json"))
            code = int(pytest.main([*OPTIONS, *(f"tests/{name}.py" for name in tests)], [order]))
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    _, status, usage = os.wait4(child, 0)
    cpu_s = usage.ru_utime + usage.ru_stime
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL):
        return None, cpu_s
    return os.waitstatus_to_exitcode(status), cpu_s


def judge_module(name: str, only: frozenset[str] | None, part: int, parts: int) -> Tally:
    """Try one part of a module's mutants in the present directory, which is a copy."""
    path = Path("controller") / f"{name}.py"
    source = path.read_text(encoding="utf-8")
    tests = TESTS[name]
    stamp = int(path.stat().st_mtime)

    def attempt(text: str, most_cpu_s: int) -> tuple[int | None, float]:
        nonlocal stamp
        stamp += 1  # the cached byte code of another mutant of the same length must never pass for this one
        path.write_text(text, encoding="utf-8")
        os.utime(path, (stamp, stamp))
        return run_tests(tests, most_cpu_s)

    code, cpu_s = attempt(source, 600)
    if code != 0:
        run_tests(tests, 600, is_quiet=False)
        raise SystemExit(
            f"{name}: the tests fail without a mutation (pytest says {code}): put that right first"
        )
    if attempt(source + "\nraise RuntimeError\n", 600)[0] == 0:
        raise SystemExit(f"{name}: the tests do not run the copy that is mutated")
    most_cpu_s = int(max(20.0, 5.0 * cpu_s))
    if attempt(source + "\n", 600)[0] != 0:
        raise SystemExit(f"{name}: the tests pass and fail by turns without a mutation")
    mutants, same = mutants_of(path, source)
    tally = Tally(name, same=same)
    wanted = [mutant for mutant in mutants if only is None or placeless(mutant.diff) in only]
    for mutant in wanted[part::parts]:
        tally.mutants += 1
        code, cpu_s = attempt(mutant.source, most_cpu_s)
        tally.cpu_s += cpu_s
        if code is None:
            tally.timeouts += 1
        elif code in (1, 2):
            tally.killed += 1
        elif code == 0:
            tally.survivors.append(mutant.diff)
            print(f"survived  {mutant.operator}\n  {mutant.diff}", flush=True)
        else:
            raise SystemExit(f"pytest says {code} on\n{mutant.diff}")
    path.write_text(source, encoding="utf-8")
    return tally


# --- the command --------------------------------------------------------------------------------------------------------


def work_here(
    modules: list[str], only: frozenset[str] | None, part: int, parts: int
) -> list[Tally]:
    """Judge one part of the mutants in the present directory, which is a copy."""
    for name in PRELOADED:
        importlib.import_module(name)
    hypothesis = importlib.import_module("hypothesis")
    hypothesis.settings.register_profile(
        "mutants",
        phases=(hypothesis.Phase.explicit, hypothesis.Phase.generate),
        database=None,
        derandomize=True,
        deadline=None,
    )
    return [judge_module(name, only, part, parts) for name in modules]


def work_in_copies(modules: list[str], again: Path | None, jobs: int) -> list[Tally]:
    """Judge all mutants, each job in a copy of its own."""
    root = ROOT
    environment = {**os.environ, "OPENBLAS_NUM_THREADS": "1", "OMP_NUM_THREADS": "1"}
    with tempfile.TemporaryDirectory(prefix="mutants-") as scratch:
        running = []
        for part in range(jobs):
            there = Path(scratch) / f"copy{part}"
            shutil.copytree(root, there, ignore=NOT_COPIED)
            command = [
                sys.executable,
                "-m",
                "tests.proofs.mutants",
                *modules,
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
        lines.append(
            f"| {tally.module} | {tally.mutants} | {tally.killed} | {tally.timeouts} | {survived} | {share} |"
        )
    return "\n".join(lines)


def main() -> int:
    """Judge modules, in copies, or one part of their mutants here."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "modules", nargs="*", metavar="MODULE", help=f"of {', '.join(TESTS)}; all by default"
    )
    parser.add_argument("--json", type=Path, metavar="FILE", help="write the result there")
    parser.add_argument(
        "--again", type=Path, metavar="FILE", help="try only the survivors of an earlier --json"
    )
    parser.add_argument("--jobs", type=int, default=1, metavar="N", help="processes side by side")
    parser.add_argument("--part", help=argparse.SUPPRESS)
    given = parser.parse_args()
    modules = given.modules or list(TESTS)
    if unknown := set(modules) - set(TESTS):
        parser.error(f"no such module: {', '.join(sorted(unknown))}")
    if given.part is None:
        tallies = work_in_copies(modules, given.again, given.jobs)
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
