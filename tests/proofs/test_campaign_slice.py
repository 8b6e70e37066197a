"""A short slice of the campaign of whole runs, each fault once, and the proof that its watch can
fail.

All of it: ``make campaign``, or ``python -m tests.proofs.campaign --runs 2000 --seed 1``.
"""

from __future__ import annotations

import math
import sqlite3
from collections.abc import Callable
from contextlib import closing
from dataclasses import replace
from functools import cache
from typing import Any

import pytest

import controller.safety.run
from controller.config import parse_settings
from controller.logbook.logbook import Logbook
from controller.messages import RunState, TripReason
from controller.physics.charge import CoulombCounter
from controller.planning.plan import make_plan
from controller.recording.journal import Journal
from controller.safety.age_watch import AgeWatch
from controller.safety.guards import judge
from controller.safety.run import ActiveRun
from controller.safety.supervisor import Supervisor
from hardware.rehearsal.faults.kinds import Fault
from hardware.relay import RelayGate
from tests.proofs.campaign.__main__ import campaign, each, study
from tests.proofs.campaign.draw import NAMES, Deed, Scenario, draw
from tests.proofs.campaign.invariants import INVARIANTS
from tests.proofs.campaign.rows import measured, worst_s
from tests.proofs.campaign.run import run_one, run_scenario
from tests.proofs.campaign.table import binomial_interval, quantile

Patch = pytest.MonkeyPatch
SEED = 20


def test_slice_holds() -> None:
    outcomes = [run_one(SEED, *wanted) for wanted in campaign(9)]
    assert [text for outcome in outcomes for text in outcome["violations"]] == []
    assert len({outcome["kind"] for outcome in outcomes}) >= 4
    checked = {name for outcome in outcomes for name, count in outcome["checked"].items() if count}
    assert checked >= set(INVARIANTS) - {"row"}


@pytest.mark.parametrize("name", NAMES)
def test_each_fault_once(name: str) -> None:
    outcome = run_one(SEED, *each(1, [name])[0])
    assert outcome["faults"] == [name]
    assert outcome["violations"] == []


def test_weak_current_under_ripple() -> None:
    """Ripple of 45 % swings the readings by 2 % around the limit, so that the ten seconds begin
    again for 0.4 s.
    """
    wanted = next(wanted for wanted in study(3000) if wanted.number == 108_000_267)
    outcome = run_one(1, *wanted)
    assert outcome["reason"] == "lost_contact"
    assert outcome["violations"] == []


def test_run_is_reproducible() -> None:
    """Seed and number alone decide a run."""
    first, again, other = run_one(3, 1), run_one(3, 1), run_one(4, 1)
    assert first == again
    assert first != other


# --- the watch can fail --------------------------------------------------------------------------


def keeps_on(patch: Patch) -> None:
    """The relay cannot be turned off."""
    patch.setattr(RelayGate, "turn_off", lambda _gate: None)


def never_stale(patch: Patch) -> None:
    """Nobody looks at the age of the newest sample."""
    patch.setattr(AgeWatch, "check", lambda _watch, _now_s: None)
    patch.setattr(Supervisor, "_is_stale", lambda _supervisor: False)


def after_each_pass(patch: Patch, then: Callable[[Supervisor], None]) -> None:
    tick = Supervisor.tick

    def sabotaged(supervisor: Supervisor) -> None:
        tick(supervisor)
        then(supervisor)

    patch.setattr(Supervisor, "tick", sabotaged)


def goes_on_by_itself(patch: Patch) -> None:
    """A paused run is resumed by the program."""
    after_each_pass(patch, lambda s: s.resume() if s.state is RunState.PAUSED else None)


def renames_the_reason(patch: Patch) -> None:
    """A later reason takes the first one's place."""

    def rename(supervisor: Supervisor) -> None:
        if supervisor.state is RunState.TRIPPED and supervisor.finding is not None:
            supervisor.finding = replace(supervisor.finding, reason=TripReason.BATH_HOT)

    tick = Supervisor.tick

    def sabotaged(supervisor: Supervisor) -> None:
        rename(supervisor)  # one pass after the trip
        tick(supervisor)

    patch.setattr(Supervisor, "tick", sabotaged)


def finishes_what_tripped(patch: Patch) -> None:
    """An acknowledged trip is called finished."""
    patch.setattr(Supervisor, "acknowledge", lambda s: s._change(RunState.FINISHED, "well"))


def judges_nothing(patch: Patch) -> None:
    """No guard finds anything."""
    patch.setattr(
        controller.safety.run,
        "judge",
        lambda limits, streaks, sample, run: (judge(limits, streaks, sample, run)[0], None),
    )


def misnames(patch: Patch) -> None:
    """The guards call everything a hot bath."""

    def sabotaged(*args: Any) -> Any:
        streaks, finding = judge(*args)
        return streaks, finding and replace(finding, reason=TripReason.BATH_HOT)

    patch.setattr(controller.safety.run, "judge", sabotaged)


def only_notes_requests(patch: Patch) -> None:
    """The gate waits for the next pass before it turns off."""

    def revoke(gate: RelayGate, request: Any) -> None:
        gate._request, gate._number = request, gate._number + 1

    patch.setattr(RelayGate, "revoke", revoke)


def ends_switched_on(patch: Patch) -> None:
    """Nothing turns off, not even the end."""
    only_notes_requests(patch)
    keeps_on(patch)


def cannot_pause(patch: Patch) -> None:
    """A command runs into a bug."""
    patch.setattr(Supervisor, "pause", lambda _supervisor: 1 / 0)


def counting(patch: Patch, share: float) -> None:
    add = CoulombCounter.add

    def sabotaged(counter: CoulombCounter, sample: Any) -> None:
        before = counter.charge_coulombs
        add(counter, sample)
        counter.charge_coulombs = before + share * (counter.charge_coulombs - before)

    patch.setattr(CoulombCounter, "add", sabotaged)


def loses_charge(patch: Patch) -> None:
    """One part in fifty is not counted."""
    counting(patch, 0.98)


def etches_through(patch: Patch) -> None:
    """A quarter is counted, and no ceiling catches it."""
    counting(patch, 0.25)
    judges_nothing(patch)


def stops_late(patch: Patch) -> None:
    """The run goes on to a tenth more than its target."""
    patch.setattr(
        ActiveRun,
        "has_reached_target",
        lambda run, _now_s: run.counter.charge_coulombs >= 1.1 * run.plan.charge_coulombs,
    )


def forges_the_book(patch: Patch) -> None:
    """A row of the logbook is changed behind its back."""
    finish = Logbook.finish

    def sabotaged(logbook: Logbook) -> None:
        finish(logbook)
        with closing(sqlite3.connect(logbook.path)) as connection, connection:
            connection.execute("UPDATE progress SET charge_coulombs = charge_coulombs + 1.0")

    patch.setattr(Logbook, "finish", sabotaged)


def fails_to_write(patch: Patch) -> None:
    """The journal stumbles over each snapshot."""
    patch.setattr(Journal, "follow", lambda _journal, _snapshot, _news: 1 / 0)


QUIET, STUCK, SHORT, OFF = (
    ("quiet", ()),
    ("single", ("sample_stuck",)),
    ("single", ("short_circuit",)),
    ("single", ("lead_off",)),
)
I2C = ("single", ("i2c_errors",))
SABOTAGES: dict[
    str, tuple[Callable[[Patch], None], tuple[str, tuple[str, ...]], dict[str, Any]]
] = {
    "state": (keeps_on, QUIET, {}),
    "fresh": (never_stale, STUCK, {}),
    "asked": (goes_on_by_itself, OFF, {}),
    "moves": (finishes_what_tripped, I2C, {"rescues": 2}),
    "latched": (renames_the_reason, I2C, {}),
    "in_time": (judges_nothing, SHORT, {}),
    "stop": (only_notes_requests, QUIET, {"deeds": (Deed(5.0, "stop"),)}),
    "answers": (cannot_pause, QUIET, {"deeds": (Deed(5.0, "pause"),)}),
    "charge": (loses_charge, QUIET, {}),
    "depth": (etches_through, QUIET, {"longest_s": 150.0}),
    "target": (stops_late, QUIET, {}),
    "book": (forges_the_book, QUIET, {}),
    "end": (ends_switched_on, QUIET, {"deeds": (Deed(5.0, "shutdown", 1.0),)}),
    "quiet": (fails_to_write, QUIET, {}),
    "row": (misnames, SHORT, {}),
}
"""For each invariant: what is broken, in which kind of run with which fault, and what that run
needs.
"""


@cache
def plain_scenario() -> Scenario:
    """Return a run at the default limits of 25 to 60 s that meets no ceiling by itself."""
    for number in range(182, 400):  # run 182 is the first one
        drawn = draw(SEED, number, "quiet", ())
        plan, request = drawn.plan, drawn.request
        is_plain = (
            request.thickness_mm is None
            and not request.gauge_stops_mm
            and request.stop_policy == "best-estimate"
        )
        is_true = drawn.spec.ramp_s == 0.0 and 0.97 < drawn.spec.bite_factor < 1.03
        if drawn.default_limits and is_plain and is_true and 25.0 < plan.duration_s < 60.0:
            return drawn
    raise AssertionError("no such run is drawn")


def scenario_for(kind: str, names: tuple[str, ...], changes: dict[str, Any]) -> Scenario:
    """Return the plain run with a fault after the grace."""
    drawn = plain_scenario()
    faults = tuple(Fault(name, 0.9 * drawn.plan.duration_s) for name in names)
    longest_s = 1.6 * drawn.plan.duration_s
    return replace(
        drawn, kind=kind, faults=faults, **{"rescues": 0, "longest_s": longest_s, **changes}
    )


@pytest.mark.parametrize("name", INVARIANTS)
def test_each_invariant_can_fail(name: str, monkeypatch: Patch) -> None:
    sabotage, (kind, faults), changes = SABOTAGES[name]
    scenario = scenario_for(kind, faults, changes)
    assert run_scenario(scenario)["violations"] == []
    sabotage(monkeypatch)
    violations = run_scenario(scenario)["violations"]
    assert f"[{name}]" in {text.split()[0] for text in violations}, violations


def forgets_the_end_of_the_range(patch: Patch) -> None:
    """A reading near the end of the range is counted like any other."""
    add = CoulombCounter.add

    def sabotaged(counter: CoulombCounter, sample: Any) -> None:
        counter.sure_a = math.inf
        add(counter, replace(sample, saturated=False))

    patch.setattr(CoulombCounter, "add", sabotaged)
    patch.setattr(CoulombCounter, "look", lambda _counter, _sample: None)


def books_too_little(patch: Patch) -> None:
    """Beyond the range a tenth of an ampere is thought possible at most."""
    new = CoulombCounter.__init__
    patch.setattr(
        CoulombCounter,
        "__init__",
        lambda counter, gap_s, bound_a, sure_a, most_a: new(counter, gap_s, bound_a, sure_a, 0.1),
    )


@pytest.mark.parametrize("sabotage", [forgets_the_end_of_the_range, books_too_little])
def test_charge_beyond_range(sabotage: Callable[[Patch], None], monkeypatch: Patch) -> None:
    """The run must state it as uncertain."""
    drawn = plain_scenario()
    settings = parse_settings(
        {"rig": {"shunt_ohm": 0.1, "max_current_a": 3.2}}
    )  # a breakout board's shunt, a stiff supply
    spec = replace(drawn.spec, shunt_ohm=0.1, supply_limit_a=None, supply_internal_ohm=0.02)
    scenario = replace(
        drawn,
        settings=settings,
        plan=make_plan(drawn.request, settings, 3.2),
        spec=replace(spec, supply_v=spec.set_point_v(drawn.plan.current_a)),
        faults=(Fault("short_circuit", 0.5 * drawn.plan.duration_s),),
        rescues=0,
    )
    outcome = run_scenario(scenario)
    assert (outcome["reason"], outcome["violations"], outcome["exempt_charge"]) == (
        "sensor_saturated",
        [],
        [],
    )
    sabotage(monkeypatch)
    violations = run_scenario(scenario)["violations"]
    assert any("beyond the sensor's range" in text for text in violations), violations


# --- the tables ----------------------------------------------------------------------------------


def test_measured_within_promised() -> None:
    found = measured()
    assert {"supply_runaway", "too much current", "short_circuit", "lead_off", "bus_stuck"} <= set(
        found
    )
    for fault, (p50_s, p99_s, most_s) in found.items():
        assert p50_s <= p99_s <= most_s <= worst_s(fault), fault


def test_quantiles_are_measured() -> None:
    values = [float(i) for i in range(1, 101)]
    assert [quantile(values, share) for share in (0.5, 0.99, 1.0)] == [50.0, 99.0, 100.0]
    assert quantile([7.0], 0.5) == quantile([7.0], 0.99) == 7.0


def test_confidence_bounds_of_a_share() -> None:
    """0 of n: 1 - 0.05^(1/n), the rule of three (Hanley, Lippman-Hand, JAMA 249, 1983). 10 of 100:
    0.0490 to 0.1762, the usual example of the exact interval of Clopper and Pearson, from
    memory."""
    assert binomial_interval(0, 1000) == (0.0, pytest.approx(1.0 - 0.05**1e-3, rel=1e-6))
    assert binomial_interval(0, 3000)[1] < 1e-3
    assert binomial_interval(10, 100) == (
        pytest.approx(0.0490, abs=1e-4),
        pytest.approx(0.1762, abs=1e-4),
    )
    assert binomial_interval(30, 30) == (pytest.approx(0.05 ** (1 / 30), rel=1e-6), 1.0)
