"""The metrics, read by the parser of Prometheus's own library."""

from __future__ import annotations

import re
from pathlib import Path
from typing import Any

import pytest
from prometheus_client.parser import text_string_to_metric_families

from api.http.metrics import BASE_UNITS, base_name
from api.http.models.status import Status
from controller.messages import RunState
from tests.kits.api_client import SILVER, Daemon, ask

UNITS = (
    "seconds", "meters", "amperes", "volts", "celsius", "coulombs", "amperes_per_square_meter",
)  # fmt: skip
"""Base units. Source: prometheus.io/docs/practices/naming; the coulomb is the SI's."""


def read(daemon: Daemon) -> dict[str, Any]:
    """Return the families by name."""
    answer = ask(daemon.app, "GET", "/metrics")
    assert answer.status_code == 200
    assert answer.headers["content-type"].startswith("text/plain; version=0.0.4")
    assert answer.headers["cache-control"] == "no-store"
    return {family.name: family for family in text_string_to_metric_families(answer.text)}


def value_of(families: dict[str, Any], name: str) -> float:
    (sample,) = families[name].samples
    return float(sample.value)


@pytest.fixture
def begun(tmp_path: Path) -> Daemon:
    """A bench with a run, which ended with its loop."""
    daemon = Daemon(tmp_path)
    daemon.step()
    body = {**SILVER, "piece": "fern brooch"}
    headers = {"authorization": f"Bearer {daemon.bench_token}"}
    with daemon.looping():
        started = ask(daemon.app, "POST", "/api/start", json=body, headers=headers)
        assert started.status_code == 202, started.text
        daemon.watch.until(RunState.RUNNING)
        assert value_of(read(daemon), "biteclock_relay_on") == 1.0
    return daemon


def test_metrics_are_the_status(begun: Daemon) -> None:
    """Each number of the status is there in its base unit, and none that is unknown."""
    families = read(begun)
    status = ask(begun.app, "GET", "/api/status").json()
    factors = {"mm": 1000.0, "a_per_dm2": 0.01}
    compared = 0
    for name, value in status.items():
        base = base_name(name)
        if base is None or name == "at_s":
            continue
        if value is None:
            assert base[0] not in families, name
            continue
        unit = next((unit for unit in factors if name.endswith(f"_{unit}")), "")
        shown = value_of(families, base[0]) * factors.get(unit, 1.0)
        assert shown == pytest.approx(value, rel=1e-9), name
        compared += 1
    assert compared > 10
    assert value_of(families, "biteclock_relay_on") == float(status["relay_on"])
    states = {it.labels["state"]: it.value for it in families["biteclock_state"].samples}
    assert states == {state.value: float(state == status["state"]) for state in RunState}
    assert "fern brooch" not in ask(begun.app, "GET", "/metrics").text


def test_names_follow_rules(begun: Daemon) -> None:
    for name, family in read(begun).items():
        assert re.fullmatch(r"biteclock_[a-z][a-z0-9_]*", name)
        assert family.documentation
        assert not name.endswith(tuple(BASE_UNITS.keys() - {"_coulombs"})), name
    numbers = [base for name in Status.model_fields if (base := base_name(name)) is not None]
    assert all(name.endswith(UNITS) for name, _ in numbers)
    assert base_name("depth_mm") == ("biteclock_depth_meters", 0.001)
    assert base_name("current_density_a_per_dm2") == (
        "biteclock_current_density_amperes_per_square_meter", 100.0,
    )  # fmt: skip


def test_silent_loop_shows_no_numbers(begun: Daemon) -> None:
    """Numbers of a loop that is silent are old, and are left out."""
    begun.heart.now_s += 60.0
    families = read(begun)
    assert value_of(families, "biteclock_loop_alive") == 0.0
    assert value_of(families, "biteclock_loop_silent_seconds") == pytest.approx(60.0, abs=1.0)
    assert not {"biteclock_current_amperes", "biteclock_state", "biteclock_relay_on"} & set(
        families
    )
