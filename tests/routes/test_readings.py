"""Readings through the application: of the present run and of past runs.

They are corrected, withdrawn, and questioned when they surprise.
"""

from __future__ import annotations

import json
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import replace
from pathlib import Path
from typing import Any

import httpx
import pytest

from controller.config import Settings
from controller.messages import RunState
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem
from tests.kits.doubles import silver_request
from tests.kits.logbook_kit import began, changed

SILVER_G_PER_COULOMB = 1.118e-3
"""Electrochemical equivalent of silver, a textbook value."""


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path)
    daemon.step()
    daemon.shelf.save("tank 1", "fine-silver", "nitric acid, 1 in 10", 1.0, None, "")
    daemon.logbook.work()
    yield daemon
    daemon.close()


@pytest.fixture
def client(daemon: Daemon) -> Iterator[httpx.Client]:
    """Of a bench whose loop answers."""
    with daemon.looping(), daemon.served() as client:
        yield client


def of_past(client: httpx.Client, body: dict[str, Any], run_id: str = "r1") -> httpx.Response:
    return client.post(f"/api/runs/{run_id}/readings", json=body)


@contextmanager
def paused(
    daemon: Daemon, on_time_s: float = 100.0
) -> Iterator[tuple[httpx.Client, str, dict[str, Any]]]:
    """A run paused after a while; gives the client, its name and its status."""
    with daemon.looping(), daemon.served() as client:
        run_id = client.post(
            "/api/start", json={**SILVER, "bath": "tank 1", "edge_mm": 300.0}
        ).json()["run_id"]
        daemon.watch.until(RunState.RUNNING)
        daemon.watch.until_on_time(on_time_s)
        client.post("/api/pause")
        daemon.watch.pass_s(1.0)  # the current falls to zero
        yield client, run_id, client.get("/api/status").json()


def past(daemon: Daemon, run_id: str = "r1", **changes: Any) -> None:
    """A finished run of 1800 C in tank 1."""
    request = silver_request(bath="tank 1", **changes)
    plan = plan_to_json(make_plan(request, Settings(), 16.0))
    daemon.logbook.put(replace(began(run_id), bath="tank 1", metal=request.metal, plan=plan))
    daemon.logbook.put(
        changed(
            run_id, RunState.FINISHED, 1800.0, depth_mm=0.25, depth_low_mm=0.2, depth_high_mm=0.31
        )
    )
    daemon.logbook.work()


def gauge(*spots_mm: float, **changes: Any) -> dict[str, Any]:
    return {"kind": "gauge", "spots_mm": list(spots_mm), "resolution_mm": 0.001, **changes}


def readings(daemon: Daemon, run_id: str = "r1") -> list[dict[str, Any]]:
    answer = ask(daemon.app, "GET", f"/api/runs/{run_id}/readings")
    assert answer.status_code == 200, answer.text
    found: list[dict[str, Any]] = answer.json()["readings"]
    return found


# --- the present run ------------------------------------------------------------------------------


def test_gauge_reading(daemon: Daemon) -> None:
    with paused(daemon) as (client, run_id, before):
        deeper_mm = 1.08 * before["depth_mm"]
        answer = client.post(
            f"/api/runs/{run_id}/readings",
            json=gauge(deeper_mm - 0.0005, deeper_mm, deeper_mm + 0.0005),
        )
        assert answer.status_code == 201
        reported = answer.json()
        status = client.get("/api/status").json()
        assert reported["reading"]["charge_coulombs"] == pytest.approx(
            before["charge_coulombs"], abs=0.5
        )
        assert reported["reading"]["stands"] is True
        assert reported["reading"]["read_depth_mm"] == pytest.approx(deeper_mm)
        assert reported["reading"]["evenness_fraction"] == pytest.approx(0.001 / deeper_mm)
        assert reported["before"]["depth_mm"] == pytest.approx(before["depth_mm"], rel=1e-3)
        assert reported["before"]["depth_mm"] < reported["after"]["depth_mm"] < deeper_mm * 1.02
        assert reported["after"]["depth_high_mm"] - reported["after"]["depth_low_mm"] < (
            reported["before"]["depth_high_mm"] - reported["before"]["depth_low_mm"]
        )
        assert (
            reported["target_charge_coulombs"]
            == status["target_charge_coulombs"]
            < before["target_charge_coulombs"]
        )
        assert reported["max_charge_coulombs"] == before["max_charge_coulombs"], "ceilings stay"
        assert reported["ceiling_first"] is False
        assert status["depth_mm"] == pytest.approx(reported["after"]["depth_mm"], rel=1e-3)


def test_ceiling_before_target(
    daemon: Daemon,
) -> None:
    """After a shallow reading the ceiling may come first; a person raises it."""
    with paused(daemon) as (client, run_id, before):
        shallow_mm = 0.70 * before["depth_mm"]
        body = gauge(
            shallow_mm,
            shallow_mm * 1.001,
            shallow_mm * 0.999,
            is_confirmed=True,
            resolution_mm=0.0001,
        )
        reported = client.post(f"/api/runs/{run_id}/readings", json=body).json()
        assert reported["ceiling_first"] is True
        assert reported["target_charge_coulombs"] > reported["max_charge_coulombs"]
        for unconfirmed in (
            {},
            {"is_confirmed": False},
            {"is_confirmed": "true"},
            {"is_confirmed": 1},
        ):
            assert client.post("/api/ceilings", json=unconfirmed).status_code == 422
        assert (
            client.get("/api/status").json()["max_charge_coulombs"]
            == reported["max_charge_coulombs"]
        )
        assert client.post("/api/ceilings", json={"is_confirmed": True}).status_code == 200
        assert (
            client.get("/api/status").json()["max_charge_coulombs"]
            > reported["target_charge_coulombs"]
        )


def test_surprising_reading(
    daemon: Daemon,
) -> None:
    """A surprising reading is refused with its numbers and kept when confirmed."""
    with paused(daemon) as (client, run_id, before):
        body = gauge(*[2.0 * before["depth_mm"]] * 3)
        problem = assert_problem(
            client.post(f"/api/runs/{run_id}/readings", json=body), 409, "surprising-reading"
        )
        assert (problem["field"], problem["limit"]) == ("is_confirmed", "3 standard deviations")
        assert problem["surprise"]["read_depth_mm"] == pytest.approx(2.0 * before["depth_mm"])
        assert problem["surprise"]["depth_mm"] == pytest.approx(before["depth_mm"], rel=1e-3)
        assert (
            problem["surprise"]["depth_low_mm"]
            < problem["surprise"]["depth_mm"]
            < problem["surprise"]["depth_high_mm"]
        )
        assert "far more metal is gone than expected" in problem["detail"]
        assert client.get(f"/api/runs/{run_id}/readings").json()["readings"] == [], (
            "nothing was kept"
        )
        assert (
            client.get("/api/status").json()["target_charge_coulombs"]
            == before["target_charge_coulombs"]
        )
        assert (
            client.post(
                f"/api/runs/{run_id}/readings", json={**body, "is_confirmed": True}
            ).status_code
            == 201
        )


def test_corrected_and_withdrawn(daemon: Daemon) -> None:
    with paused(daemon) as (client, run_id, before):
        path, depth_mm = f"/api/runs/{run_id}/readings", before["depth_mm"]
        first = client.post(path, json=gauge(1.10 * depth_mm, 1.11 * depth_mm)).json()
        first_id = first["reading"]["reading_id"]
        second = client.post(
            path, json=gauge(1.02 * depth_mm, 1.03 * depth_mm, replaces=first_id)
        ).json()
        second_id = second["reading"]["reading_id"]
        assert second["before"]["depth_mm"] == pytest.approx(first["after"]["depth_mm"], rel=1e-3)
        assert second["after"]["depth_mm"] < first["after"]["depth_mm"]
        listed = client.get(path).json()["readings"]
        shown = [(r["reading_id"], r["stands"], r["replaces"], r["replaced_by"]) for r in listed]
        assert shown == [
            (first_id, False, None, second_id), (second_id, True, first_id, None),
        ]  # fmt: skip
        withdrawn = client.post(
            f"{path}/{second_id}/withdraw", json={"why": "gauged the wrong piece"}
        ).json()
        assert withdrawn["reading"]["kind"] == "withdrawn"
        assert withdrawn["reading"]["why"] == "gauged the wrong piece"
        assert withdrawn["after"]["depth_mm"] == pytest.approx(before["depth_mm"], rel=1e-3), (
            "as before any reading"
        )
        assert withdrawn["target_charge_coulombs"] == pytest.approx(
            before["target_charge_coulombs"]
        )
        assert [r["stands"] for r in client.get(path).json()["readings"]] == [False, False, False]
        assert_problem(
            client.post(f"{path}/{second_id}/withdraw", json={"why": "again"}), 409, "wrong-state"
        )
        assert_problem(
            client.post(f"{path}/never/withdraw", json={"why": "?"}), 404, "unknown-reading"
        )
        assert_problem(
            client.post(path, json=gauge(depth_mm, replaces="never")), 404, "unknown-reading"
        )


def test_no_reading_with_relay_on(daemon: Daemon) -> None:
    with daemon.looping(), daemon.served() as client:
        run_id = client.post("/api/start", json={**SILVER, "bath": "tank 1"}).json()["run_id"]
        daemon.watch.until(RunState.RUNNING)
        daemon.watch.until_on_time(10.0)
        path = f"/api/runs/{run_id}/readings"
        assert_problem(client.post(path, json=gauge(0.004)), 409, "wrong-state")
        assert client.get(path).json()["readings"] == []
        assert client.get("/api/status").json()["state"] == "running"


def test_film_of_present_run(daemon: Daemon) -> None:
    """A film of 0.075 mm comes off a reading from the resist's top, not the usual 0.045 mm.

    Common practice, no source.
    """
    with daemon.looping(), daemon.served() as client:
        body = {**SILVER, "bath": "tank 1", "film_mm": 0.075}
        run_id = client.post("/api/start", json=body).json()["run_id"]
        daemon.watch.until(RunState.RUNNING)
        daemon.watch.until_on_time(100.0)
        client.post("/api/pause")
        depth_mm = client.get("/api/status").json()["depth_mm"]
        path = f"/api/runs/{run_id}/readings"
        answer = client.post(
            path, json=gauge(0.075 + depth_mm, from_resist_top=True, is_confirmed=True)
        )
        assert answer.status_code == 201, answer.text
        reported = answer.json()["reading"]
        assert (reported["film_mm"], reported["read_depth_mm"]) == (0.075, pytest.approx(depth_mm))


def test_given_charge_counts(daemon: Daemon) -> None:
    """A depth at half the present charge means the same for the bath as twice that depth now."""
    with paused(daemon) as (client, run_id, before):
        half = 0.5 * before["charge_coulombs"]
        body = gauge(*[0.5 * before["depth_mm"]] * 3, charge_coulombs=half)
        reported = client.post(f"/api/runs/{run_id}/readings", json=body).json()
        assert reported["reading"]["charge_coulombs"] == half
        assert reported["after"]["depth_mm"] == pytest.approx(before["depth_mm"], rel=0.03)


# --- past runs ------------------------------------------------------------------------------------


def test_past_weighing_teaches_bath(daemon: Daemon, client: httpx.Client) -> None:
    past(daemon)
    lost_g = round(0.95 * 1800 * SILVER_G_PER_COULOMB, 2)
    answer = of_past(client, {"kind": "weighing", "before_g": 24.31, "after_g": 24.31 - lost_g})
    assert answer.status_code == 201, answer.text
    reported = answer.json()
    assert (reported["reading"]["lost_g"], reported["reading"]["charge_coulombs"]) == (
        lost_g,
        1800.0,
    )
    unknown = ("before", "after", "target_charge_coulombs", "max_charge_coulombs", "ceiling_first")
    assert [reported[name] for name in unknown] == [None] * 5
    assert 0.95 < ask(daemon.app, "GET", "/api/baths/tank%201").json()["bite_factor"] < 0.99
    assert readings(daemon) == [reported["reading"]]


def test_surprise_on_past_run(daemon: Daemon, client: httpx.Client) -> None:
    """20.1 g for 2.01 g would teach the bath a bite factor of ten for ever."""
    past(daemon)
    body = {"kind": "weighing", "before_g": 40.0, "after_g": 19.9}
    problem = assert_problem(of_past(client, body), 409, "surprising-reading")
    assert problem["surprise"] == {"depth_mm": 0.25, "depth_low_mm": 0.2, "depth_high_mm": 0.31}
    assert readings(daemon) == []
    assert of_past(client, {**body, "is_confirmed": True}).status_code == 201


@pytest.mark.parametrize(
    ("body", "field"),
    [
        ({}, "kind"), ({"kind": "taste"}, "kind"), (gauge(), "spots_mm"),
        (gauge(0.1, -0.1), "spots_mm.1"),
        (gauge(*[0.1] * 51), "spots_mm"), (gauge(0.25, place="rim"), "place"),
        (gauge(0.25, resolution_mm=0.0), "resolution_mm"),
        (gauge(0.04, from_resist_top=True), "spots_mm"),
        (gauge(0.25, from_resist_top="no"), "from_resist_top"),
        (gauge(0.25, charge_coulombs=0.0), "charge_coulombs"),
        (gauge(0.25, before_g=1.0), "before_g"),
        ({"kind": "weighing", "before_g": 22.3, "after_g": 24.31}, "after_g"),
        ({"kind": "weighing", "before_g": 22.3, "after_g": 22.3}, "after_g"),
        ({"kind": "weighing", "before_g": 22.3}, "after_g"),
        ({"kind": "withdrawn", "why": "x"}, "kind"),
    ],
)  # fmt: skip
def test_bad_readings(
    daemon: Daemon, client: httpx.Client, body: dict[str, Any], field: str
) -> None:
    past(daemon)
    assert assert_problem(of_past(client, body), 422, "bad-value")["field"] == field
    assert readings(daemon) == []


def test_run_without_charge(daemon: Daemon, client: httpx.Client) -> None:
    daemon.logbook.put(began("r2"))
    daemon.logbook.put(changed("r2", RunState.STOPPED, 0.0))
    daemon.logbook.work()
    assert (
        assert_problem(of_past(client, gauge(0.1), "r2"), 422, "bad-value")["field"]
        == "charge_coulombs"
    )


def test_given_charge_past_run(daemon: Daemon, client: httpx.Client) -> None:
    past(daemon)
    assert of_past(client, gauge(0.125, charge_coulombs=900.0)).status_code == 201
    assert [one["charge_coulombs"] for one in readings(daemon)] == [900.0], (
        "and not the 1800 C that were counted"
    )


def test_film_and_place_correction(daemon: Daemon, client: httpx.Client) -> None:
    """Dry film is 0.045 mm, edges run 1.15 times deeper (common practice, no source)."""
    past(daemon)
    assert of_past(client, gauge(0.290, 0.300, from_resist_top=True)).status_code == 201
    assert of_past(client, gauge(0.2875, place="edge")).status_code == 201
    top, edge = readings(daemon)
    assert top["read_depth_mm"] == pytest.approx(0.250)
    assert edge["read_depth_mm"] == pytest.approx(0.250)
    assert edge["evenness_fraction"] is None, "one spot gives no evenness"


def test_film_of_the_run(daemon: Daemon, client: httpx.Client) -> None:
    """A thick dry film of 0.075 mm (common practice, no source) under 0.325 mm leaves 0.25 mm."""
    past(daemon, film_mm=0.075)
    assert of_past(client, gauge(0.325, from_resist_top=True)).status_code == 201
    (reported,) = readings(daemon)
    assert (reported["film_mm"], reported["read_depth_mm"]) == (0.075, pytest.approx(0.25))


def test_readings_of_unknown_run(client: httpx.Client) -> None:
    assert_problem(client.get("/api/runs/never/readings"), 404, "unknown-run")
    assert_problem(of_past(client, gauge(0.1), "never"), 404, "unknown-run")
    assert_problem(
        client.post("/api/runs/never/readings/x/withdraw", json={"why": "x"}), 404, "unknown-run"
    )


def test_list_with_silent_loop(daemon: Daemon) -> None:
    past(daemon)
    daemon.heart.now_s += 100.0
    assert readings(daemon) == []


def test_stored_equals_learned(daemon: Daemon, client: httpx.Client) -> None:
    past(daemon)
    of_past(client, gauge(0.25, 0.251, place="centre"))
    (kept,) = daemon.shelf.readings("r1")
    assert json.loads(json.dumps(kept.body)) == {
        "spots_mm": [0.25, 0.251], "place": "centre", "from_resist_top": False,
        "resolution_mm": 0.001, "charge_coulombs": 1800.0,
            "film_mm": 0.045,
    }  # fmt: skip


# --- one command ----------------------------------------------------------------------------------


@contextmanager
def commands(daemon: Daemon) -> Iterator[list[object]]:
    """Give the commands that go to the loop meanwhile."""
    loop, seen = daemon.assembly.loop, []
    submit = loop.submit

    def counted(action: Any) -> Any:
        seen.append(action)
        return submit(action)

    loop.submit = counted  # type: ignore[method-assign]
    try:
        yield seen
    finally:
        loop.submit = submit  # type: ignore[method-assign]


def test_one_command_each(daemon: Daemon) -> None:
    """New, asked about, corrected and withdrawn: each request is one command to the loop."""
    with paused(daemon) as (client, run_id, before):
        path, depth_mm = f"/api/runs/{run_id}/readings", before["depth_mm"]
        with commands(daemon) as seen:
            first = client.post(path, json=gauge(depth_mm, 1.01 * depth_mm)).json()["reading"]
            assert len(seen) == 1
            assert client.post(path, json=gauge(2.0 * depth_mm)).status_code == 409
            assert len(seen) == 2
            better = gauge(1.02 * depth_mm, replaces=first["reading_id"])
            second = client.post(path, json=better).json()["reading"]
            assert len(seen) == 3
            withdraw = f"{path}/{second['reading_id']}/withdraw"
            assert client.post(withdraw, json={"why": "wrong piece"}).status_code == 200
            assert len(seen) == 4
            client.get(path)
            assert len(seen) == 4


def test_past_run_needs_one_command(daemon: Daemon, client: httpx.Client) -> None:
    """The one that sees that the run is not the present one."""
    past(daemon)
    with commands(daemon) as seen:
        reading = of_past(client, gauge(0.25, 0.251)).json()["reading"]
        assert len(seen) == 1
        withdraw = f"/api/runs/r1/readings/{reading['reading_id']}/withdraw"
        assert client.post(withdraw, json={"why": "wrong piece"}).status_code == 200
        assert len(seen) == 2


def test_full_logbook_refuses_readings(daemon: Daemon, client: httpx.Client) -> None:
    """A reading that finds no room is refused, not lost."""
    past(daemon)

    def full(_entry: object) -> int:
        return 1

    room = daemon.logbook._room
    put, room.put = room.put, full  # type: ignore[method-assign]
    problem = assert_problem(of_past(client, gauge(0.25)), 503, "logbook-unreadable")
    assert "The logbook is full" in problem["detail"]
    room.put = put  # type: ignore[method-assign]
    assert readings(daemon) == []
    assert of_past(client, gauge(0.25)).status_code == 201
