"""The bookkeeping of one run."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.config import Settings
from controller.messages import Sample, TripReason
from controller.physics.attack import AttackRate
from controller.physics.charge import ChargeGapError
from controller.physics.readings import GaugeReading
from controller.safety.acid_time import acid_pace, acid_s, learner_of, noted
from controller.safety.run import SMOOTHING_S, ActiveRun, new_run
from controller.safety.trends import SAMPLES_PER_BLOCK
from controller.texts import Message
from tests.kits.doubles import PLACES, plan_for, silver_request

SETTINGS = Settings()
PLAN = plan_for(silver_request(), SETTINGS, 16.0)
STEP_S = 0.0686


def begun(at_s: float = 1000.0) -> ActiveRun:
    run = new_run("r1", PLAN, SETTINGS.limits)
    run.begin_stretch(at_s, Sample(at_s, 0.0, 0.2))
    return run


def feed(run: ActiveRun, seconds: float, current_a: float = 3.0, from_s: float = 1000.0) -> float:
    """Count samples over a time; return when the last one was taken."""
    steps = round(seconds / STEP_S)
    for i in range(1, steps + 1):
        run.count(Sample(from_s + seconds * i / steps, current_a, 3.0))
    return from_s + seconds


def test_new_run_is_empty() -> None:
    """A run that has not begun has counted nothing."""
    run = new_run("r1", PLAN, SETTINGS.limits)
    totals = run.totals(5000.0)
    assert (
        totals.on_time_s,
        totals.charge_coulombs,
        totals.uncertain_charge_coulombs,
        totals.depth_mm,
    ) == (0.0, 0.0, 0.0, 0.0)
    assert not run.counter.is_counting
    assert not run.has_reached_target(0.0)
    assert run.counter.max_gap_s == SETTINGS.limits.max_sample_age_s
    assert run.counter.bound_a == run.limits.max_current_a == pytest.approx(3.9)


def test_figures_halfway() -> None:
    run = begun()
    at_s = feed(run, 300.0)
    totals = run.totals(at_s)
    # The first interval rises from 0 to 3 A: half a step's charge less than 3 A for 300 s.
    assert totals.charge_coulombs == pytest.approx(900.0 - 0.5 * 3.0 * STEP_S, abs=0.01)
    assert totals.on_time_s == 300.0
    assert totals.depth_mm == pytest.approx(
        0.25 * totals.charge_coulombs / PLAN.charge_coulombs, rel=1e-3
    )
    assert run.remaining_s(at_s) == pytest.approx(
        (PLAN.charge_coulombs - totals.charge_coulombs) / 3.0, rel=1e-5
    )


def test_target_at_planned_charge() -> None:
    """The target is reached at the planned charge and time, and not before.

    A run that took longer stops at less charge: the acid has bitten for longer.
    """
    run = begun()
    end_s = 1000.0 + PLAN.duration_s
    run.counter.charge_coulombs = PLAN.charge_coulombs - 1e-6
    assert not run.has_reached_target(end_s)
    run.counter.charge_coulombs = PLAN.charge_coulombs + 1e-6
    assert run.has_reached_target(end_s)
    assert run.depth(end_s).best_mm == pytest.approx(0.25)
    assert run.remaining_s(end_s) == 0.0
    run.counter.charge_coulombs -= PLAN.acid_bite.coulombs(3600.0)
    assert not run.has_reached_target(end_s + 3590.0)
    assert run.has_reached_target(end_s + 3600.0)


def test_on_time_leaves_out_pauses() -> None:
    """On time adds up over the stretches and leaves out the pauses."""
    run = begun(1000.0)
    run.end_stretch(1010.0)
    run.end_stretch(1020.0)
    assert run.total_on_time_s(1500.0) == 10.0, "ended once"
    run.begin_stretch(1600.0, Sample(1600.0, 0.0, 0.2))
    assert run.total_on_time_s(1605.0) == 15.0
    run.end_stretch(1605.0)
    assert run.on_time_s == 15.0
    assert run.counter.is_counting, "counting goes on until the current is zero"


def test_cancelled_stretch_leaves_no_trace() -> None:
    """A stretch whose relay never turned on leaves no trace."""
    run = begun()
    run.cancel_stretch(1016.0)
    assert not run.counter.is_counting
    assert run.total_on_time_s(2000.0) == 0.0


def test_mean_current_time_constant() -> None:
    run = begun()
    at_s = feed(run, 30.0, 3.0)
    at_s = feed(run, SMOOTHING_S, 2.0, at_s)
    # After one time constant 1/e of the old value is left.
    assert run.mean_current_a == pytest.approx(2.0 + 1.0 / 2.718281828, rel=0.01)
    feed(run, 60.0, 2.0, at_s)
    assert run.mean_current_a == pytest.approx(2.0, rel=1e-4)


def test_time_left_without_current() -> None:
    """The time left is unknown while hardly any current flows."""
    run = begun()
    assert run.remaining_s(1000.0) == pytest.approx(PLAN.charge_coulombs / 3.0), (
        "before the first sample the planned current is used"
    )
    at_s = feed(run, 60.0, 0.29)
    assert run.remaining_s(at_s) is None, "below the limit of lost contact"
    at_s = feed(run, 60.0, 0.31, at_s)
    missing_coulombs = PLAN.charge_coulombs - run.counter.charge_coulombs
    assert run.remaining_s(at_s) == pytest.approx(
        missing_coulombs / (0.31 + PLAN.acid_bite.equivalent_a), rel=3e-3
    )
    run.mean_current_a = run.limits.lost_contact_a
    assert run.remaining_s(at_s) is None, "at the limit"


def test_time_left_at_turn_on() -> None:
    """A first sample, half on and half off, does not make the time left jump."""
    run = begun()
    run.count(Sample(1000.0 + STEP_S, 0.4, 1.0))
    assert run.remaining_s(1000.0 + STEP_S) == pytest.approx(PLAN.charge_coulombs / 3.0, rel=0.02)


def test_stretch_starts_fresh() -> None:
    """Each stretch begins with a fresh mean and fresh streaks."""
    run = begun()
    feed(run, 10.0, 1.0)
    assert run.judge(Sample(1010.1, 9.0, 3.0), None) is None
    assert run.wants_second_look
    run.end_stretch(1010.2)
    run.begin_stretch(1100.0, Sample(1100.0, 0.0, 0.2))
    assert not run.wants_second_look
    assert run.mean_current_a == 3.0
    assert run.judge(Sample(1100.1, 9.0, 3.0), None) is None
    finding = run.judge(Sample(1100.2, 9.0, 3.0), None)
    assert finding is not None
    assert finding.reason is TripReason.OVER_CURRENT


def test_contact_grace_each_stretch() -> None:
    """The grace for contact begins again with each stretch."""
    run = begun()
    run.end_stretch(1500.0)
    run.begin_stretch(1600.0, Sample(1600.0, 0.0, 0.2))
    assert [run.judge(Sample(1600.0 + t, 0.0, 0.0), None) for t in (1.0, 10.0, 19.9)] == [None] * 3
    assert run.judge(Sample(1620.0, 0.0, 0.0), None) is None
    finding = run.judge(Sample(1621.0, 0.0, 0.0), None)
    assert finding is not None
    assert finding.reason is TripReason.LOST_CONTACT


@pytest.mark.parametrize("passed", range(0, SAMPLES_PER_BLOCK, 3))
def test_open_circuit_is_lost_contact(passed: int) -> None:
    """An open circuit is lost contact, wherever it begins within a mean of the voltage.

    A constant-current supply goes to its full voltage, which must not count as a risen cell
    voltage meanwhile.
    """
    run, at_s, finding = begun(), 1000.0, None
    for _ in range(2000 + passed):  # over 120 s, the mean of the voltage is judged
        at_s += STEP_S
        assert run.judge(Sample(at_s, 3.0, 3.0), None) is None
    while finding is None:
        at_s += STEP_S
        finding = run.judge(Sample(at_s, 0.0, 14.0), None)
    assert finding.reason is TripReason.LOST_CONTACT


def looks(*currents_a: float, quick: bool = False) -> list[bool]:
    """Return after which sample of a run at these currents a quick second look is wanted."""
    run, wanted = begun(), []
    for i, current_a in enumerate(currents_a):
        last = i == len(currents_a) - 1
        assert (
            run.judge(
                Sample(1000.0 + STEP_S * (i + 1), current_a, 3.0, averaged=not (quick and last)),
                None,
            )
            is None
        )
        wanted.append(run.wants_second_look)
    return wanted


def test_when_second_look_is_wanted() -> None:
    """A second look follows the first broken limit and a fall towards reverse current."""
    assert looks(3.0, 2.99, 3.01, 3.0) == [False] * 4
    assert looks(3.0, 3.91) == [False, True]
    assert looks(3.0, 3.89, 3.0) == [False] * 3, (
        "a quick look on the way up would only put off the next average"
    )
    # Half the way from 3 A to -0.05 A is 1.475 A: the leads may have been swapped within such a
    # sample.
    assert looks(3.0, 1.474) == [False, True]
    assert looks(3.0, 1.476) == [False, False]
    assert looks(3.0, 0.5 * (3.0 - 0.05)) == [False, False], "half the way is not over it"
    assert looks(1.474) == [False], "the first sample of a stretch has nothing to compare with"
    assert looks(3.0, 1.474, 1.4) == [False, True, False], "once"
    assert looks(3.0, 1.474, quick=True) == [False, False], "a quick look does not straddle"


def test_one_look_per_suspicion() -> None:
    run = begun()
    for k, (current_a, averaged, wanted) in enumerate(
        [
            (3.0, True, False),
            (3.95, True, True),
            (3.0, False, False),
            (3.0, True, False),
            (3.95, True, True),
        ]
    ):
        assert (
            run.judge(Sample(1000.0 + STEP_S * (k + 1), current_a, 3.0, averaged=averaged), None)
            is None
        )
        assert run.wants_second_look is wanted, k


def test_guards_see_whole_run() -> None:
    """The guards see the on time, charge and depth of the whole run, and the bath."""
    late = begun()
    late.on_time_s = PLAN.max_on_time_s - 5.0
    assert late.judge(Sample(1004.9, 3.0, 3.0), None) is None
    finding = late.judge(Sample(1005.0, 3.0, 3.0), None)
    assert finding is not None
    assert finding.reason is TripReason.OVER_TIME

    full = begun()
    full.counter.charge_coulombs = PLAN.max_charge_coulombs
    finding = full.judge(Sample(1000.1, 3.0, 3.0), None)
    assert finding is not None
    assert finding.reason is TripReason.OVER_CHARGE

    deep = new_run(
        "r2", plan_for(silver_request(thickness_mm=0.5), SETTINGS, 16.0), SETTINGS.limits
    )
    deep.begin_stretch(1000.0, Sample(1000.0, 0.0, 0.2))
    deep.counter.charge_coulombs = PLAN.charge_coulombs * 0.5 / 2.6 / 0.25 + 3.5
    finding = deep.judge(Sample(1000.1, 3.0, 3.0), None)
    assert finding is not None
    assert finding.reason is TripReason.DEPTH_LIMIT

    finding = begun().judge(Sample(1000.1, 3.0, 3.0), 45.0)
    assert finding is not None
    assert finding.reason is TripReason.BATH_HOT


def test_gap_widens_upper_bound() -> None:
    """A gap is booked and widens the upper bound only."""
    run = begun()
    at_s = feed(run, 100.0)
    before = run.depth(0.0)
    with pytest.raises(ChargeGapError):
        run.count(Sample(at_s + 2.0, 3.0, 3.0))
    after = run.depth(0.0)
    assert run.totals(at_s + 2.0).uncertain_charge_coulombs == pytest.approx(2.0 * 3.9)
    assert (after.best_mm, after.low_mm) == (before.best_mm, before.low_mm)
    assert after.high_mm > before.high_mm


def test_cancelled_stretch_keeps_soaking() -> None:
    """After a cancelled stretch the plate is still in the bath."""
    run = begun()
    run.cancel_stretch(1016.0)
    assert run.soak.seconds(1616.0) == pytest.approx(600.0)


def test_growth_follows_undercut() -> None:
    """The open area grows by the undercut: A + P x + pi x^2 over A (Steiner).

    At etch factor 1.2 a depth of 0.24 mm has undercut 0.20 mm.
    """
    run = new_run("r1", plan_for(silver_request(edge_mm=1534.0), SETTINGS, 16.0), SETTINGS.limits)
    run.begin_stretch(1000.0, Sample(1000.0, 0.0, 0.2))
    assert run.plan.belief.best_etch_factor == pytest.approx(1.2)
    grown = run._expected(0.24, None).growth_fraction
    assert grown == pytest.approx((767.0 + 1534.0 * 0.20 + 3.14159265 * 0.20**2) / 767.0, rel=1e-6)
    run._begun_at_mm = 0.12
    half = run._expected(0.24, None).growth_fraction
    before = (767.0 + 1534.0 * 0.10 + 3.14159265 * 0.10**2) / 767.0
    assert half == pytest.approx(grown / before, rel=1e-6)


STIRRING = Message("guards.warning.resistance")


def test_warning_is_given_once() -> None:
    """A warning is given when it comes, and again only when it has gone and comes back.

    Another warning in between does not repeat it.
    """
    run = begun()
    warm = SETTINGS.limits.bath_warn_degc
    assert run.judge(Sample(1000.1, 3.0, 3.0), warm) is None
    (bath,) = run.take_new_warnings()
    assert bath.key == "guards.warning.bath_warm"
    run._trend = replace(run._trend, warnings=(STIRRING,))
    assert run.take_new_warnings() == (STIRRING,)
    assert run.take_new_warnings() == ()
    assert run.judge(Sample(1000.2, 3.0, 3.0), warm - 1.0) is None
    assert run.take_new_warnings() == ()
    assert run.judge(Sample(1000.3, 3.0, 3.0), warm) is None
    assert run.take_new_warnings() == (bath,)


# --- places ---------------------------------------------------------------------------------------


def placed_run(**changes: object) -> ActiveRun:
    plan = plan_for(silver_request(places=PLACES, **changes), SETTINGS, 16.0)
    run = new_run("r1", plan, SETTINGS.limits)
    run.begin_stretch(1000.0, Sample(1000.0, 0.0, 0.2))
    return run


def test_depth_is_at_the_target_place() -> None:
    run = placed_run()
    at_s = feed(run, 300.0)
    charge = run.counter.charge_coulombs
    bite, acid = run.plan.acid_bite, acid_s(run, at_s)
    assert acid == pytest.approx(300.0, abs=1.0)
    assert run.depth(at_s) == bite.estimate(run.plan.target_table, charge, acid)
    assert run.depth(at_s) == run.expected_at("widest-floor-middle", at_s)
    mean = run.expected_at(None, at_s)
    assert mean == bite.estimate(run.plan.table, charge, acid)
    assert mean is not None
    assert run.depth(at_s).best_mm < mean.best_mm
    assert run.expected_at("nowhere", at_s) is None
    assert [place.name for place in run.places(at_s)] == [place.name for place in PLACES]
    assert run.places(at_s)[0].depth_mm == run.depth(at_s).best_mm


def test_gauge_stop_at_the_target_place() -> None:
    run = placed_run(gauge_stops_mm=(0.1,))
    at_s = 1000.0
    while not run.reaches_gauge_stop(at_s):
        at_s = feed(run, 5.0, from_s=at_s)
    assert run.plan.target_table.at(run.counter.charge_coulombs).best_mm == pytest.approx(
        0.1, abs=0.003
    )


def test_metal_left_in_the_figures() -> None:
    """Missing charge and time in the acid without current take metal away, once for each side."""
    one, both = placed_run(), placed_run(sides=2)
    for run, sides in ((one, 1), (both, 2)):
        at_s = feed(run, 300.0)
        deepest_mm = run.places(at_s)[-1].depth_high_mm
        left_mm = run.totals(at_s).metal_left_mm
        # Bite factor and attack at their upper ends at once: a little deeper than the place's end.
        assert 1.2 - sides * (deepest_mm + 5e-3) < left_mm <= 1.2 - sides * deepest_mm
        run.end_stretch(at_s)
        soaked_mm = run.soak.upper_mm(at_s + 600.0)
        assert soaked_mm > 0.0
        assert run.metal_left_mm(at_s + 600.0) == pytest.approx(left_mm - sides * soaked_mm)
        assert run.places(at_s + 600.0)[0].depth_high_mm == pytest.approx(
            run.depth(at_s + 600.0).high_mm
        )
        run.counter.uncertain_coulombs = 50.0
        assert run.metal_left_mm(at_s + 600.0) < left_mm - sides * soaked_mm - 0.005


def test_thin_sheet_trips() -> None:
    run = placed_run(thickness_mm=0.4)
    at_s, finding = 1000.0, None
    while finding is None:
        at_s = feed(run, 1.0, from_s=at_s)
        finding = run.judge(Sample(at_s, 3.0, 3.0), None)
        assert at_s < 1600.0
    assert (finding.reason, finding.case) == (TripReason.DEPTH_LIMIT, "metal_left")
    assert finding.limit == pytest.approx(0.2)
    assert run.places(at_s)[-1].depth_mm == pytest.approx(0.2, abs=3e-3)


def test_ordinary_plate_reaches_its_target() -> None:
    """0.25 mm in a sheet of 1.2 mm before any reading. Common practice, no source."""
    run = placed_run(thickness_mm=1.2)
    at_s = 1000.0
    while not run.has_reached_target(at_s):
        at_s = feed(run, 1.0, from_s=at_s)
        assert run.judge(Sample(at_s, 3.0, 3.0), None) is None
        assert at_s < 3000.0
    left_mm, thinnest_mm = run.likely_metal_left_mm(at_s), run.metal_left_mm(at_s)
    assert left_mm is not None
    assert thinnest_mm is not None
    assert left_mm > 0.6, "the guard waits for this"
    assert thinnest_mm < left_mm - 0.05
    run.counter.uncertain_coulombs = 50.0
    assert run.likely_metal_left_mm(at_s) < left_mm - 0.005


def acid_run(source: str) -> ActiveRun:
    """Return a run in an acid that bites fast, its rate weighed or only guessed."""
    run = placed_run()
    rate = AttackRate(0.5, 0.1 if source == "coupon" else 1.0, source)
    run.plan = replace(run.plan, acid_bite=replace(run.plan.acid_bite, rate=rate, equivalent_a=1.5))
    return run


def test_later_acid_leaves_a_reading_alone() -> None:
    """What was gauged before the plate stayed in the acid is not learned again at that pace."""
    run = acid_run("coupon")
    at_s = feed(run, 300.0)
    run.end_stretch(at_s)
    run.soak.end(at_s)
    reading = noted(run, GaugeReading(run.counter.charge_coulombs, (0.13,) * 3))
    assert reading.acid_s == pytest.approx(300.0, abs=1.0)
    before, pace = learner_of(run, [reading]), acid_pace(run, [reading])
    run.soak.begin(at_s)
    run.soak.end(at_s + 3600.0)
    assert acid_s(run, at_s + 3600.0) == pytest.approx(3900.0, abs=1.0)
    assert learner_of(run, [reading]).belief() == before.belief()
    assert acid_pace(run, [reading]) == pace
    unnoted = replace(reading, acid_s=None)
    assert learner_of(run, [unnoted]).belief() != before.belief(), "as it was read before"


def test_soak_of_the_guard_is_likely() -> None:
    """The best estimate of the metal left loses what the acid likely took, not what it might."""
    run = acid_run("metal")
    at_s = feed(run, 300.0)
    run.end_stretch(at_s)
    left_mm = run.likely_metal_left_mm(at_s)
    assert left_mm is not None
    later_mm = run.likely_metal_left_mm(at_s + 3600.0)
    assert later_mm == pytest.approx(left_mm - 0.5e-3 * 60.0, abs=1e-6)


def test_growth_follows_the_mean() -> None:
    """The open area grows with the mean depth, not with that of the shallow middle."""
    plan = plan_for(silver_request(places=PLACES, edge_mm=1500.0), SETTINGS, 16.0)
    run = new_run("r1", plan, SETTINGS.limits)
    run.begin_stretch(1000.0, Sample(1000.0, 0.0, 0.2))
    at_s = feed(run, 300.0)
    factor = plan.belief.best_etch_factor
    mean = run.expected_at(None, at_s)
    assert mean is not None
    mean_mm = mean.best_mm
    expected = run._expected(run.depth(at_s).best_mm, None)
    assert expected.growth_fraction == pytest.approx(
        plan.growth.area_mm2(mean_mm / factor) / plan.growth.area_mm2(0.0), rel=1e-4
    )
