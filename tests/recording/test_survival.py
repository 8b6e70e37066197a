"""A run that is gauged, paused and cut twice equals the run that was never cut, field by field."""

from __future__ import annotations

import math
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from controller.config import Settings, parse_settings
from controller.logbook.recovery import UNCERTAIN_S
from controller.messages import RunState
from controller.physics.attack import Soak
from controller.physics.charge import CoulombCounter
from controller.planning.run_plan import RunPlan
from controller.safety.checkpoint import NOT_KEPT
from controller.safety.run import SOAK_UNKNOWN, ActiveRun, new_run
from tests.kits.doubles import silver_request
from tests.kits.restart_kit import CURRENT_A, Workshop

S = RunState

REQUEST = silver_request(depth_mm=0.12, thickness_mm=None, gauge_stops_mm=(0.03, 0.06))

EDITED = parse_settings(
    {
        "limits": {
            "max_voltage_v": 5.0,
            "over_current_fraction": 1.9,
            "max_sample_age_s": 0.7,
            "max_run_s": 60.0,
            "bath_warn_degc": 30.0,
        },
        "metals": {"fine-silver": {"density_g_per_cm3": 9.9, "etch_factor": 2.0}},
    }
)
"""A configuration that somebody has edited while the run was interrupted."""

OWNED = (ActiveRun, CoulombCounter, Soak, RunPlan)
"""Classes compared field by field. The values in their fields are compared whole."""

AGES = ("Soak.since_s",)
"""Monotonic times that are stored. Each boot has another zero, so ages are compared."""


def leaves(run: ActiveRun, now_s: float) -> dict[str, Any]:
    """Return every field of a run and of what it owns, times as ages."""
    found: dict[str, Any] = {}

    def visit(owner: Any) -> None:
        for field in fields(owner):
            name, value = f"{type(owner).__name__}.{field.name}", getattr(owner, field.name)
            if isinstance(value, OWNED):
                visit(value)
            else:
                found[name] = now_s - value if name in AGES and value is not None else value

    visit(run)
    return found


def is_same(one: Any, other: Any) -> bool:
    if isinstance(one, float) and isinstance(other, float):
        return math.isclose(one, other, rel_tol=1e-9, abs_tol=1e-6)
    return bool(one == other)


def different(one: Workshop, other: Workshop) -> set[str]:
    """Return the fields in which the runs of two workshops differ."""
    left, right = leaves(one.run, one.now_s), leaves(other.run, other.now_s)
    assert left.keys() == right.keys()
    return {name for name in left if not is_same(left[name], right[name])}


def first_half(shop: Workshop, *, is_cut: bool) -> None:
    """Do everything that a restart may forget, up to the second restart."""
    shop.step()
    shop.start(REQUEST)
    shop.run_for(40.0)
    shop.plate.first_look(is_well=True)
    shop.sensor.frozen = True
    shop.until(S.TRIPPED)  # the sample grows stale: charge may be missing
    shop.sensor.frozen = False
    shop.run_for(1.0)
    shop.supervisor.acknowledge()
    shop.run_for(20.0)  # the first pause, in the acid
    shop.supervisor.resume()
    shop.until(S.PAUSED)  # a gauge stop
    shop.run_for(40.0)
    if is_cut:
        shop.crash(25.0)
    else:
        shop.run_for(25.0)
        shop.step()
    shop.run_for(15.0)
    shop.plate.lifted()
    shop.run_for(10.0)
    shop.gauge(0.022, 270.0)
    shop.plate.raise_ceilings()
    shop.run_for(50.0)
    shop.plate.left_in()
    shop.run_for(45.0)


def second_half(shop: Workshop) -> None:
    """Resume and run to the end, past the remaining gauge stops."""
    shop.run_for(1.0)
    shop.supervisor.resume()
    shop.until(S.PAUSED)
    shop.run_for(5.0)
    shop.supervisor.resume()
    shop.until(S.PAUSED)
    shop.run_for(5.0)
    shop.supervisor.resume()
    shop.until(S.FINISHED)
    shop.run_for(1.0)


def uncut_shop(path: Path) -> Workshop:
    """Return a workshop that was never cut, at the moment of the other one's second restart."""
    shop = Workshop(path)
    first_half(shop, is_cut=False)
    shop.run_for(400.0)
    shop.step()
    return shop


def cut_shop(path: Path) -> Workshop:
    """Return a workshop after a crash and a power cut."""
    shop = Workshop(path)
    first_half(shop, is_cut=True)
    shop.cut_power(400.0, EDITED)
    return shop


# --- the round trip -----------------------------------------------------------------------------


def test_only_dropped_fields_differ(tmp_path: Path) -> None:
    """After two restarts, and at the end, only what NOT_KEPT names differs from the uncut run."""
    uncut, cut = uncut_shop(tmp_path / "uncut.sqlite"), cut_shop(tmp_path / "cut.sqlite")
    assert different(uncut, cut) - set(NOT_KEPT) == set()
    for shop in (uncut, cut):
        second_half(shop)
    assert different(uncut, cut) - set(NOT_KEPT) == set()
    depths = [shop.run.depth(shop.now_s) for shop in (uncut, cut)]
    assert depths[1].best_mm == pytest.approx(depths[0].best_mm, rel=1e-9)
    assert depths[1].high_mm == pytest.approx(depths[0].high_mm, rel=1e-6)
    assert cut.run.stretches == 5


UNMOVED = {
    "ActiveRun.run_id": "a name",
    "ActiveRun.first_learner": "fixed at the start, compared with the edited configuration instead",
    "ActiveRun._settings": "as first_learner",
    "CoulombCounter.max_gap_s": "as first_learner",
    "CoulombCounter.bound_a": "as first_learner",
    "Soak.upper_um_per_min": "as first_learner; the configuration does not change it",
    "Soak.is_known": "see test_unknown_time_is_asked",
}


def test_round_trip_moves_fields(tmp_path: Path) -> None:
    """Each stored field differs from that of a new run: otherwise its loss would not show."""
    uncut = uncut_shop(tmp_path / "uncut.sqlite")
    fresh = new_run("r1", uncut.run.plan, Settings().limits)
    now, then = leaves(uncut.run, uncut.now_s), leaves(fresh, uncut.now_s)
    own = {name for name in now if not name.startswith("RunPlan.")}
    still = {name for name in own - set(NOT_KEPT) if is_same(now[name], then[name])}
    assert still <= set(UNMOVED)


def test_configuration_edits_change_nothing(tmp_path: Path) -> None:
    """Limits, metal and longest gap stay those of the start, with and without readings."""
    shop = Workshop(tmp_path / "log.sqlite")
    shop.step()
    shop.start(REQUEST)
    shop.run_for(5.0)
    shop.supervisor.pause()
    shop.run_for(1.0)
    before = shop.run
    shop.crash(1.0, EDITED)
    assert shop.run is not before
    assert (shop.run.limits, shop.run.plan) == (before.limits, before.plan)
    assert (shop.run.counter.max_gap_s, shop.run.counter.bound_a) == (1.0, before.counter.bound_a)
    shop.plate.raise_ceilings()
    assert shop.run.limits.max_on_time_s > EDITED.limits.max_run_s
    shop.close()


# --- cut in the middle of a stretch -------------------------------------------------------------


@pytest.fixture
def etching(tmp_path: Path) -> Workshop:
    """A workshop 60 s into its first stretch."""
    shop = Workshop(tmp_path / "log.sqlite")
    shop.step()
    shop.start(REQUEST)
    shop.run_for(60.0)
    return shop


def test_missing_charge_stays_bounded(etching: Workshop) -> None:
    """The true charge exceeds the count by two seconds of the last current at most."""
    true_coulombs = etching.run.counter.charge_coulombs
    etching.crash(10.0)
    counter = etching.run.counter
    assert counter.uncertain_coulombs == pytest.approx(UNCERTAIN_S * CURRENT_A, rel=1e-3)
    assert true_coulombs - counter.uncertain_coulombs <= counter.charge_coulombs <= true_coulombs
    etching.crash(10.0)
    assert etching.run.counter.uncertain_coulombs == counter.uncertain_coulombs, "not twice"
    assert etching.run.on_time_s == pytest.approx(60.0, abs=1.1)


def test_process_restart_counts_soak(etching: Workshop) -> None:
    """Within one boot the monotonic clock gives the time that the plate was in the acid."""
    etching.clock.jump_utc(-5000.0)
    etching.crash(935.0)
    assert etching.run.soak.seconds(etching.now_s) == pytest.approx(935.0, abs=1.2)
    assert etching.run.soak.seconds(etching.now_s) >= 935.0
    assert "count as time in the acid" in str(etching.supervisor.message)


def test_power_cut_counts_soak(etching: Workshop) -> None:
    """Across a boot the wall clock gives it, if it was set before and after."""
    etching.cut_power(935.0)
    assert etching.run.soak.seconds(etching.now_s) == pytest.approx(935.0, abs=1.2)
    assert etching.run.soak.is_known
    assert etching.run.soak.seconds(etching.now_s) >= 935.0


@pytest.mark.parametrize(
    ("is_utc_set", "utc_lag_s"), [(False, 0.0), (True, 2000.0), (True, -40 * 86400.0)]
)
def test_unknown_time_is_asked(etching: Workshop, is_utc_set: bool, utc_lag_s: float) -> None:
    """A clock that is unset, set back or weeks ahead adds nothing, and a person is asked."""
    etching.cut_power(935.0, is_utc_set=is_utc_set, utc_lag_s=utc_lag_s)
    run = etching.run
    assert not run.soak.is_known
    assert run.soak.seconds(etching.now_s) < 1.0
    assert "known how long the plate has been in the acid" in str(etching.supervisor.message)
    assert SOAK_UNKNOWN in run.warnings()
    etching.crash(5.0)
    assert not etching.run.soak.is_known, "a known time after it does not make it known"
    assert SOAK_UNKNOWN in etching.run.warnings()


def test_late_clock_is_believed(etching: Workshop) -> None:
    """A Pi sets its clock from the network after its boot: then the time away is counted."""
    etching.cut_power(935.0, is_utc_set=False, utc_lag_s=934.0)
    etching.run_for(30.0)
    assert etching.run.soak.seconds(etching.now_s) == pytest.approx(30.0, abs=0.1)
    etching.clock.jump_utc(934.0)
    etching.clock.utc_is_set = True
    etching.run_for(1.0)
    assert etching.run.soak.is_known
    assert etching.run.soak.seconds(etching.now_s) == pytest.approx(966.0, abs=1.2)
    assert "not known" not in str(etching.supervisor.message)
    assert "count as time in the acid" in str(etching.supervisor.message)
    etching.run_for(5.0)
    assert etching.run.soak.seconds(etching.now_s) == pytest.approx(971.0, abs=1.2), "once only"


def test_lifted_plate_stays_out(etching: Workshop) -> None:
    """A plate that a person has lifted does not soak, and nobody is asked about it."""
    etching.supervisor.pause()
    etching.run_for(20.0)
    etching.plate.lifted()
    etching.run_for(1.0)
    etching.cut_power(5000.0, is_utc_set=False)
    run = etching.run
    assert run.soak.since_s is None
    assert run.soak.is_known
    assert run.soak.seconds(etching.now_s) == pytest.approx(20.0, abs=0.1)
    assert "acid" not in str(etching.supervisor.message)


def test_long_pause_is_written(etching: Workshop) -> None:
    """A pause is stored again and again: without a clock at most 30 s of it are lost."""
    etching.supervisor.pause()
    etching.run_for(935.0)
    etching.cut_power(300.0, is_utc_set=False)
    assert 935.0 - 31.0 <= etching.run.soak.seconds(etching.now_s) <= 936.0


def test_unstarted_plate_may_soak(tmp_path: Path) -> None:
    """After a cut before the relay turned on, the plate is assumed to be in the acid."""
    shop = Workshop(tmp_path / "log.sqlite")
    shop.step()
    shop.sensor.frozen = True
    shop.start_checking(REQUEST)
    shop.crash(100.0)
    assert shop.supervisor.state is S.INTERRUPTED
    assert shop.run.soak.seconds(shop.now_s) == pytest.approx(100.0, abs=1.0)


def test_late_clock_settles_one_cut(etching: Workshop) -> None:
    """The clock gives the time of the last cut. What an earlier cut left unknown stays unknown."""
    etching.cut_power(935.0, utc_lag_s=-40 * 86400.0)
    etching.run_for(1.0)
    etching.cut_power(100.0, is_utc_set=False)
    etching.clock.utc_is_set = True
    etching.run_for(1.0)
    assert not etching.run.soak.is_known
