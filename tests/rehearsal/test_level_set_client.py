"""The front solver's process: exec'd, confined, answered, refused, killed; and what of it the
daemon never loads.
"""

from __future__ import annotations

import json
import os
import subprocess
from pathlib import Path
from typing import Any

import pytest

from controller.artwork import workplaces
from controller.artwork.options import MeasureOptions
from controller.artwork.process import WorkerEnd
from controller.artwork.result import MeasureFailedError
from controller.errors import RefusedError
from hardware.rehearsal.level_set.client import solve_in_process
from hardware.rehearsal.level_set.job import FrontJob, FrontSolution
from hardware.rehearsal.level_set.solver import solve_front
from tests.artwork.test_imports import heavy_after
from tests.kits.artwork.shapes import disc, save
from tests.kits.artwork.worker_kit import request_of, run_worker
from tests.kits.message_kit import raises_message

WORKER = "hardware.rehearsal.level_set.worker"

LIGHT = (
    "level_set.client",
    "level_set.job",
    "level_set.worker",
    "front",
    "front_table",
    "plate",
    "rig",
    "spec",
)


@pytest.fixture
def artwork(tmp_path: Path) -> Path:
    return save(tmp_path / "a.png", disc(0.4, 1.5, 1.5), 600)


def job(path: Path, **changes: Any) -> FrontJob:
    return FrontJob(
        **{
            "path": path,
            "options": MeasureOptions(),
            "etch_factor": 1.2,
            "deepest_mm": 0.2,
            **changes,
        }
    )


def test_process_agrees_with_function(artwork: Path) -> None:
    """The process returns what the function returns."""
    wanted = job(artwork, options=MeasureOptions(copies=2), crowding=0.1)
    assert solve_in_process(wanted) == solve_front(wanted)


def test_json_round_trip(artwork: Path) -> None:
    """A job and a solution cross as JSON."""
    wanted = job(artwork, options=MeasureOptions(dpi=600.0, invert=True), crowding=0.2)
    assert FrontJob.from_dict(json.loads(json.dumps(wanted.to_dict()))) == wanted
    assert wanted.undercut_mm == pytest.approx(0.2 / 1.2)
    found = solve_front(job(artwork))
    assert FrontSolution.from_dict(json.loads(json.dumps(found.to_dict()))) == found
    with pytest.raises(RefusedError):
        FrontSolution.from_dict({**found.to_dict(), "rows": [(0.0, 0.0, 0.0)]})


@pytest.mark.parametrize(
    ("changes", "field", "limit"),
    [
        ({"deepest_mm": 0.0}, "depth_mm", "above 0 mm"),
        ({"etch_factor": -1.0}, "etch_factor", "above 0"),
        ({"deepest_mm": 3.7}, "depth_mm", "3 mm undercut"),
        ({"crowding": 1.2}, "crowding", "0-1"),
        ({"crowding": -0.1}, "crowding", "0"),
        ({"crowding": float("nan")}, "crowding", "0"),
    ],
)
def test_impossible_jobs_refused(
    artwork: Path, changes: dict[str, float], field: str, limit: str
) -> None:
    """Jobs that cannot be are refused."""
    with pytest.raises(RefusedError) as caught:
        job(artwork, **changes)
    assert (caught.value.field, caught.value.limit) == (field, limit)


def test_exit_statuses_and_answers(artwork: Path, tmp_path: Path) -> None:
    request = request_of(artwork, job=job(artwork).to_dict())
    status, answer = run_worker(WORKER, request, artwork)
    assert status == 0
    assert answer["result"]["rows"][0] == [0.0, 0.0, 0.0]
    flat = {**request["job"], "etch_factor": 0.0}
    status, answer = run_worker(WORKER, {**request, "job": flat}, artwork)
    assert (status, answer["refused"]["field"]) == (2, "etch_factor")
    status, answer = run_worker(WORKER, {**request, "job": {"path": str(artwork)}}, artwork)
    assert (status, answer["failed"]) == (1, "crash")
    assert "KeyError" in answer["error"]


def test_refusal_crosses_the_process(tmp_path: Path) -> None:
    """A refusal crosses the process whole."""
    path = tmp_path / "a.png"
    path.write_bytes(b"GIF89a" + b"\0" * 50)
    with raises_message(RefusedError, "artwork.file.unknown_kind", name="a.png") as refused:
        solve_in_process(job(path))
    assert refused.value.field == "file"


def test_time_and_memory_limits(artwork: Path) -> None:
    """Time and memory limits have their messages."""
    with raises_message(MeasureFailedError, "hardware.front.late", name="a.png", limit_s=0.01):
        solve_in_process(job(artwork), time_limit_s=0.01)
    with raises_message(MeasureFailedError, "hardware.front.memory", name="a.png", limit_mb=30):
        solve_in_process(job(artwork), memory_limit_mb=30)


def test_processor_time_limited(tmp_path: Path) -> None:
    """The process cannot outlive it even when nobody is left to kill it: it takes 20 times that
    long.
    """
    big = save(tmp_path / "a.png", disc(3.5), 600)
    slow = job(big, deepest_mm=1.0, etch_factor=0.5).to_dict()
    status, _ = run_worker(WORKER, request_of(big, job=slow, cpu_limit_s=1), big)
    assert status == -24, "SIGXCPU"
    assert WorkerEnd(status, {}, b"", "").is_late


def test_dead_worker_is_a_failure(artwork: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A worker that dies is a failure with a message."""
    monkeypatch.setattr(workplaces.sys, "executable", "/bin/false")
    with raises_message(MeasureFailedError, "hardware.front.silent", name="a.png", status=1):
        solve_in_process(job(artwork))


def test_process_starts_a_session(artwork: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The process is executed in its own session, and ended."""
    seen: dict[str, Any] = {}
    started: list[subprocess.Popen[bytes]] = []
    popen = subprocess.Popen

    def look(*args: Any, **kwargs: Any) -> subprocess.Popen[bytes]:
        seen.update(kwargs)
        started.append(popen(*args, **kwargs))
        return started[-1]

    monkeypatch.setattr(workplaces.subprocess, "Popen", look)
    with pytest.raises(MeasureFailedError):
        solve_in_process(job(artwork), time_limit_s=0.05)
    assert seen["start_new_session"] is True
    assert "preexec_fn" not in seen, "exec only: no Python runs between fork and exec"
    assert started[0].returncode is not None
    with pytest.raises(ProcessLookupError):
        os.killpg(started[0].pid, 0)


@pytest.mark.parametrize("module", LIGHT)
def test_daemon_imports_are_light(module: str) -> None:
    """What the daemon imports is light."""
    assert heavy_after(f"import hardware.rehearsal.{module}") == []


def test_check_sees_heavy_import() -> None:
    """The check detects a heavy import."""
    assert "numpy" in heavy_after("import hardware.rehearsal.level_set.solver")


def test_solving_loads_nothing_heavy(artwork: Path) -> None:
    """Solving in a process loads nothing heavy here."""
    script = (
        "from pathlib import Path\n"
        "from controller.artwork.options import MeasureOptions\n"
        "from hardware.rehearsal.level_set.client import solve_in_process\n"
        "from hardware.rehearsal.level_set.job import FrontJob\n"
        f"solve_in_process(FrontJob(Path({str(artwork)!r}), MeasureOptions(), 1.0, 0.1))"
    )
    assert heavy_after(script) == []
