"""The one value that survives a restart: every field of a run is in it, or dropped for a reason."""

from __future__ import annotations

import json
from dataclasses import asdict, fields, replace
from datetime import UTC, datetime, timedelta

import pytest

from controller.config import Settings
from controller.errors import RefusedError
from controller.physics.attack import Soak
from controller.physics.charge import CoulombCounter
from controller.planning.json_form import plan_for_logbook, plan_from_logbook
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.safety.checkpoint import (
    LONGEST_AWAY_S,
    NOT_KEPT,
    Moment,
    RunCheckpoint,
    checkpoint_from_json,
    checkpoint_to_json,
    time_away_s,
)
from controller.safety.limits import limits_for
from controller.safety.restored import restored_run
from controller.safety.run import ActiveRun, new_run
from controller.texts import Message
from tests.kits.doubles import silver_request

SETTINGS = Settings()
PLAN = make_plan(silver_request(), SETTINGS, 16.0)
LIMITS = limits_for(PLAN, SETTINGS.limits)
UTC_0 = datetime(2031, 3, 4, 10, 0, tzinfo=UTC)
THEN = Moment(5000.0, UTC_0, "boot one", True)

CHECKPOINT = RunCheckpoint(
    at_s=5000.0,
    on_time_s=301.5,
    charge_coulombs=905.25,
    uncertain_charge_coulombs=6.2,
    mean_current_a=2.91,
    stretches=3,
    begun_at_mm=0.0875,
    gauge_stop_mm=0.125,
    first_look_done=True,
    is_etching=False,
    soak_total_s=93.0,
    soaking_for_s=41.0,
    is_soak_known=False,
    limits=replace(LIMITS, max_charge_coulombs=4321.0, max_on_time_s=1234.0, max_voltage_v=5.5),
    warnings_given=(Message("guards.warning.bath_warm", {"warn_degc": 35.0}),),
)
"""A run that differs from a new one in every field."""

KEPT = {
    "ActiveRun.run_id": "names the row in the logbook",
    "ActiveRun.plan": "plan_for_logbook, and the readings",
    "ActiveRun.limits": "limits",
    "ActiveRun.counter": "see CoulombCounter",
    "ActiveRun.soak": "see Soak",
    "ActiveRun.first_learner": "plan_for_logbook",
    "ActiveRun._settings": "the settings beside the plan",
    "ActiveRun.on_time_s": "on_time_s",
    "ActiveRun.stretches": "stretches",
    "ActiveRun.mean_current_a": "mean_current_a",
    "ActiveRun.first_look_done": "first_look_done",
    "ActiveRun.gauge_stop_mm": "gauge_stop_mm",
    "ActiveRun._begun_at_mm": "begun_at_mm",
    "ActiveRun._warned": "warnings_given",
    "CoulombCounter.max_gap_s": "the settings beside the plan",
    "CoulombCounter.bound_a": "limits",
    "CoulombCounter.charge_coulombs": "charge_coulombs",
    "CoulombCounter.uncertain_coulombs": "uncertain_charge_coulombs",
    "Soak.upper_um_per_min": "plan_for_logbook",
    "Soak.total_s": "soak_total_s",
    "Soak.since_s": "soaking_for_s",
    "Soak.is_known": "is_soak_known",
}
"""Where each kept field goes; tests/recording/test_survival.py compares what comes back."""


def restored(
    checkpoint: RunCheckpoint, now_s: float = 70.0, away_s: float | None = 0.0
) -> ActiveRun:
    return restored_run("r1", PLAN, SETTINGS.limits, checkpoint, now_s=now_s, away_s=away_s)


# --- nothing is forgotten -----------------------------------------------------------------------


def test_every_field_is_decided() -> None:
    """A new field of a run goes into the checkpoint, or into NOT_KEPT with a reason."""
    owners = (ActiveRun, CoulombCounter, Soak)
    names = {f"{owner.__name__}.{field.name}" for owner in owners for field in fields(owner)}
    dropped = {name for name in NOT_KEPT if not name.startswith("RunPlan.")}
    assert names - set(KEPT) == dropped
    assert set(KEPT) <= names
    plan_fields = {f"RunPlan.{field.name}" for field in fields(RunPlan)}
    assert {name for name in NOT_KEPT if name.startswith("RunPlan.")} <= plan_fields


def test_every_dropped_field_has_reason() -> None:
    assert all(len(reason.split()) > 1 for reason in NOT_KEPT.values())


def test_sample_differs_from_new() -> None:
    """The checkpoint that the tests restore has no value that a new run has by itself."""
    new = new_run("r1", PLAN, SETTINGS.limits).checkpoint(0.0)
    same = {f.name for f in fields(new) if getattr(new, f.name) == getattr(CHECKPOINT, f.name)}
    assert same == {"is_etching"}


def test_checkpoint_comes_back_whole() -> None:
    """A restored run makes the checkpoint that it was made from."""
    assert restored(CHECKPOINT, now_s=5000.0).checkpoint(5000.0) == CHECKPOINT
    for is_known in (True, False):
        out = replace(CHECKPOINT, soaking_for_s=None, is_soak_known=is_known)
        assert restored(out, now_s=5000.0).checkpoint(5000.0) == out


def test_restored_limits_bound_charge() -> None:
    """The counter bounds a gap by the run's own limit, not by one that is derived again."""
    limits = replace(LIMITS, max_current_a=3.5)
    assert restored(replace(CHECKPOINT, limits=limits)).counter.bound_a == 3.5


# --- the plate in the acid ----------------------------------------------------------------------


@pytest.mark.parametrize(
    ("is_etching", "soaking_for_s", "stretches", "seconds"),
    [
        (True, None, 1, 93.0 + 200.0),
        (False, 41.0, 1, 93.0 + 41.0 + 200.0),
        (False, None, 1, 93.0),
        (False, None, 0, 93.0 + 200.0),
    ],
    ids=["etching", "soaking", "lifted", "not begun"],
)
def test_time_away_soaks(
    is_etching: bool, soaking_for_s: float | None, stretches: int, seconds: float
) -> None:
    """The time away counts as time in the acid unless a person has lifted the plate."""
    checkpoint = replace(
        CHECKPOINT,
        is_etching=is_etching,
        soaking_for_s=soaking_for_s,
        stretches=stretches,
        is_soak_known=True,
    )
    assert restored(checkpoint, away_s=200.0).soak.seconds(70.0) == pytest.approx(seconds)
    unknown = restored(checkpoint, away_s=None).soak
    assert unknown.seconds(70.0) == pytest.approx(93.0 + (soaking_for_s or 0.0))
    assert unknown.is_known is (stretches == 1 and not is_etching and soaking_for_s is None)


@pytest.mark.parametrize(
    ("changes", "away_s"),
    [
        ({"at_s": 5935.0, "boot_id": "boot one", "is_utc_set": False}, 935.0),
        ({"at_s": 4999.0, "boot_id": "boot one"}, None),
        ({"at_utc": UTC_0 + timedelta(seconds=935)}, 935.0),
        ({"at_utc": UTC_0 + timedelta(seconds=935), "is_utc_set": False}, None),
        ({"at_utc": UTC_0 - timedelta(seconds=1)}, None),
        ({"at_utc": UTC_0 + timedelta(seconds=LONGEST_AWAY_S)}, LONGEST_AWAY_S),
        ({"at_utc": UTC_0 + timedelta(seconds=LONGEST_AWAY_S + 1)}, None),
    ],
)
def test_time_away_or_unknown(changes: dict[str, object], away_s: float | None) -> None:
    """One boot: the monotonic clock. Two boots: a wall clock that is set and goes forward."""
    now = replace(Moment(80.0, UTC_0, "boot two", True), **changes)  # type: ignore[arg-type]
    assert time_away_s(THEN, now) == away_s


def test_earlier_clock_must_be_set() -> None:
    now = Moment(80.0, UTC_0 + timedelta(seconds=935), "boot two", True)
    assert time_away_s(replace(THEN, is_utc_set=False), now) is None


# --- as JSON ------------------------------------------------------------------------------------


def test_json_keeps_everything() -> None:
    text = json.dumps(checkpoint_to_json(CHECKPOINT, THEN), allow_nan=False)
    assert checkpoint_from_json(json.loads(text), LIMITS) == (CHECKPOINT, THEN)


def test_unknown_soak_is_kept() -> None:
    """A run that warns of an unknown time in the acid can still be written down."""
    run = restored(replace(CHECKPOINT, warnings_given=()), now_s=5000.0, away_s=None)
    warnings = run.take_new_warnings()
    checkpoint = run.checkpoint(5000.0)
    assert [warning.key for warning in warnings] == ["guards.warning.soak_unknown"]
    back, _ = checkpoint_from_json(checkpoint_to_json(checkpoint, THEN), LIMITS)
    assert back.warnings_given == warnings


def test_older_limits_are_filled() -> None:
    """A limit that an older version did not have is the one that its plan gives."""
    values = checkpoint_to_json(CHECKPOINT, THEN)
    del values["limits"]["bath_off_degc"]
    back, _ = checkpoint_from_json(values, replace(LIMITS, bath_off_degc=41.0))
    assert back.limits == replace(CHECKPOINT.limits, bath_off_degc=41.0)


def test_least_metal_is_that_of_the_plan() -> None:
    """It guards less when it is lower, and nothing can have changed it."""
    limits = replace(LIMITS, least_metal_mm=0.4)
    values = checkpoint_to_json(CHECKPOINT, THEN)
    for kept_mm in (0.0, 0.3, 0.5):
        values["limits"]["least_metal_mm"] = kept_mm
        with pytest.raises(RefusedError) as caught:
            checkpoint_from_json(values, limits)
        assert caught.value.message.key == "supervisor.restore.unsound"
    values["limits"]["least_metal_mm"] = 0.4
    assert checkpoint_from_json(values, limits)[0].limits.least_metal_mm == 0.4


@pytest.mark.parametrize("where", ["checkpoint", "limits"])
def test_newer_values_are_refused(where: str) -> None:
    """What a newer version kept is not dropped without a word."""
    values = checkpoint_to_json(CHECKPOINT, THEN)
    (values if where == "checkpoint" else values["limits"])["tilt_mm"] = 1.0
    with pytest.raises(RefusedError) as error:
        checkpoint_from_json(values, LIMITS)
    assert error.value.message == Message("supervisor.restore.unknown", {"names": "tilt_mm"})


@pytest.mark.parametrize(
    "request_",
    [
        silver_request(gauge_stops_mm=(0.1, 0.2), sheet_mm2=2000.0, bath_volume_l=1.0),
        silver_request(metal="sterling-silver", depth_mm=None, charge_coulombs=900.0),
        silver_request(
            growth_mm2=((0.0, 767.0), (0.1, 800.0), (0.5, 900.0), (1.0, 1000.0)),
            stop_policy="never-deeper",
        ),
    ],
    ids=["gauge stops", "charge", "curve"],
)
def test_plan_comes_back_whole(request_: PlanRequest) -> None:
    """The plan of the start is made again from the logbook alone, the configuration aside."""
    plan = make_plan(request_, SETTINGS, 16.0)
    values = json.loads(json.dumps(plan_for_logbook(plan)))
    back = plan_from_logbook(values, sure_a=plan.sure_a, drivable_a=plan.drivable_a)
    assert back == plan
    assert asdict(back) == asdict(plan)


def test_plan_of_an_older_version_soaks() -> None:
    """It knew no acid beside the current, but widened the upper bound while the power was off."""
    values = json.loads(json.dumps(plan_for_logbook(PLAN)))
    del values["acid_bite"]
    back = plan_from_logbook(values, sure_a=PLAN.sure_a, drivable_a=PLAN.drivable_a)
    assert back.acid_bite.equivalent_a == 0.0
    run = new_run("r1", back, SETTINGS.limits)
    run.soak.begin(0.0)
    assert run.soak.upper_mm(36000.0) > 0.01


UNSOUND = {
    "a text": {"charge_coulombs": "12"},
    "not a number": {"charge_coulombs": float("nan")},
    "far below 0": {"charge_coulombs": -1e6},
    "negative time": {"on_time_s": -1.0},
    "a number for a truth": {"is_soak_known": 1},
    "nothing": {"stretches": None},
    "no ceiling": {"limits": {"max_charge_coulombs": None}},
    "an endless grace": {"limits": {"contact_grace_s": 1e9}},
    "no voltage limit": {"limits": {"max_voltage_v": None}},
}


@pytest.mark.parametrize("damage", UNSOUND)
def test_damaged_checkpoint_is_refused(damage: str) -> None:
    """What no run can have had never comes back in part: a limit may be gone with it."""
    values = checkpoint_to_json(CHECKPOINT, THEN)
    change = dict(UNSOUND[damage])
    values["limits"] = {**values["limits"], **change.pop("limits", {})}  # type: ignore[dict-item]
    with pytest.raises(RefusedError) as caught:
        checkpoint_from_json({**values, **change}, LIMITS)
    assert caught.value.message.key == "supervisor.restore.unsound"
