"""``runs``: list, show and export what the logbook holds."""

from __future__ import annotations

import csv
import io
import json
from pathlib import Path

import pytest

from controller.messages import RunState
from tests.kits.cli_kit import Command
from tests.kits.logbook_kit import ManualLogbook, began, changed, mean

RUNS = Command("runs")


@pytest.fixture
def directory(tmp_path: Path) -> Path:
    """A logbook with two runs, r1 and then r2."""
    book = ManualLogbook(tmp_path / "biteclock.sqlite")
    book.write(
        began("r1"),
        changed("r1", RunState.RUNNING),
        *(mean(i, 3.0, run_id="r1") for i in range(700)),
    )
    book.write(
        changed("r1", RunState.FINISHED, 1800.0, depth_mm=0.25),
        began("r2"),
        changed("r2", RunState.STOPPED, 5.0),
    )
    book.logbook.finish()
    return tmp_path


def test_list_of_runs(directory: Path) -> None:
    runs = RUNS.json_of("list", "--state-directory", directory)
    assert [run["run_id"] for run in runs] == ["r2", "r1"]
    assert runs[1]["state"] == "finished"
    assert runs[1]["charge_coulombs"] == 1800.0
    assert "0.25 mm" in RUNS.call("list", "--state-directory", directory).output


def test_search_in_runs(directory: Path) -> None:
    runs = RUNS.json_of("list", "--search", "stopped", "--state-directory", directory)
    assert [run["run_id"] for run in runs] == ["r2"]


def test_show_of_run(directory: Path) -> None:
    run = RUNS.json_of("show", "r1", "--state-directory", directory)
    assert run["plan"]["area_mm2"] == 767.0
    assert "1800.0 C" in RUNS.call("show", "r1", "--state-directory", directory).output


def test_export_of_samples(directory: Path) -> None:
    where = ("--state-directory", directory)
    rows = list(csv.DictReader(io.StringIO(RUNS.call("export", "r1", *where).output)))
    assert len(rows) == 700
    assert float(rows[0]["current_a"]) == 3.0
    samples = json.loads(RUNS.call("export", "r1", "--format", "json", *where).output)
    assert len(samples) == 700


def test_export_to_file(directory: Path) -> None:
    target = directory / "out.csv"
    result = RUNS.call("export", "r1", "--output", target, "--state-directory", directory)
    assert result.exit_code == 0
    assert target.read_text(encoding="utf-8").count("\n") == 701


def test_unknown_run(directory: Path) -> None:
    error = RUNS.refused("export", "nobody", "--state-directory", directory)
    assert "nobody" in str(error)


def test_missing_logbook(directory: Path) -> None:
    assert RUNS.refused("list", "--state-directory", directory / "elsewhere")
