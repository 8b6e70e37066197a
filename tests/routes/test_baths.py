"""The baths through the application, with the names that people give them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any
from urllib.parse import quote

import pytest

from controller.config import Settings
from controller.logbook.entries import ReadingKind
from controller.messages import RunState
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem
from tests.kits.doubles import silver_request
from tests.kits.logbook_kit import began, changed, take

BATH = {
    "name": "tank 1",
    "metal": "fine-silver",
    "acid": "nitric acid, 1 part in 10",
    "volume_l": 1.0,
    "made_up_on": "2031-03-01",
}


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path)
    daemon.step()
    yield daemon
    daemon.close()


def save(daemon: Daemon, **changes: Any) -> Any:
    return ask(daemon.app, "POST", "/api/baths", json={**BATH, **changes})


def get(daemon: Daemon, name: str) -> Any:
    return ask(daemon.app, "GET", f"/api/baths/{quote(name, safe='')}")


def a_run(daemon: Daemon, run_id: str, charge_coulombs: float = 1800.0) -> None:
    request = silver_request(bath="tank 1")
    plan = plan_to_json(make_plan(request, Settings(), 16.0))
    daemon.logbook.put(replace(began(run_id), bath="tank 1", metal=request.metal, plan=plan))
    daemon.logbook.put(changed(run_id, RunState.FINISHED, charge_coulombs))
    daemon.logbook.work()


def test_new_bath_has_priors(daemon: Daemon) -> None:
    """Priors: bite factor 1.00, 0.10 from bath to bath, 1 % of the shunt.

    From run to run 0.05 times 0.5, 1, 1.5, 2.1 or 3. From one run to the next it drifts by 0.1,
    0.4 or 0.9 times 0.05. Common practice, no source.
    """
    answer = save(daemon)
    assert answer.status_code == 200
    bath = answer.json()
    assert {name: bath[name] for name in BATH} == BATH
    assert (
        bath["runs"],
        bath["charge_ah"],
        bath["dissolved_g"],
        bath["readings"],
        bath["is_retired"],
    ) == (0, 0.0, 0.0, 0, False)
    assert bath["bite_factor"] == pytest.approx(1.0)
    run = 0.14 * 0.5**2 + 0.34 + 0.26 * 1.5**2 + 0.16 * 2.1**2 + 0.1 * 3.0**2
    drift = 0.4 * 0.1**2 + 0.4 * 0.4**2 + 0.2 * 0.9**2
    variance = 0.10**2 + 0.01**2 + 0.05**2 * (run + drift)
    assert bath["bite_factor_sd"] == pytest.approx(variance**0.5, rel=1e-3)
    assert bath["etch_factor_low"] < bath["etch_factor"] < bath["etch_factor_high"]
    assert get(daemon, "tank 1").json() == bath
    assert ask(daemon.app, "GET", "/api/baths").json() == {"baths": [bath]}


def test_charge_and_metal(daemon: Daemon) -> None:
    """Twice 1800 C are 1 Ah. Silver dissolves at 1.118 mg/C: 4.02 g.

    Electrochemical equivalent, a textbook value.
    """
    save(daemon)
    a_run(daemon, "r1")
    a_run(daemon, "r2")
    bath = get(daemon, "tank 1").json()
    assert (bath["runs"], bath["charge_ah"]) == (2, pytest.approx(1.0))
    assert bath["dissolved_g"] == pytest.approx(3600 * 1.118e-3, rel=1e-3)


def test_past_reading_teaches_bath(daemon: Daemon) -> None:
    save(daemon)
    a_run(daemon, "r1")
    before = get(daemon, "tank 1").json()
    take(
        daemon.shelf,
        "r1",
        ReadingKind.WEIGHING,
        {"charge_coulombs": 1800.0, "lost_g": 0.9 * 1800 * 1.118e-3},
    )
    after = get(daemon, "tank 1").json()
    assert after["readings"] == 1
    assert 0.9 < after["bite_factor"] < 0.95
    assert after["bite_factor_sd"] < before["bite_factor_sd"]


def test_newest_description(
    daemon: Daemon,
) -> None:
    """The newest description is valid, and a plan cannot use a retired bath."""
    save(daemon)
    assert (
        ask(daemon.app, "POST", "/api/plan", json={**SILVER, "bath": "tank 1"}).status_code == 200
    )
    changed_ = save(daemon, note="topped up", volume_l=1.2).json()
    assert (changed_["note"], changed_["volume_l"]) == ("topped up", 1.2)
    assert save(daemon, is_retired=True).json()["is_retired"] is True
    assert [
        bath["is_retired"] for bath in ask(daemon.app, "GET", "/api/baths").json()["baths"]
    ] == [True]
    problem = assert_problem(
        ask(daemon.app, "POST", "/api/plan", json={**SILVER, "bath": "tank 1"}), 422, "bad-value"
    )
    assert problem["field"] == "bath"
    assert "retired" in problem["detail"]


@pytest.mark.parametrize(
    "name",
    [
        "silver bath of March", "B\u00e4dchen f\u00fcr Gl\u00fcck", "1/10 nitric", "a%2Fb",
        "50 % acid?", "#7", "\u9280\u6d74",
        "a\u0301", "...", "a//b", "+", "&=;",
    ],
)  # fmt: skip
def test_names_round_trip(daemon: Daemon, name: str) -> None:
    assert save(daemon, name=name).json()["name"] == name
    answer = get(daemon, name)
    assert answer.status_code == 200
    assert answer.json()["name"] == name
    assert (
        ask(daemon.app, "POST", "/api/plan", json={**SILVER, "bath": name}).json()["request"][
            "bath"
        ]
        == name
    )


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"name": "a\x00b"}, "name"), ({"name": "a\nb"}, "name"), ({"name": "a\u202eb"}, "name"),
        ({"name": ""}, "name"),
        ({"name": "  "}, "name"), ({"name": "x" * 61}, "name"), ({"name": "."}, "name"),
        ({"name": " .. "}, "name"),
        ({"metal": "unobtainium"}, "metal"), ({"metal": "steel"}, "metal"),
        ({"volume_l": 0.0}, "volume_l"),
        ({"volume_l": "1"}, "volume_l"), ({"made_up_on": "yesterday"}, "made_up_on"),
        ({"made_up_on": "2031-02-30"}, "made_up_on"),
        ({"note": "a\x1b[2J"}, "note"), ({"is_retired": 1}, "is_retired"),
        ({"colour": "blue"}, "colour"),
    ],
)  # fmt: skip
def test_bad_bath_is_refused(daemon: Daemon, changes: dict[str, Any], field: str) -> None:
    assert assert_problem(save(daemon, **changes), 422, "bad-value")["field"] == field


def test_bath_keeps_metal(daemon: Daemon) -> None:
    save(daemon)
    problem = assert_problem(save(daemon, metal="copper"), 422, "bad-value")
    assert (problem["field"], problem["limit"]) == ("metal", "fine-silver")


def test_unknown_bath(daemon: Daemon) -> None:
    assert_problem(get(daemon, "never"), 404, "unknown-bath")
    assert assert_problem(get(daemon, "a\x00b"), 422, "bad-value")["field"] == "name"
    assert (
        assert_problem(ask(daemon.app, "GET", "/api/baths/"), 422, "bad-value")["field"] == "name"
    )
    problem = assert_problem(
        ask(daemon.app, "POST", "/api/plan", json={**SILVER, "bath": "never"}), 422, "bad-value"
    )
    assert problem["field"] == "bath"
