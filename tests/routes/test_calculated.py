"""What takes long is calculated in another process: plans, learning, and the tables of a run."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.calculator.calculator import CalculationFailedError
from tests.kits.api_client import Daemon


class Noted:
    """Calculates here and notes what it was asked for. It fails when it is told to."""

    def __init__(self) -> None:
        self.asked: list[str] = []
        self.fails = False

    def __call__(self, function: Callable[..., Any], *arguments: Any) -> Any:
        self._note(function)
        return function(*arguments)

    def pieces(self, function: Callable[..., Iterator[Any]], *arguments: Any) -> Iterator[Any]:
        self._note(function)
        return function(*arguments)

    def _note(self, function: Callable[..., Any]) -> None:
        self.asked.append(function.__name__)
        if self.fails:
            raise CalculationFailedError("run.calculation.failed", limit_s=60.0)


@pytest.fixture
def noted() -> Noted:
    return Noted()


@pytest.fixture
def daemon(tmp_path: Path, noted: Noted) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, calculate=noted)
    daemon.step()
    yield daemon
    daemon.close()


PLAN = {"metal": "fine-silver", "area_mm2": 767.0, "depth_mm": 0.25, "current_a": 3.0}


def test_long_work_is_done_elsewhere(daemon: Daemon, noted: Noted) -> None:
    """A plan, what a bath has taught, and each table of a run."""
    daemon.shelf.save("tank 1", "fine-silver", "nitric acid", 1.0, None, "")
    daemon.logbook.work()
    with daemon.looping(), daemon.served() as client:
        assert client.post("/api/plan", json={**PLAN, "bath": "tank 1"}).status_code == 200
        assert noted.asked == ["taught", "make_plan"]
        noted.asked.clear()
        assert client.get("/api/baths/tank 1").status_code == 200
        assert noted.asked == ["taught"]
        noted.asked.clear()
        run_id = client.post("/api/start", json=PLAN).json()["run_id"]
        assert noted.asked == ["make_plan"]
        noted.asked.clear()
        daemon.logbook.work()
        for path in ("samples", "samples?points=10", "raw-samples", "events?format=csv"):
            assert client.get(f"/api/runs/{run_id}/{path}").status_code == 200
        assert noted.asked == ["table_pieces"] * 4
        assert client.get("/api/runs/none/samples").status_code == 404


def test_failed_calculation_is_said(daemon: Daemon, noted: Noted) -> None:
    noted.fails = True
    with daemon.looping(), daemon.served() as client:
        for answer in (
            client.post("/api/plan", json=PLAN),
            client.post("/api/start", json=PLAN),
            client.get("/api/runs/r1/samples"),
        ):
            assert answer.status_code == 503
            assert answer.json()["type"].endswith("calculation-failed")
            assert "Ask again" in answer.json()["detail"]
        assert client.get("/api/status").json()["state"] == "idle"
