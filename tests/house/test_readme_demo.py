"""The demonstration prints what README.md shows, except for figures that depend on the moment."""

from __future__ import annotations

import re
import subprocess
import sys

import pytest

from api.cli.rehearsal.demo import PIECE
from controller.config import Settings
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from tests.paths import ROOT

PROGRESS = re.compile(
    r"running   (\d\.\d{2}) mm \((\d\.\d{2}) to (\d\.\d{2})\) of 0\.25  "
    r"([ \d]{5}\.\d) C   2\.800 A  ( \d\.\d\d) V  ([ \d]\d):(\d\d) left"
)
"""A look at the run: depth and interval, charge, voltage, time left."""

CHANGING = (
    (r"PIN \d{6}", "PIN 000000"),
    (r":\d+/", ":8420/"),
    (r"(\d{4})\.\d C (counted|true)", r"\1.0 C \2"),
)
"""What differs from one start to the next: the PIN, the port where 8420 is taken, and the tenths of
the charge, as the run ends with the first conversion past the target (0.19 C each)."""


def fixed(line: str) -> str:
    for pattern, text in CHANGING:
        line = re.sub(pattern, text, line)
    return line


@pytest.fixture(scope="module")
def shown() -> list[str]:
    """The lines in README.md."""
    text = (ROOT / "README.md").read_text(encoding="utf-8")
    _, begin, rest = text.partition("<!-- demo output -->\n```\n")
    block, end, _ = rest.partition("\n```\n<!-- /demo output -->")
    assert begin
    assert end
    return block.splitlines()


@pytest.fixture(scope="module")
def printed() -> list[str]:
    """The lines of a run, twenty times faster than README.md shows it."""
    done = subprocess.run(
        [
            sys.executable,
            "-m",
            "api.cli.command_line",
            "demo",
            "--once",
            "--speed",
            "600",
            "--port",
            "0",
        ],
        cwd=ROOT,
        capture_output=True,
        text=True,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    return done.stdout.splitlines()


@pytest.fixture(scope="module")
def plan() -> RunPlan:
    known = {name: value for name, value in PIECE.items() if name != "piece"}
    return make_plan(PlanRequest(**known), Settings(), 16.0)


def test_lines_stand_in_a_run(shown: list[str], printed: list[str]) -> None:
    """Character by character and in this order; README.md says that there are others between."""
    wanted = [fixed(line) for line in shown if not PROGRESS.fullmatch(line)]
    there = iter(fixed(line) for line in printed)
    assert [line for line in wanted if line not in there] == [], "\n".join(printed)


def test_looks_agree_with_the_plan(shown: list[str], printed: list[str], plan: RunPlan) -> None:
    """Depth, interval and time left follow from the charge at which somebody looked."""
    looks = [look for line in shown + printed if (look := PROGRESS.fullmatch(line))]
    assert sum(PROGRESS.fullmatch(line) is not None for line in shown) == 3
    assert len(looks) > 3, "\n".join(printed)
    for look in looks:
        charge_coulombs = float(look[4])
        depth = plan.acid_bite.estimate(plan.table, charge_coulombs, charge_coulombs / 2.8)
        expected = (depth.best_mm, depth.low_mm, depth.high_mm)
        assert [float(text) for text in look.groups()[:3]] == pytest.approx(expected, abs=0.0051)
        if look[0] in shown:  # in the first seconds the time left follows the settling current
            left_s = 60 * int(look[6]) + int(look[7])
            assert left_s == pytest.approx((plan.charge_coulombs - float(look[4])) / 2.8, abs=1.1)
        assert 2.0 < float(look[5]) < 3.5, "near 3 V (common practice, no source)"
