"""The status through the application: never an old number as live, never a null as 0."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from controller.logbook.health import LogbookHealth
from controller.messages import RunState
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem


@pytest.fixture
def daemon(tmp_path: Path) -> Daemon:
    daemon = Daemon(tmp_path)
    daemon.step()
    return daemon


def test_idle_status(daemon: Daemon) -> None:
    answer = ask(daemon.app, "GET", "/api/status")
    assert answer.status_code == 200
    assert answer.headers["cache-control"] == "no-store"
    status = answer.json()
    assert (status["state"], status["rig"], status["version"], status["relay_on"]) == (
        "idle",
        "rehearsal",
        "1.2.3",
        False,
    )
    unknown = {
        "depth_mm",
        "depth_low_mm",
        "depth_high_mm",
        "target_depth_mm",
        "charge_coulombs",
        "remaining_s",
        "reason",
        "run_id",
    }
    assert {status[name] for name in unknown} == {None}
    assert status["voltage_v"] is not None
    assert (status["logbook_ready"], status["logbook_message"]) == (True, None)


def test_running_status(daemon: Daemon) -> None:
    """3 A for about 10 s are 30 C: 4.2 um over 767 mm2 of silver, by Faraday.

    F 96485 C/mol, 107.87 g/mol, 10.5 g/cm3. The acid adds 0.05 um/min (common practice, no
    source).
    """
    with daemon.looping(), daemon.served() as client:
        run_id = client.post("/api/start", json={**SILVER, "piece": "fern brooch"}).json()["run_id"]
        daemon.watch.until(RunState.RUNNING)
        status = client.get("/api/status").json()
        while status["on_time_s"] < 10.0:
            status = client.get("/api/status").json()
    assert status["state"] == "running"
    assert status["relay_on"] is True
    assert (status["run_id"], status["piece"], status["metal"]) == (
        run_id,
        "fern brooch",
        "fine-silver",
    )
    assert status["charge_coulombs"] == pytest.approx(3.0 * status["on_time_s"], rel=0.1)
    um = status["charge_coulombs"] * 107.8682 / 96485.33 / 10.5e-3 / 767.0 * 1000.0
    um += 0.05 * status["on_time_s"] / 60.0
    assert status["depth_mm"] * 1000.0 == pytest.approx(um, rel=1e-3)
    assert status["depth_low_mm"] < status["depth_mm"] < status["depth_high_mm"]
    assert status["target_depth_mm"] == 0.25
    assert status["remaining_s"] > 0.0


@pytest.mark.parametrize("path", ["/api/status"])
def test_silent_loop(daemon: Daemon, path: str) -> None:
    daemon.heart.now_s += 2.9
    assert ask(daemon.app, "GET", path).status_code == 200
    daemon.heart.now_s += 0.2
    answer = ask(daemon.app, "GET", path)
    problem = assert_problem(answer, 503, "loop-not-alive")
    assert "silent for 3.1 s; the limit is 3.0 s" in problem["detail"]
    assert problem["part"] == "loop"
    assert answer.headers["retry-after"] == "2"
    assert "depth_mm" not in answer.text


def test_no_status_yet(tmp_path: Path) -> None:
    assert_problem(ask(Daemon(tmp_path).app, "GET", "/api/status"), 503, "loop-not-alive")


def test_health_parts(daemon: Daemon) -> None:
    daemon.heart.now_s += 0.5
    health = ask(daemon.app, "GET", "/api/health").json()
    assert health["loop"] == {"alive": True, "silent_s": 0.5, "watchdog_s": None}
    assert health["sensor"]["message"] is None
    assert 0.0 <= health["sensor"]["sample_age_s"] < 0.1
    assert health["logbook"]["ready"] is True
    assert (health["rig"], health["version"]) == ("rehearsal", "1.2.3")


def test_failing_logbook(tmp_path: Path) -> None:
    def failing() -> LogbookHealth:
        return LogbookHealth(
            True, 5.0, None, "no room is left: free space", "set aside", 12, "no room", 40
        )

    daemon = Daemon(tmp_path, logbook_health=failing)
    daemon.step()
    answer = ask(daemon.app, "GET", "/api/health")
    assert answer.status_code == 503
    assert answer.json()["ready"] is False
    assert answer.json()["reasons"] == ["no room is left: free space"]
    logbook: dict[str, Any] = answer.json()["logbook"]
    assert (logbook["message"], logbook["lost"], logbook["waiting"]) == (
        "no room is left: free space",
        12,
        40,
    )
    assert (
        ask(daemon.app, "GET", "/api/status").json()["logbook_message"]
        == "no room is left: free space"
    )


def test_health_when_well(daemon: Daemon) -> None:
    answer = ask(daemon.app, "GET", "/api/health")
    assert answer.status_code == 200
    found = answer.json()
    assert (found["ready"], found["reasons"], found["notes"]) == (True, [], [])


def test_health_of_silent_loop(daemon: Daemon) -> None:
    daemon.heart.now_s += 3.1
    answer = ask(daemon.app, "GET", "/api/health")
    found = answer.json()
    assert (answer.status_code, found["ready"], found["loop"]["alive"]) == (503, False, False)
    assert "silent for 3.1 s" in found["reasons"][0]
    assert found["sensor"]["sample_age_s"] is None, "an old number is never shown as live"


def test_health_before_first_pass(tmp_path: Path) -> None:
    answer = ask(Daemon(tmp_path).app, "GET", "/api/health")
    assert (answer.status_code, answer.json()["ready"]) == (503, False)


def test_health_while_restoring(tmp_path: Path) -> None:
    """The check of the logbook at the start, or an interrupted run that is not back yet."""
    daemon = Daemon(
        tmp_path, logbook_health=lambda: LogbookHealth(False, None, None, None, None, 0, None, 0)
    )
    daemon.step()
    answer = ask(daemon.app, "GET", "/api/health")
    assert (answer.status_code, answer.json()["ready"]) == (503, False)
    assert answer.json()["reasons"] == [
        "The logbook is still being read. Wait a moment and try again."
    ]


def test_health_with_silent_thermometer(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, faults=("thermometer_silent@0",))
    daemon.step()
    answer = ask(daemon.app, "GET", "/api/health")
    assert (answer.status_code, answer.json()["ready"]) == (503, False)
    assert "thermometer" in answer.json()["reasons"][0]
    assert ask(daemon.app, "GET", "/api/status").json()["thermometer_silent"] is True


def test_clock_not_set_is_a_note(daemon: Daemon) -> None:
    """It is shown, and nothing is ill."""
    daemon.clock.utc_is_set = False
    daemon.clock.advance(1.0)
    daemon.step()
    answer = ask(daemon.app, "GET", "/api/health")
    assert (answer.status_code, answer.json()["ready"]) == (200, True)
    assert answer.json()["notes"][0].startswith("Clock not set")
    status = ask(daemon.app, "GET", "/api/status").json()
    assert status["clock_set"] is False
    assert any(warning.startswith("Clock not set") for warning in status["warnings"])


def test_name_of_bench(tmp_path: Path) -> None:
    """Two benches look different: in the status, in the health answer and beside the QR code."""
    for name in ("the big bath", None):
        daemon = Daemon(tmp_path / str(name), name=name)
        daemon.step()
        for path in ("/api/status", "/api/health"):
            assert ask(daemon.app, "GET", path).json()["name"] == name, path
        daemon.close()
