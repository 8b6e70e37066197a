"""The bath's card and a weighed coupon through the application."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from tests.kits.api_client import Daemon, ask

BATH = {"name": "tank 1", "metal": "copper", "water_parts": 10.0, "bottle_percent": 65.0}
COUPON = {"bath": "tank 1", "area_mm2": 2000.0, "time_s": 3000.0, "lost_g": 0.1792}


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path)
    daemon.step()
    yield daemon
    daemon.close()


def post(daemon: Daemon, path: str, body: dict[str, Any]) -> Any:
    return ask(daemon.app, "POST", path, json=body)


def test_card_and_coupon(daemon: Daemon) -> None:
    """0.1792 g of copper (8.96 g/cm3) from 20 cm2 in 50 min are 0.2 um/min.

    1 part of 65 % acid in 10 of water is 1.32 mol/L, by Perry's densities.
    """
    before = post(daemon, "/api/baths", BATH).json()
    assert before["acid_mol_per_l"] == pytest.approx(1.32, rel=0.01)
    assert (before["attack_source"], before["attack_weighed_at_utc"]) == ("strength", None)
    answer = post(daemon, "/api/coupons", COUPON)
    assert answer.status_code == 200
    after = answer.json()
    assert (after["attack_source"], after["water_parts"]) == ("coupon", 10.0)
    assert after["attack_um_per_min"] == pytest.approx(0.2)
    width = after["attack_high_um_per_min"] / after["attack_low_um_per_min"]
    assert width < before["attack_high_um_per_min"] / before["attack_low_um_per_min"]
    assert after["attack_weighed_at_utc"] is not None


@pytest.mark.parametrize(
    ("changes", "status", "words"),
    [
        ({"lost_g": 0.02}, 422, "about 150 min in all"),
        ({"bath": "tank 9"}, 404, "Describe it first"),
        ({"lost_g": -0.1}, 422, "which weight was taken first"),
    ],
)
def test_useless_coupon_refused(
    daemon: Daemon, changes: dict[str, Any], status: int, words: str
) -> None:
    post(daemon, "/api/baths", BATH)
    answer = post(daemon, "/api/coupons", {**COUPON, **changes})
    assert answer.status_code == status
    assert words in answer.json()["detail"]
    assert ask(daemon.app, "GET", "/api/baths").json()["baths"][0]["attack_source"] == "strength"
