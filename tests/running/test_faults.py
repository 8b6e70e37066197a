"""Each fault of the rehearsal rig ends as its row in controller/README.md says."""

from __future__ import annotations

import pytest

from api.cli.rehearse import RehearsalResult, rehearse
from api.main import Rehearsal, parse_faults
from controller.config import Settings, parse_settings
from tests.kits.doubles import silver_request
from tests.proofs.campaign.rows import Row, rows

OUTCOMES = {"finishes": "finished"}
"""A row says how the run ends; these words differ from the name of the state."""


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
def test_a_fault_in_mid_run_ends_as_its_row_says(fault: str, seed: int) -> None:
    row = rows(fault)[0]
    result = run(f"{fault}@{61.7 + 0.013 * seed}", seed=seed)
    assert result.outcome == outcome_of(row)
    assert result.reason in row.reasons
    assert row.worst_s is not None
    assert result.off_after_fault_s is not None
    # The row counts to the pin; the contact of the model breaks 8 ms later.
    assert result.off_after_fault_s <= row.worst_s + 0.008 + 1e-6
    assert not result.relay_on
    # Nothing is lost: what was counted and what may be missing cover the truth.
    assert result.charge_coulombs - 0.4 <= result.true_charge_coulombs
    assert (
        result.true_charge_coulombs
        <= result.charge_coulombs + result.uncertain_charge_coulombs + 0.8
    )


@pytest.mark.parametrize("fault", FAULTS)
def test_a_fault_that_is_there_from_the_beginning_never_passes(fault: str) -> None:
    result = run(f"{fault}@0")
    reasons = rows(fault)[0].reasons | ({"sensor_fault"} if fault == "bus_stuck" else set())
    assert result.outcome == outcome_of(rows(fault)[0])
    assert result.reason in reasons
    assert result.elapsed_s < 21.5
    assert result.true_depth_mm < 0.001


def test_lost_contact_in_the_first_seconds_is_judged_once_they_are_over() -> None:
    result = run("lead_off@5")
    assert (result.outcome, result.reason) == ("paused", "lost_contact")
    assert 20.9 < result.elapsed_s < 21.3


def test_a_short_on_a_supply_without_current_limit() -> None:
    row = rows("short_circuit")[1]
    result = run("short_circuit@60", supply_mode="constant-voltage")
    assert result.outcome == outcome_of(row)
    assert result.reason in row.reasons
    assert result.off_after_fault_s is not None
    assert row.worst_s is not None
    assert result.off_after_fault_s <= row.worst_s + 0.008


def test_a_relay_that_welds_in_mid_run_is_told_after_the_run() -> None:
    result = run("relay_welded@60")
    assert (result.outcome, result.reason) == ("tripped", "relay_welded")
    assert result.off_after_fault_s is None, "it cannot turn off"
    assert result.message is not None
    assert "PULL THE SUPPLY'S PLUG" in result.message
    assert result.true_charge_coulombs == pytest.approx(result.charge_coulombs, rel=0.001), (
        "what flows after off is counted"
    )


def test_a_relay_that_is_welded_before_the_start_never_starts() -> None:
    result = run("relay_welded@0")
    assert (result.outcome, result.reason) == ("tripped", "relay_welded")
    assert result.elapsed_s == 0.0


def test_the_worst_ripple_is_averaged_away() -> None:
    result = run("ripple_worst@60")
    assert (result.outcome, result.reason) == ("finished", None)
    assert result.true_depth_mm == pytest.approx(0.25, rel=0.01)


def test_saturation_trips_on_the_first_sample() -> None:
    """4.2 A on 0.1 ohm reads 3.2 A; a short without current limit shows it."""
    stock = parse_settings({"rig": {"shunt_ohm": 0.1, "max_current_a": 3.2}})
    result = rehearse(
        silver_request(area_mm2=400.0, current_a=1.5, supply_mode="constant-voltage"),
        # 2.5 V: below the over-current limit before the fault; at 3.0 V the run sits at 99 % of it
        # and trips on it.
        Rehearsal(supply_v=2.5, faults=parse_faults(["supply_runaway@60"])),
        stock,
    )
    row = rows("saturation")[0]
    assert (result.outcome, result.reason) == ("tripped", "sensor_saturated")
    assert result.off_after_fault_s is not None
    assert row.worst_s is not None
    assert result.off_after_fault_s <= row.worst_s + 0.008


def test_an_overly_slow_run_meets_its_ceiling_on_time() -> None:
    """The current is 66 % of the plan: enough not to pause, too little for 1.5 times the time."""
    result = rehearse(silver_request(), Rehearsal(supply_v=2.17), Settings())
    assert (result.outcome, result.reason) == ("tripped", "over_time")
    assert result.elapsed_s == pytest.approx(1.5 * 600.4, rel=0.002)


def test_a_hot_bath_trips_when_a_thermometer_is_fitted() -> None:
    cool = parse_settings({"limits": {"bath_warn_degc": 20.2, "bath_off_degc": 20.6}})
    result = run(settings=cool)
    assert (result.outcome, result.reason) == ("tripped", "bath_hot")
    assert result.bath_degc == pytest.approx(20.6, abs=0.05)


SLOW = ("resist_leak", "dendrite_bridge", "black_film", "contact_corroding", "plate_lifted")


@pytest.mark.parametrize("fault", SLOW)
def test_a_slow_fault_ends_as_its_row_says(fault: str) -> None:
    row = rows(fault)[0]
    result = run(f"{fault}@200", edge_mm=800.0)
    assert result.outcome == outcome_of(row)
    assert result.reason in row.reasons
    assert row.worst_s is not None
    assert result.off_after_fault_s is not None
    assert result.off_after_fault_s <= row.worst_s + 0.1


@pytest.mark.parametrize(
    "fault", ["resist_leak", "dendrite_bridge", "contact_corroding", "plate_lifted"]
)
def test_a_slow_fault_is_seen_in_constant_voltage_too(fault: str) -> None:
    result = run(f"{fault}@200", edge_mm=800.0, supply_mode="constant-voltage")
    assert result.outcome == "paused"
    assert result.reason in rows(fault)[0].reasons


def test_one_piece_of_two_that_loses_contact_pauses_before_the_other_is_ruined() -> None:
    row = rows("one_piece_off")[0]
    result = run("one_piece_off@200", area_mm2=383.5, edge_mm=400.0, pieces=2)
    assert (result.outcome, result.reason) == (outcome_of(row), "lost_contact")
    assert result.off_after_fault_s is not None
    assert row.worst_s is not None
    assert result.off_after_fault_s <= row.worst_s
    assert result.message is not None
    assert "One of the pieces" in result.message
    assert result.true_depth_mm < 0.1


def test_a_warming_bath_warns_first_and_trips_then() -> None:
    result = run("bath_warming@0", current_a=1.0)
    assert (result.outcome, result.reason) == ("tripped", "bath_hot")
    assert "The bath is above 35 °C. The relay turns off at 45 °C." in result.notes
    assert result.bath_degc == pytest.approx(45.0, abs=0.3)


def test_what_cannot_be_seen_is_known() -> None:
    """Lost stirring far below the limiting current changes nothing that the sensor can see."""
    result = run("stirrer_stopped@200", edge_mm=800.0)
    assert (result.outcome, result.reason) == (outcome_of(rows("stirrer_stopped")[0]), None)
