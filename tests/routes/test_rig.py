"""Rig check, metals and the rehearsal's truth, through the application."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.messages import RunState
from controller.physics.faraday import METALS
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem


def test_sound_rig(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, host_notes=lambda: ["strict_gpiod is not set: see the wiring page"])
    daemon.step()
    with daemon.looping(), daemon.served() as client:
        reported = client.get("/api/rig-check").json()
    assert reported["passed"] is True
    assert reported["message"] is None
    assert {item["name"]: item["passed"] for item in reported["items"]} == {
        "sensor": True, "relay output": True, "zero offset": True, "cell voltage": True
    }  # fmt: skip
    assert abs(reported["zero_offset_a"]) < 0.008
    assert reported["proven"]
    assert reported["not_proven"]
    assert reported["host_notes"] == ["strict_gpiod is not set: see the wiring page"]
    daemon.close()


def test_check_during_run(tmp_path: Path) -> None:
    """Old readings do not pass for new ones during a run."""
    daemon = Daemon(tmp_path)
    daemon.step()
    with daemon.looping(), daemon.served() as client:
        client.post("/api/start", json=SILVER)
        daemon.watch.until(RunState.RUNNING)
        reported = client.get("/api/rig-check").json()
        assert daemon.rig.gate.reads_on() is True, "a check never switches anything"
    assert reported["passed"] is False
    assert "running" in reported["message"]
    assert reported["relay_on"] is True
    daemon.close()


def test_check_finds_welded_relay(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path, faults=("relay_welded@0",))
    daemon.step()
    with daemon.looping(), daemon.served() as client:
        reported = client.get("/api/rig-check").json()
    assert reported["passed"] is False
    assert reported["reason"] == "relay_welded"
    assert "PULL THE SUPPLY'S PLUG" in reported["message"]
    assert reported["proven"] == []
    daemon.close()


def test_own_metal_figures(tmp_path: Path) -> None:
    tables = {"metals": {"copper": {"density_g_per_cm3": 8.9, "etch_factor": 1.5}}}
    metals = {
        metal["name"]: metal
        for metal in ask(Daemon(tmp_path, tables=tables).app, "GET", "/api/metals").json()["metals"]
    }
    assert set(metals) == set(METALS)
    assert {
        "fine-silver",
        "sterling-silver",
        "britannia-silver",
        "copper",
        "copper-1",
        "brass-70-30",
    } <= set(metals)
    assert (metals["copper"]["density_g_per_cm3"], metals["copper"]["etch_factor"]) == (8.9, 1.5)
    assert metals["copper"]["density_source"] == "given by the user"
    assert metals["copper-1"]["density_g_per_cm3"] == 8.96


def test_silver_equivalent(tmp_path: Path) -> None:
    """1.118 mg/C for silver: the international ampere of 1908, 0.00111800 g in a second."""
    metals = ask(Daemon(tmp_path).app, "GET", "/api/metals").json()["metals"]
    silver = next(metal for metal in metals if metal["name"] == "fine-silver")
    assert silver["mm3_per_coulomb"] * silver["density_g_per_cm3"] == pytest.approx(
        1.118, abs=0.0005
    )  # mg/C


def test_rehearsal_truth(tmp_path: Path) -> None:
    daemon = Daemon(tmp_path)
    daemon.step()
    with daemon.looping(), daemon.served() as client:
        client.post("/api/start", json=SILVER)
        daemon.watch.until(RunState.RUNNING)
        # the contact takes some ms to close
        daemon.watch.when(lambda snapshot: bool(snapshot.charge_coulombs))
        truth = client.get("/api/rehearsal").json()
    assert truth["contact_closed"] is True
    assert truth["charge_coulombs"] >= 0.0
    assert truth["first_on_at_s"] is not None
    daemon.close()


def test_real_rig_has_no_truth(tmp_path: Path) -> None:
    app = Daemon(tmp_path, truth=None, rig_kind="bench").app
    assert_problem(ask(app, "GET", "/api/rehearsal"), 404, "no-rehearsal")


def test_truth_as_mapping(tmp_path: Path) -> None:
    values = {
        "charge_coulombs": 1.0, "cell_charge_coulombs": 1.0, "depth_mm": 0.1, "deepest_mm": 0.1,
        "volume_mm3": 1.0,
        "mass_g": 0.01, "heat_j": 3.0, "bath_degc": 20.0, "relay_on": False,
        "contact_closed": False,
        "first_on_at_s": None, "fault_at_s": None, "off_after_fault_s": None,
    }  # fmt: skip
    assert ask(Daemon(tmp_path, truth=lambda: values).app, "GET", "/api/rehearsal").json() == values
