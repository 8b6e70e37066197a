"""Each fault of the rehearsal rig ends as its row in controller/README.md says."""

from __future__ import annotations

import pytest

from api.cli.rehearsal.rehearse import RehearsalResult, rehearse
from api.main import Rehearsal, parse_faults
from controller.config import Settings, parse_settings
from tests.kits.doubles import silver_request
from tests.proofs.campaign.rows import Row, rows

OUTCOMES = {"finishes": "finished"}
"""The words for an end that differ from the name of the state."""


def outcome_of(row: Row) -> str:
    return OUTCOMES.get(row.ends, row.ends)


def run(
    *faults: str, settings: Settings | None = None, seed: int = 1, **changes: object
) -> RehearsalResult:
    return rehearse(
        silver_request(**changes),
        Rehearsal(seed=seed, faults=parse_faults(faults)),
        settings or Settings(),
    )


FAULTS = (
    "lead_off", "short_circuit", "supply_runaway", "supply_lost", "polarity_reversed",
    "chip_reset", "i2c_errors", "bus_stuck", "sample_stuck",
)  # fmt: skip


@pytest.mark.parametrize("seed", [1, 2, 3, 4])
@pytest.mark.parametrize("fault", FAULTS)
def test_fault_in_mid_run(fault: str, seed: int) -> None:
    """A fault in mid-run ends as its row says."""
    row = rows(fault)[0]
    result = run(f"{fault}@{31.7 + 0.013 * seed}", seed=seed)
    assert result.outcome == outcome_of(row)
    assert result.reason in row.reasons
    assert row.worst_s is not None
    assert result.off_after_fault_s is not None
    # The row counts to the pin. The contact of the model opens 8 ms later.
    assert result.off_after_fault_s <= row.worst_s + 0.008 + 1e-6
    assert not result.relay_on
    # Nothing is lost: the counted and the missing charge together cover the truth.
    assert result.charge_coulombs - 0.4 <= result.true_charge_coulombs
    assert (
        result.true_charge_coulombs
        <= result.charge_coulombs + result.uncertain_charge_coulombs + 0.8
    )


@pytest.mark.parametrize("fault", FAULTS)
def test_fault_from_the_beginning(fault: str) -> None:
    """A fault from the beginning never passes the check or the first seconds."""
    result = run(f"{fault}@0")
    reasons = rows(fault)[0].reasons | ({"sensor_fault"} if fault == "bus_stuck" else set())
    assert result.outcome == outcome_of(rows(fault)[0])
    assert result.reason in reasons
    assert result.elapsed_s < 21.5
    assert result.true_depth_mm < 0.001


def test_early_lost_contact() -> None:
    """Contact lost in the first 20 s is judged when they are over."""
    result = run("lead_off@5")
    assert (result.outcome, result.reason) == ("paused", "lost_contact")
    assert 20.9 < result.elapsed_s < 21.3


def test_short_without_current_limit() -> None:
    row = rows("short_circuit")[1]
    result = run("short_circuit@60", supply_mode="constant-voltage")
    assert result.outcome == outcome_of(row)
    assert result.reason in row.reasons
    assert result.off_after_fault_s is not None
    assert row.worst_s is not None
    assert result.off_after_fault_s <= row.worst_s + 0.008


def test_relay_welds_in_mid_run() -> None:
    """A relay that welds in mid-run is reported after the run."""
    result = run("relay_welded@60", depth_mm=0.15)
    assert (result.outcome, result.reason) == ("tripped", "relay_welded")
    assert result.off_after_fault_s is None, "it cannot turn off"
    assert result.message is not None
    assert "PULL THE SUPPLY'S PLUG" in result.message
    assert result.true_charge_coulombs == pytest.approx(result.charge_coulombs, rel=0.001), (
        "what flows after the relay is off is counted"
    )


def test_relay_welded_before_start() -> None:
    """With a relay that is already welded, no run starts."""
    result = run("relay_welded@0")
    assert (result.outcome, result.reason) == ("tripped", "relay_welded")
    assert result.elapsed_s == 0.0


def test_worst_ripple_averages_out() -> None:
    result = run("ripple_worst@30", depth_mm=0.1)
    assert (result.outcome, result.reason) == ("finished", None)
    assert result.true_depth_mm == pytest.approx(0.1, rel=0.01)


def test_saturation_trips_at_once() -> None:
    """4.2 A on 0.1 ohm reads 3.2 A; a short without current limit shows it."""
    stock = parse_settings({"rig": {"shunt_ohm": 0.1, "max_current_a": 3.2}})
    result = rehearse(
        silver_request(area_mm2=400.0, current_a=1.5, supply_mode="constant-voltage"),
        # At 2.5 V the current is below the over-current limit before the fault. At 3.0 V it would
        # be 99 % of the limit and trip.
        Rehearsal(supply_v=2.5, faults=parse_faults(["supply_runaway@60"])),
        stock,
    )
    row = rows("saturation")[0]
    assert (result.outcome, result.reason) == ("tripped", "sensor_saturated")
    assert result.off_after_fault_s is not None
    assert row.worst_s is not None
    assert result.off_after_fault_s <= row.worst_s + 0.008


def test_slow_run_meets_ceiling() -> None:
    """The current is 66 % of the plan: enough not to pause, too little for 1.5 times the time."""
    result = rehearse(silver_request(), Rehearsal(supply_v=2.17), Settings())
    assert (result.outcome, result.reason) == ("tripped", "over_time")
    assert result.elapsed_s == pytest.approx(1.5 * 599.1, rel=0.002)


def test_hot_bath_trips() -> None:
    """A hot bath trips when a thermometer is fitted."""
    cool = parse_settings({"limits": {"bath_warn_degc": 20.2, "bath_off_degc": 20.6}})
    result = run(settings=cool)
    assert (result.outcome, result.reason) == ("tripped", "bath_hot")
    assert result.bath_degc == pytest.approx(20.6, abs=0.05)


SLOW = ("resist_leak", "dendrite_bridge", "black_film", "contact_corroding", "plate_lifted")


@pytest.mark.parametrize("fault", SLOW)
def test_slow_fault(fault: str) -> None:
    row = rows(fault)[0]
    result = run(f"{fault}@100", edge_mm=800.0)
    assert result.outcome == outcome_of(row)
    assert result.reason in row.reasons
    assert row.worst_s is not None
    assert result.off_after_fault_s is not None
    assert result.off_after_fault_s <= row.worst_s + 0.1


@pytest.mark.parametrize(
    "fault", ["resist_leak", "dendrite_bridge", "contact_corroding", "plate_lifted"]
)
def test_slow_fault_constant_voltage(fault: str) -> None:
    result = run(f"{fault}@100", edge_mm=800.0, supply_mode="constant-voltage")
    assert result.outcome == "paused"
    assert result.reason in rows(fault)[0].reasons


def test_one_of_two_loses_contact() -> None:
    """When one piece of two loses contact, the run pauses before the other one is ruined."""
    row = rows("one_piece_off")[0]
    result = run("one_piece_off@100", area_mm2=383.5, edge_mm=400.0, pieces=2)
    assert (result.outcome, result.reason) == (outcome_of(row), "lost_contact")
    assert result.off_after_fault_s is not None
    assert row.worst_s is not None
    assert result.off_after_fault_s <= row.worst_s
    assert result.message is not None
    assert "One of the pieces" in result.message
    assert result.true_depth_mm < 0.1


def test_warming_bath_warns_first() -> None:
    result = run("bath_warming@0", current_a=1.0)
    assert (result.outcome, result.reason) == ("tripped", "bath_hot")
    assert "The bath is above 35 °C. The relay turns off at 45 °C." in result.notes
    assert result.bath_degc == pytest.approx(45.0, abs=0.3)


def test_lost_stirring_stays_unseen() -> None:
    """Lost stirring far below the limiting current changes nothing that the sensor can see."""
    result = run("stirrer_stopped@60", edge_mm=800.0, depth_mm=0.1)
    assert (result.outcome, result.reason) == (outcome_of(rows("stirrer_stopped")[0]), None)
