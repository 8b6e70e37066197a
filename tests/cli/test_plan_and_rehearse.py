"""``plan`` and ``rehearse`` without an artwork: JSON keys, figures and exit statuses."""

from __future__ import annotations

import pytest

from tests.kits.cli_kit import PLATE, Command

PLAN, REHEARSE = Command("plan"), Command("rehearse")

SHALLOW = (*PLATE, "--depth-mm", "0.05")
"""A run of two minutes: the last of two options counts."""


def test_plan_of_silver() -> None:
    """0.25 mm over 7.67 cm2 of silver: 1800 C, 10 min at 3 A, 2.01 g, 39 A/dm2.

    Common practice, no source.
    """
    plan = PLAN.json_of(*PLATE)
    assert plan["charge_coulombs"] == pytest.approx(1800.0, rel=3e-3)
    assert plan["duration_s"] == pytest.approx(600.0, rel=3e-3)
    assert plan["metal_removed_g"] == pytest.approx(2.01, rel=2e-3)
    assert plan["current_density_a_per_dm2"] == pytest.approx(39.1, rel=1e-3)
    assert "current_a" in [warning["field"] for warning in plan["warnings"]]


def test_plan_in_lines() -> None:
    shown = PLAN.call(*PLATE).output
    assert "9 min 59 s at 3.00 A" in shown
    assert "warning" in shown


@pytest.mark.parametrize(
    ("faults", "status", "outcome", "reason"),
    [
        ((), 0, "finished", None),
        (("--fault", "lead_off@30"), 3, "paused", "lost_contact"),
        (("--fault", "chip_reset@30"), 4, "tripped", "sensor_reset"),
    ],
)
def test_rehearsal_exit_status(
    faults: tuple[str, ...], status: int, outcome: str, reason: str | None
) -> None:
    result = REHEARSE.json_of(*SHALLOW, *faults, status=status)
    assert (result["outcome"], result["reason"]) == (outcome, reason)
    promised = {
        "outcome",
        "reason",
        "elapsed_s",
        "depth_mm",
        "true_depth_mm",
        "charge_coulombs",
        "true_charge_coulombs",
        "off_after_fault_s",
        "relay_on",
    }
    assert promised <= set(result)
    assert result["relay_on"] is False


@pytest.mark.parametrize(
    ("fault", "is_noticed"), [("lead_off@30", True), ("ripple_worst@30", False)]
)
def test_unnoticed_fault(fault: str, is_noticed: bool) -> None:
    """Off at the target is not the answer of a guard to a fault."""
    shown = REHEARSE.call(*SHALLOW, "--fault", fault).output
    assert "after the fault" in shown
    assert ("no guard ended it" in shown) is not is_noticed


def test_seed_decides_rehearsal() -> None:
    first, second, other = (REHEARSE.json_of(*SHALLOW, "--seed", seed) for seed in ("3", "3", "4"))
    # The virtual clock starts at a random second, so the last digits of a float may differ.
    assert first["true_charge_coulombs"] == pytest.approx(second["true_charge_coulombs"], rel=1e-12)
    assert first["depth_mm"] == pytest.approx(second["depth_mm"], rel=1e-12)
    assert first["charge_coulombs"] != other["charge_coulombs"]
