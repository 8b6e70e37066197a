"""Tries mutants: each in a fork, with the tests that are expected to notice it."""

from __future__ import annotations

import importlib
import json
import os
import resource
import signal
import traceback
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from tests.proofs.mutants.making import mutants_of, placeless

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

OPTIONS = (
    *("-x", "--tb=no", "-p", "no:cacheprovider", "--hypothesis-profile=mutants"),
    *("-W", "ignore::pytest.PytestAssertRewriteWarning"),
    *("-p", "no:schemathesis", "-p", "no:anyio", "-p", "no:playwright"),
)
"""For pytest. Preloaded libraries cannot be rewritten any more, and plugins that these tests do not
use would take most of a mutant's time."""

MEMORY_BYTES = 4 << 30


@dataclass(slots=True)
class Tally:
    """What became of a module's mutants.

    ``same`` are not counted: they change no code that runs, or repeat another one.
    """

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


def preload() -> None:
    """Import the libraries that every mutant's tests need, before the forks."""
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


class Quickest:
    """Orders a module's tests by their time in the first run, so that most mutants die early."""

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
    """Run tests in a fork.

    Returns: pytest's exit code, or None when the time was up; the processor time used, s.
    """
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
            code = int(pytest.main([*OPTIONS, *tests], [order]))
        except BaseException:
            traceback.print_exc()
        finally:
            os._exit(code)
    _, status, usage = os.wait4(child, 0)
    cpu_s = usage.ru_utime + usage.ru_stime
    if os.WIFSIGNALED(status) and os.WTERMSIG(status) in (signal.SIGXCPU, signal.SIGKILL):
        return None, cpu_s
    return os.waitstatus_to_exitcode(status), cpu_s


def judge_module(
    name: str, tests: tuple[str, ...], only: frozenset[str] | None, part: int, parts: int
) -> Tally:
    """Try one part of a module's mutants in the present directory, which is a copy."""
    path = Path(name)
    source = path.read_text(encoding="utf-8")
    stamp = int(path.stat().st_mtime)

    def attempt(text: str, most_cpu_s: int) -> tuple[int | None, float]:
        nonlocal stamp
        stamp += 1  # else cached byte code of a mutant of the same length could be taken for it
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
