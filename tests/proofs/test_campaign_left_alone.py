"""The study's own measure of the slow faults: what they would have done, which of them matter, why
a run missed one.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest

from hardware.rehearsal.faults.kinds import Fault
from hardware.rehearsal.faults.slow import LEAK_FRACTION
from tests.proofs.campaign.draw import STUDY, Scenario, draw
from tests.proofs.campaign.left_alone import (
    EARLY_S,
    LATE_S,
    cause_of_miss,
    left_alone,
    matters,
    misses_table,
)


def scenario(name: str, at_share: float, mode: str = "constant-current") -> Scenario:
    """A run of the study on a plate without edges, its fault at a share of the planned time."""
    number = 0
    while True:
        drawn = draw(7, number, STUDY, (name,))
        if (
            drawn.request.supply_mode == mode
            and not drawn.request.edge_mm
            and drawn.spec.ramp_s == 0.0
        ):
            return replace(drawn, faults=(Fault(name, at_share * drawn.plan.duration_s),))
        number += 1


def outcome(
    at_s: float = 100.0, off_s: float = 200.0, crossed_s: float | None = 5.0, **other: Any
) -> dict[str, Any]:
    left = {
        "pieces": 1,
        "to_come": 0.5,
        "short": 0.0,
        "warmed_k": 0.0,
        "rise_ln": 0.0,
        "crossed_s": crossed_s,
    }
    kept = {key: other.pop(key) for key in list(other) if key in left}
    off = {"at_s": at_s, "off_s": off_s, "reason": other.get("reason")}
    bare = {
        "faults": ["resist_leak"],
        "mode": "constant-current",
        "reason": None,
        "warnings": [],
        "off": [off],
    }
    return bare | {"left_alone": left | kept} | other


def test_leak_left_alone() -> None:
    """From the leak on the work gets 1 / 1.6 of the charge:

    Faraday's law, the leak's share of the area.
    """
    drawn = scenario("resist_leak", 0.5)
    early, late = left_alone(drawn), left_alone(scenario("resist_leak", 0.9))
    bite = drawn.spec.bite_factor * drawn.plan.total_area_mm2 / drawn.spec.area_mm2
    scale = drawn.spec.shunt_ohm / drawn.settings.rig.shunt_ohm
    assert early["to_come"] == pytest.approx(0.5 * bite / scale / (1.0 + LEAK_FRACTION), rel=0.05)
    assert late["to_come"] < 0.12
    assert early["rise_ln"] < -0.05
    assert early["crossed_s"] == pytest.approx(5.0, abs=3.1), "within the 8 s that it takes"


def test_bridge_left_alone() -> None:
    """It takes charge past the plate."""
    assert (
        left_alone(scenario("dendrite_bridge", 0.3))["short"]
        > left_alone(scenario("dendrite_bridge", 0.7))["short"]
        > 0.0
    )
    assert left_alone(scenario("resist_leak", 0.3))["short"] == pytest.approx(0.0, abs=1e-9)


def test_film_and_heater() -> None:
    """The film raises the resistance; the heater warms the bath."""
    film, heater = (
        left_alone(scenario("black_film", 0.3)),
        left_alone(scenario("bath_warming", 0.3)),
    )
    assert film["rise_ln"] > 0.05
    assert film["warmed_k"] < 1.0
    assert heater["warmed_k"] > 1.0
    assert heater["crossed_s"] is None


@pytest.mark.parametrize(
    ("name", "left", "counts"),
    [
        ("resist_leak", {"to_come": 0.11}, True),
        ("resist_leak", {"to_come": 0.09}, False),
        ("one_piece_off", {"to_come": 0.5, "pieces": 2}, True),
        ("one_piece_off", {"to_come": 0.5, "pieces": 1}, False),
        ("one_piece_off", {"to_come": 0.09, "pieces": 2}, False),
        ("dendrite_bridge", {"short": 0.11}, True),
        ("dendrite_bridge", {"short": 0.09}, False),
        ("bath_warming", {"warmed_k": 5.1}, True),
        ("bath_warming", {"warmed_k": 4.9}, False),
        ("black_film", {"rise_ln": 0.10}, True),
        ("black_film", {"rise_ln": 0.09}, False),
        ("plate_lifted", {}, False),
    ],
)
def test_what_matters(name: str, left: dict[str, Any], counts: bool) -> None:
    assert matters(outcome(faults=[name], **left)) is counts


@pytest.mark.parametrize(
    ("missed", "cause"),
    [
        (outcome(at_s=0.0), "from the start"),
        (outcome(at_s=EARLY_S - 0.1), "early"),
        (outcome(at_s=EARLY_S, crossed_s=None), "too small"),
        (outcome(at_s=EARLY_S, off_s=5.0 + LATE_S - 0.1), "late"),
        (outcome(at_s=EARLY_S, off_s=5.0 + LATE_S + 0.1), "other"),
    ],
)
def test_why_it_was_missed(missed: dict[str, Any], cause: str) -> None:
    assert cause_of_miss(missed) == cause


def test_table_counts_matters() -> None:
    cut, warned = outcome(reason="resist_leak"), outcome(warnings=["The cell conducts better ..."])
    missed, trifle = outcome(at_s=0.0), outcome(to_come=0.01)
    never = outcome() | {"off": []}
    rows = [
        row for row in misses_table([cut, warned, missed, trifle, never]) if "resist_leak" in row
    ]
    cells = [cell.strip() for cell in rows[0].split("|")[1:-1]]
    assert len(rows) == 1
    assert cells[:5] == ["resist_leak", "constant-current", "4", "3", "1"]
    assert cells[5].startswith("2, 67 %")
    assert cells[6:] == ["1", "0", "0", "0", "0"]
