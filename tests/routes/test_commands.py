"""Commands through the application. Stop answers in every state, and the relay is off."""

from __future__ import annotations

import json
import math
import socket
from collections.abc import Iterator
from contextlib import ExitStack
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.http.routes import stop as stop_route
from controller.messages import OffRequest, RunState
from controller.running import service
from controller.texts import Message, text
from tests.kits.api_client import SILVER, WAIT_S, Daemon, ask, assert_problem


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path)
    daemon.step()
    yield daemon
    daemon.close()


@pytest.fixture
def patient(monkeypatch: pytest.MonkeyPatch) -> None:
    """Let Stop wait for a loop that a busy machine delays, to get the answer of an idle machine."""
    monkeypatch.setattr(stop_route, "STOP_WAIT_S", WAIT_S)


def begin(daemon: Daemon, client: httpx.Client) -> str:
    answer = client.post("/api/start", json=SILVER)
    assert answer.status_code == 202
    daemon.watch.until(RunState.RUNNING)
    return str(answer.json()["run_id"])


def test_common_practice(daemon: Daemon) -> None:
    """3 A for about 10 min etch a quarter of a millimetre over 7.67 cm2 of fine silver; 2.01 g.

    Common practice, no source.
    """
    plan = ask(daemon.app, "POST", "/api/plan", json=SILVER).json()
    assert plan["charge_coulombs"] == pytest.approx(1800.0, rel=2e-3)
    assert plan["duration_s"] == pytest.approx(600.0, rel=2e-3)
    assert plan["metal_removed_g"] == pytest.approx(2.01, abs=0.01)
    assert plan["current_density_a_per_dm2"] == pytest.approx(39.1, abs=0.1)
    assert {warning["field"] for warning in plan["warnings"]} == {"edge_mm", "current_a"}


def test_plan_again(daemon: Daemon) -> None:
    request_body = {
        **SILVER,
        "growth_mm2": [[0.0, 767.0], [0.4, 900.0]],
        "piece": "fern",
        "sides": 2,
        "thickness_mm": 2.0,
    }
    plan = ask(daemon.app, "POST", "/api/plan", json=request_body).json()
    assert ask(daemon.app, "POST", "/api/plan", json=plan["request"]).json() == plan


def test_extremes_never_fault(
    daemon: Daemon,
) -> None:
    """Extreme values give a plan or a refusal, and never a fault."""
    for area_mm2 in (0.01, 1e6):
        for depth_mm in (1e-4, 10.0):
            for current in (
                {"current_a": 1e-3},
                {"current_a": 1000.0},
                {"density_a_per_dm2": 1e-3},
                {"density_a_per_dm2": 1000.0},
            ):
                for more in ({"edge_mm": 1e6, "pieces": 500}, {"area_uncertainty_fraction": 1e-3}):
                    request_body = {
                        "metal": "copper",
                        "area_mm2": area_mm2,
                        "depth_mm": depth_mm,
                        **current,
                        **more,
                    }
                    answer = ask(daemon.app, "POST", "/api/plan", json=request_body)
                    assert answer.status_code in (200, 422), (request_body, answer.text)


@pytest.mark.usefixtures("patient")
def test_whole_run(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client:
        answer = client.post("/api/start", json=SILVER)
        assert answer.status_code == 202
        run_id = answer.json()["run_id"]
        assert answer.headers["location"] == f"/api/runs/{run_id}"
        daemon.watch.until(RunState.RUNNING)
        paused = client.post("/api/pause").json()
        assert paused == {
            "state": "paused",
            "reason": None,
            "message": "Lift and rinse the plate: the acid keeps biting with the power off.",
            "run_id": run_id,
            "relay_on": False,
        }
        daemon.watch.pass_s(0.5)  # the current falls to zero
        assert client.post("/api/resume").json()["state"] in (
            "checking",
            "running",
        )  # the check may be over by then
        daemon.watch.until(RunState.RUNNING)
        stopped = client.post("/api/stop").json()
        assert stopped == {
            "relay_on": False,
            "state": "stopped",
            "off_at_s": pytest.approx(stopped["off_at_s"]),
            "loop_alive": True,
            "message": "The relay is off. Stop was pressed.",
        }
        assert client.post("/api/acknowledge").json()["state"] == "idle"


@pytest.mark.parametrize("command", ["pause", "resume", "acknowledge"])
def test_wrong_state(daemon: Daemon, command: str) -> None:
    with daemon.looping(), daemon.served() as client:
        problem = assert_problem(client.post(f"/api/{command}"), 409, "wrong-state")
    assert problem["detail"] == (f"Cannot {command} while the rig is idle. You can only start now.")


def test_start_is_refused(
    daemon: Daemon,
) -> None:
    """Start is refused during a run and while the logbook is checked."""
    with daemon.looping(), daemon.served() as client:
        daemon.why_not_ready = Message("logbook.checking")
        assert (
            "being checked"
            in assert_problem(client.post("/api/start", json=SILVER), 409, "wrong-state")["detail"]
        )
        daemon.why_not_ready = None
        begin(daemon, client)
        assert_problem(client.post("/api/start", json=SILVER), 409, "wrong-state")


def test_silent_loop_times_out(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing runs the loop here; the service's patience of 3 s is shortened."""
    monkeypatch.setattr(service, "ANSWER_S", 0.05)
    answer = ask(daemon.app, "POST", "/api/pause")
    assert "did not answer" in assert_problem(answer, 503, "loop-not-alive")["detail"]


def test_stop_prevents_start(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    """Stop is pressed after the tap on Start, before anything happens: nothing starts."""
    plan = daemon.assembly.service.plan

    def slow(request: Any) -> Any:
        made = plan(request)
        daemon.assembly.service.stop()
        while daemon.rig.gate.standing_request() is not None:
            pass  # the loop deals with it, and the gate may turn on again
        return made

    monkeypatch.setattr(daemon.assembly.service, "plan", slow)
    with daemon.looping(), daemon.served() as client:
        problem = assert_problem(client.post("/api/start", json=SILVER), 409, "wrong-state")
    assert "Off was requested in the meantime" in problem["detail"]
    assert daemon.assembly.supervisor.run is None


def test_refused_start_keeps_relay(daemon: Daemon) -> None:
    assert_problem(
        ask(daemon.app, "POST", "/api/start", json={**SILVER, "current_a": 100.0}), 422, "bad-value"
    )
    assert daemon.rig.gate.reads_on() is False
    assert daemon.assembly.supervisor.run is None


def until(client: httpx.Client, condition: Any) -> dict[str, Any]:
    """Return the first status that fulfils the condition; the rehearsal clock runs meanwhile."""
    while True:
        status: dict[str, Any] = client.get("/api/status").json()
        if condition(status):
            return status


def test_paused_plate_soaks(
    daemon: Daemon,
) -> None:
    """Off-time in the bath widens only the upper bound of the depth.

    The 97.5 % point of 0.05 um/min for silver, with a factor of e as one standard deviation
    (common practice, no source).
    """
    with daemon.looping(), daemon.served() as client:
        begin(daemon, client)
        until(client, lambda status: status["on_time_s"] > 2.0)
        for command in ("lifted", "left-in"):
            assert_problem(client.post(f"/api/{command}"), 409, "wrong-state")
        client.post("/api/pause")
        until(client, lambda status: status["soak_s"] > 1.0)
        first = until(client, lambda status: status["soak_s"] > 30.0)
        assert first["in_bath_without_current"] is True
        later = until(client, lambda status: status["soak_s"] > 60.0)
        grown_um = math.exp(1.959964) * 0.05 * (later["soak_s"] - first["soak_s"]) / 60.0
        assert later["depth_high_mm"] - first["depth_high_mm"] == pytest.approx(
            grown_um / 1000.0, rel=0.01
        )
        assert (later["depth_mm"], later["depth_low_mm"]) == pytest.approx(
            (first["depth_mm"], first["depth_low_mm"]), rel=1e-6
        )
        assert client.post("/api/lifted").json()["state"] == "paused"
        dry = client.get("/api/status").json()
        assert dry["in_bath_without_current"] is False
        after = until(client, lambda status: status["at_s"] > dry["at_s"] + 10.0)
        assert after["soak_s"] == dry["soak_s"]
        assert client.post("/api/left-in").status_code == 200
        assert client.get("/api/status").json()["in_bath_without_current"] is True


@pytest.mark.parametrize(("is_well", "state"), [(True, "running"), (False, "paused")])
def test_first_look(daemon: Daemon, is_well: bool, state: str) -> None:
    """The first look is due after half a minute, and a bad one pauses."""
    with daemon.looping(), daemon.served() as client:
        begin(daemon, client)
        assert client.get("/api/status").json()["first_look_due"] is False
        due = until(client, lambda status: status["first_look_due"])
        assert 30.0 <= due["on_time_s"] < 32.0
        for body in (
            {},
            {"is_well": 1},
            {"is_well": "true"},
            {"is_well": None},
            {"is_well": True, "x": 1},
        ):
            assert client.post("/api/first-look", json=body).status_code == 422
        answer = client.post("/api/first-look", json={"is_well": is_well}).json()
        assert answer["state"] == state
        assert answer["relay_on"] is is_well
        assert client.get("/api/status").json()["first_look_due"] is False


def test_no_run(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client:
        for path, body in (
            ("lifted", {}),
            ("left-in", {}),
            ("first-look", {"is_well": True}),
            ("ceilings", {"is_confirmed": True}),
        ):
            assert_problem(client.post(f"/api/{path}", json=body), 409, "wrong-state")


def test_gauge_stops_and_ceiling(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client:
        client.post("/api/start", json={**SILVER, "gauge_stops_mm": [0.004, 0.2]})
        daemon.watch.until(RunState.RUNNING)
        running = client.get("/api/status").json()
        assert (running["gauge_stop_mm"], running["next_gauge_stop_mm"]) == (None, 0.004)
        assert running["max_charge_coulombs"] > running["target_charge_coulombs"]
        daemon.watch.until(RunState.PAUSED)
        paused = client.get("/api/status").json()
        assert paused["gauge_stop_mm"] == 0.004
        assert paused["depth_mm"] >= 0.004


# --- Stop -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "request_",
    [
        {}, {"content": b"{"}, {"json": {"x": 1}},
        {"content": b"\xff" * 100_000, "headers": {"content-type": "text/plain"}},
        {"headers": {"origin": "http://elsewhere.example", "host": "elsewhere.example"}},
        {"headers": {"content-type": "application/json", "content-length": "999999999"}},
        {"params": {"why": "because"}},
    ],
)  # fmt: skip
def test_stop_takes_any_body(daemon: Daemon, request_: dict[str, Any]) -> None:
    answer = ask(daemon.app, "POST", "/api/stop", **request_)
    assert answer.status_code == 200
    assert answer.json() == {
        "relay_on": False, "state": "idle", "loop_alive": True,
        "off_at_s": daemon.rig.clock.monotonic_s(),
        "message": "The relay is off. The rig is idle."
    }  # fmt: skip


@pytest.mark.usefixtures("patient")
def test_samples_after_stop(daemon: Daemon) -> None:
    """The status tells when its sample was taken, on the clock of Stop, and what it shows."""
    with daemon.looping(), daemon.served() as client:
        begin(daemon, client)
        assert client.get("/api/status").json()["sample_shows_off"] is None
        off_at_s = client.post("/api/stop").json()["off_at_s"]
        taken_at_s: list[float] = []
        while len(taken_at_s) < 3:
            status = client.get("/api/status").json()
            at_s = status["at_s"] - status["sample_age_s"]
            if at_s > max([off_at_s, *taken_at_s]) + 1e-3 and status["sample_shows_off"]:
                taken_at_s.append(at_s)
        assert taken_at_s[-1] < off_at_s + 5.0


def test_stop_before_first_snapshot(tmp_path: Path) -> None:
    stopped = ask(Daemon(tmp_path).app, "POST", "/api/stop").json()
    assert (stopped["state"], stopped["relay_on"], stopped["loop_alive"]) == (None, False, False)


def test_stop_with_wedged_loop(daemon: Daemon) -> None:
    """A sensor that blocks holds the loop; the relay is switched off past it."""
    with daemon.looping(), daemon.served() as client:
        begin(daemon, client)
        with daemon.sensor.wedged():
            assert daemon.rig.gate.reads_on() is True
            daemon.heart.now_s += 10.0
            answer = client.post("/api/stop")
            assert daemon.sensor.blocks, "the answer waited for the loop"
            assert daemon.rig.gate.reads_on() is False
            assert daemon.rig.model is not None
            assert daemon.rig.model.truth().relay_on is False
        assert answer.status_code == 200
        stopped = answer.json()
        assert (stopped["relay_on"], stopped["state"], stopped["loop_alive"]) == (
            False,
            "running",
            False,
        )
        assert stopped["message"].startswith(text("http.stop.relay_off"))
        assert "silent for 10.0 s" in stopped["message"]
        assert stop_route.STOP_WAIT_S < 1.0, "nobody waits longer for an answer to Stop"
        daemon.watch.until(RunState.STOPPED)


def test_stop_with_lagging_loop(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client:
        begin(daemon, client)
        with daemon.sensor.wedged():
            stopped = client.post("/api/stop").json()
        assert (stopped["relay_on"], stopped["loop_alive"]) == (False, True)
        assert text("http.stop.not_answered", state="running") in stopped["message"]


def test_stop_is_not_starved(daemon: Daemon) -> None:
    """Sixty commands wait for a wedged loop, forty threads are all that the server has."""
    with daemon.looping(), daemon.served() as client, ExitStack() as waiting:
        begin(daemon, client)
        body = json.dumps(SILVER).encode()
        with daemon.sensor.wedged():
            for index in range(60):
                path = ("pause", "start", "resume")[index % 3]
                other = waiting.enter_context(
                    socket.create_connection(
                        (client.base_url.host, client.base_url.port or 0),
                        WAIT_S,
                        (f"127.0.0.{2 + index % 2}", 0),
                    )
                )
                other.sendall(
                    f"POST /api/{path} HTTP/1.1\r\nHost: b\r\nContent-Type: application/json\r\n"
                    f"Content-Length: {len(body)}\r\n\r\n".encode()
                    + body
                )
            stopped = client.post("/api/stop")
            status = client.get("/api/status")
            assert daemon.sensor.blocks, "the answers waited for the loop"
        assert stopped.json()["relay_on"] is False
        assert status.status_code == 200


@pytest.mark.usefixtures("patient")
def test_stop_ends_paused_run(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client:
        begin(daemon, client)
        client.post("/api/pause")
        assert client.post("/api/stop").json()["state"] == "stopped"


def test_output_cannot_be_switched(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise OSError("the pin is gone")

    monkeypatch.setattr(daemon.assembly.service, "stop", broken)
    stopped = ask(daemon.app, "POST", "/api/stop")
    assert stopped.status_code == 200
    assert stopped.json()["message"].startswith(text("http.stop.relay_unknown"))
    monkeypatch.setattr(daemon.assembly.service, "relay_reads_on", broken)
    assert ask(daemon.app, "POST", "/api/stop").json()["relay_on"] is None


def test_output_stays_on(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(daemon.assembly.service, "relay_reads_on", lambda: True)
    stopped = ask(daemon.app, "POST", "/api/stop").json()
    assert stopped["relay_on"] is True
    assert stopped["message"].startswith("PULL THE SUPPLY'S PLUG.")


def test_stop_reports_welded_contact(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, faults=("relay_welded@5",))
    daemon.step()
    with daemon.looping(), daemon.served() as client:
        begin(daemon, client)
        daemon.watch.until_on_time(6.0)
        client.post("/api/stop")
        daemon.watch.until(RunState.TRIPPED)
        stopped = client.post("/api/stop").json()
        assert stopped["relay_on"] is False  # the output; the contact is another matter
        assert "PULL THE SUPPLY'S PLUG" in stopped["message"]
        assert_problem(client.post("/api/acknowledge"), 409, "wrong-state")
    daemon.close()


def test_welded_relay_comes_first(daemon: Daemon) -> None:
    assert daemon.board.snapshot is not None
    daemon.board.snapshot = replace(
        daemon.board.snapshot, relay_welded=True, message="Target depth reached."
    )
    assert "PULL THE SUPPLY'S PLUG" in ask(daemon.app, "POST", "/api/stop").json()["message"]


def test_stop_request_reason(daemon: Daemon) -> None:
    ask(daemon.app, "POST", "/api/stop")
    standing = daemon.rig.gate.standing_request()
    assert standing is not None
    assert standing[0] is OffRequest.STOP
