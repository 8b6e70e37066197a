"""Every rule just inside and just outside its limit, by count and by time, and their order."""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import FrozenInstanceError, fields, replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.config import Settings
from controller.messages import UNIT_SUFFIXES, Finding, Sample, TripReason
from controller.safety.guards import (
    LEAP_FRACTION,
    NEAR_FRACTION,
    STREAK,
    Streak,
    Streaks,
    calls_for_look,
    judge,
)
from controller.safety.limits import RULES, Confirm, Limits, RunFigures, limits_for
from tests.kits.doubles import PLACES, plan_for, silver_request

R = TripReason
LIMITS = Limits(
    max_voltage_v=6.0,
    max_current_a=3.9,
    reverse_current_a=0.05,
    short_circuit_v=0.35,
    short_circuit_a=1.5,
    lost_contact_a=0.3,
    lost_contact_s=1.0,
    weak_contact_a=1.8,
    weak_contact_s=10.0,
    contact_grace_s=20.0,
    open_circuit_s=3.0,
    max_on_time_s=900.0,
    max_charge_coulombs=2250.0,
    max_mean_depth_mm=0.46,
    least_metal_mm=None,
    bath_off_degc=45.0,
    bath_silent_pause_s=60.0,
)
STEP_S = 0.0686


def sample(
    current_a: float = 3.0,
    voltage_v: float = 3.0,
    at_s: float = 1000.0,
    averaged: bool = True,
    saturated: bool = False,
) -> Sample:
    return Sample(at_s, current_a, voltage_v, saturated, averaged)


def figures(**changes: float | None) -> RunFigures:
    return replace(
        RunFigures(on_time_s=100.0, stretch_s=100.0, charge_coulombs=300.0, depth_mm=0.04),
        **changes,
    )  # type: ignore[arg-type]


def streaks_of(last_a: float | None = None, **rows: Streak) -> Streaks:
    """Streaks in which some rules remember something, by reason; ``weak`` is weak contact."""
    names = [rule.reason.value if rule.case == "what" else rule.case for rule in RULES]
    assert set(rows) <= set(names)
    return Streaks(tuple(rows.get(name, Streak()) for name in names), last_a)


def row_of(streaks: Streaks, reason: TripReason, case: str = "what") -> Streak:
    (row,) = [
        row
        for rule, row in zip(RULES, streaks.rows, strict=True)
        if (rule.reason, rule.case) == (reason, case)
    ]
    return row


def feed(
    samples: Iterable[Sample], run: RunFigures | None = None, streaks: Streaks | None = None
) -> tuple[Streaks, Finding | None]:
    """Judge samples in turn up to the first finding."""
    streaks, finding = streaks or Streaks(), None
    for each in samples:
        streaks, finding = judge(LIMITS, streaks, each, run or figures())
        if finding is not None:
            break
    return streaks, finding


def reason(*samples: Sample, run: RunFigures | None = None) -> TripReason | None:
    finding = feed(samples, run)[1]
    return None if finding is None else finding.reason


def stretch(
    current_a: float, seconds: float, voltage_v: float = 3.0, from_s: float = 1000.0
) -> list[Sample]:
    """Return samples over a time, the last one exactly at its end."""
    steps = math.ceil(seconds / STEP_S)
    return [sample(current_a, voltage_v, from_s + seconds * i / steps) for i in range(steps + 1)]


EPS = 1e-9
STREAKED = [
    # reason, just inside, just outside
    (R.OVER_VOLTAGE, sample(voltage_v=6.0), sample(voltage_v=6.0 + EPS)),
    (R.OVER_CURRENT, sample(current_a=3.51 - EPS), sample(current_a=3.9 + EPS)),
    (R.REVERSE_CURRENT, sample(current_a=-0.05), sample(current_a=-0.05 - EPS)),
    (R.SHORT_CIRCUIT, sample(voltage_v=0.35), sample(voltage_v=0.35 - EPS)),
    (
        R.SHORT_CIRCUIT,
        sample(current_a=1.5 - EPS, voltage_v=0.1),
        sample(current_a=1.5, voltage_v=0.1),
    ),
    (
        R.OVER_VOLTAGE,
        sample(current_a=0.3 - EPS, voltage_v=9.0),
        sample(current_a=0.3, voltage_v=9.0),
    ),
]
CEILINGS = [
    (R.OVER_TIME, "on_time_s", 900.0, "s"),
    (R.OVER_CHARGE, "charge_coulombs", 2250.0, "C"),
    (R.DEPTH_LIMIT, "depth_mm", 0.46, "mm"),
    (R.BATH_HOT, "bath_degc", 45.0, "degC"),
    (R.THERMOMETER_SILENT, "bath_silent_s", 60.0, "s"),
]
BROKEN = [(r, bad) for r, _, bad in STREAKED[:4]]


# --- rules that want two samples -----------------------------------------------------------------


@pytest.mark.parametrize(("expected", "inside", "outside"), STREAKED)
def test_two_samples_trip(expected: TripReason, inside: Sample, outside: Sample) -> None:
    """Two samples just outside a limit trip; one alone, or any number just inside, never."""
    early = figures(stretch_s=5.0)  # contact is not judged: only the rule in question is
    assert STREAK == 2
    assert reason(*[inside] * 20, run=early) is None
    assert reason(outside, run=early) is None
    assert reason(outside, outside, run=early) is expected
    assert reason(inside, outside, inside, outside, inside, outside, run=early) is None, (
        "in a row, not in sum"
    )


def test_over_current_confirmed_by_neighbour() -> None:
    """A sample near the limit, or on the way to it, confirms a neighbour over the limit.

    A quick look carries up to 8 % of ripple, and a straddling sample shows only a part of the
    fault: neither may cost a third conversion.
    """
    assert (NEAR_FRACTION, LEAP_FRACTION) == (0.9, 0.5)
    over, at, near, below = sample(3.9 + EPS), sample(3.9), sample(3.51 + EPS), sample(3.51 - EPS)
    quick_near, quick_below = replace(near, averaged=False), replace(below, averaged=False)
    for borne_out in (
        [near, over],
        [over, near],
        [over, quick_near],
        [over, quick_below, near],
        [quick_near, over],
        [at, over],
    ):
        assert reason(*borne_out) is R.OVER_CURRENT
    straddling = [sample(2.0), sample(2.95 + EPS)]
    assert reason(*straddling, over) is R.OVER_CURRENT, "over half the way from 2 A to 3.9 A"
    assert reason(*straddling) is reason(sample(2.0), sample(2.95), over) is None
    assert reason(sample(2.0), replace(sample(2.95 + EPS), averaged=False), over) is None, (
        "a quick look does not straddle"
    )
    for not_borne_out in (
        [at] * 20,
        [over],
        [below, over, below, over, below],
        [over, quick_below, below, over],
        [near] * 20,
    ):
        assert reason(*not_borne_out) is None


@pytest.mark.parametrize(("expected", "bad"), BROKEN)
def test_quick_look_completes_streak(expected: TripReason, bad: Sample) -> None:
    """A quick second look completes a streak and never breaks one."""
    early = figures(stretch_s=5.0)
    good_look, bad_look = sample(averaged=False), replace(bad, averaged=False)
    assert reason(bad, bad_look, run=early) is expected
    assert reason(bad, good_look, bad, run=early) is expected, (
        "the ripple may hide the fault: a quick look does not acquit"
    )
    assert reason(bad, sample(), bad, run=early) is None, "an averaged sample does"


@pytest.mark.parametrize(("expected", "bad"), BROKEN)
def test_one_look_for_each_limit(expected: TripReason, bad: Sample) -> None:
    """A broken limit calls for one look, and for another only after an averaged sample acquits."""
    early, quick = figures(stretch_s=5.0), sample(averaged=False)
    assert not any(Streaks().broken())
    suspected, _ = feed([bad], early)
    assert sum(suspected.broken()) == 1
    assert calls_for_look(LIMITS, Streaks(), suspected, bad)
    looked, finding = feed([quick], early, suspected)
    assert looked.broken() == suspected.broken()
    assert finding is None
    assert not calls_for_look(LIMITS, suspected, looked, quick), (
        "once, or quick looks would follow each other"
    )
    acquitted, _ = feed([sample()], early, looked)
    assert not any(acquitted.broken())
    again, _ = feed([bad], early, acquitted)
    assert calls_for_look(LIMITS, acquitted, again, bad)
    _, finding = feed([bad, bad], early)
    assert finding is not None
    assert finding.reason is expected


def test_one_saturated_sample_trips() -> None:
    """Whatever else the sample shows, and also in the grace."""
    finding = feed([sample(saturated=True)], figures(stretch_s=0.0))[1]
    assert finding is not None
    assert finding.reason is R.SENSOR_SATURATED


# --- contact: rules that take time ---------------------------------------------------------------


@pytest.mark.parametrize(
    ("current_a", "seconds", "expected"),
    [
        (0.0, 1.0 - EPS, None),
        (0.0, 1.0, R.LOST_CONTACT),
        (0.3 - EPS, 1.0, R.LOST_CONTACT),
        (0.3, 1.0, None),
        (0.3, 10.0 - EPS, None),
        (0.3, 10.0, R.LOST_CONTACT),
        (1.8 - EPS, 10.0, R.LOST_CONTACT),
        (1.8, 60.0, None),
    ],
)
def test_lost_contact_limits(current_a: float, seconds: float, expected: TripReason | None) -> None:
    """Below 10 % of the plan for 1 s, or below 60 % for 10 s."""
    assert reason(*stretch(current_a, seconds)) is expected


def test_good_sample_restarts_time() -> None:
    """One good sample in between, and the time starts again."""
    broken = [*stretch(0.0, 0.9), sample(at_s=1000.95), *stretch(0.0, 0.9, from_s=1001.0)]
    assert reason(*broken) is None
    assert (
        reason(*stretch(1.0, 9.9), sample(at_s=1009.95), *stretch(1.0, 9.9, from_s=1010.0)) is None
    )


def test_contact_grace() -> None:
    """Contact is not judged in the first 20 s after the relay turned on."""
    streaks, finding = feed(stretch(0.0, 15.0), figures(stretch_s=20.0 - EPS))
    assert finding is None
    assert streaks.rows == Streaks().rows, "the grace leaves nothing behind"
    assert feed(stretch(0.0, 0.99, from_s=1015.1), figures(stretch_s=20.0), streaks)[1] is None, (
        "a full second from 20 s on"
    )
    assert feed(stretch(0.0, 1.0, from_s=1015.1), figures(stretch_s=20.0), streaks)[1] is not None


def test_grace_spares_contact_alone() -> None:
    """All other limits count from the first sample."""
    at_once = figures(stretch_s=0.0)
    for expected, bad in BROKEN:
        assert reason(bad, bad, run=at_once) is expected


def test_quick_look_keeps_lost_contact() -> None:
    """The ripple's peak in a quick look does not acquit a lost contact."""
    weak = stretch(1.0, 9.95)
    ripple_peak = sample(current_a=2.0, at_s=1009.96, averaged=False)
    assert reason(*weak, ripple_peak, sample(current_a=1.0, at_s=1010.0)) is R.LOST_CONTACT


# --- ceilings ------------------------------------------------------------------------------------


@pytest.mark.parametrize(("expected", "field", "limit", "unit"), CEILINGS)
def test_each_ceiling(expected: TripReason, field: str, limit: float, unit: str) -> None:
    """A ceiling trips on the first sample that reaches it."""
    assert reason(sample(), run=figures(**{field: math.nextafter(limit, 0.0)})) is None
    finding = feed([sample()], figures(**{field: limit}))[1]
    assert finding is not None
    assert (finding.reason, finding.value, finding.limit, finding.unit) == (
        expected,
        limit,
        limit,
        unit,
    )


def test_unknown_is_not_judged() -> None:
    """Without a thermometer or a thickness the rule does not apply."""
    assert reason(sample(), run=figures(bath_degc=None)) is None
    assert (
        judge(replace(LIMITS, max_mean_depth_mm=None), Streaks(), sample(), figures(depth_mm=99.0))[
            1
        ]
        is None
    )


# --- order ---------------------------------------------------------------------------------------


def test_open_circuit_is_lost_contact() -> None:
    """An open circuit at the supply's full voltage is lost contact, not over-voltage."""
    # A supply in constant current goes to its voltage limit when the plate is lifted.
    assert reason(*stretch(0.0, 5.0, voltage_v=15.0)) is R.LOST_CONTACT
    early = figures(stretch_s=4.0)
    assert reason(*stretch(0.0, 2.9, voltage_v=15.0), run=early) is None, "a film may take this"
    assert reason(*stretch(0.0, 3.2, voltage_v=15.0), run=early) is R.LOST_CONTACT
    assert reason(*stretch(0.0, 5.0, voltage_v=6.0), run=early) is None, "not at full voltage"


def test_order_of_reasons() -> None:
    """Everything is wrong at once, and the first rule in the list names the reason."""
    every = figures(on_time_s=1e9, charge_coulombs=1e9, depth_mm=9.0, bath_degc=99.0)
    two = Streak(2)
    broken = {
        "over_voltage": two,
        "over_current": Streak(2, None, 4.0),
        "short_circuit": two,
    }
    lost = {"lost_contact": Streak(2, 990.0), "weak": Streak(2, 980.0)}
    ready = streaks_of(**broken, **lost, reverse_current=two)
    found: list[tuple[TripReason, float | None]] = []
    cases: list[tuple[Sample, Streaks, RunFigures]] = [
        (sample(-1.0), ready, every),
        (sample(1.0), ready, every),
        (sample(-1.0), streaks_of(**broken, reverse_current=two), every),
        (sample(4.0, 7.0), streaks_of(**broken), every),
        (
            sample(4.0, 0.1),
            streaks_of(short_circuit=two, over_current=Streak(2, None, 4.0)),
            every,
        ),
        (sample(4.0), streaks_of(over_current=Streak(2, None, 4.0)), every),
        (sample(), Streaks(), every),
        (sample(), Streaks(), replace(every, on_time_s=1.0)),
        (sample(), Streaks(), replace(every, on_time_s=1.0, charge_coulombs=1.0)),
        (sample(), Streaks(), replace(every, on_time_s=1.0, charge_coulombs=1.0, depth_mm=0.1)),
    ]
    for each, streaks, run in cases:
        finding = judge(LIMITS, streaks, each, run)[1]
        assert finding is not None
        found.append((finding.reason, finding.limit))
    assert found == [
        (R.LOST_CONTACT, 0.3),
        (R.LOST_CONTACT, 1.8),
        (R.REVERSE_CURRENT, -0.05),
        (R.OVER_VOLTAGE, 6.0),
        (R.SHORT_CIRCUIT, 0.35),
        (R.OVER_CURRENT, 3.9),
        (R.OVER_TIME, 900.0),
        (R.OVER_CHARGE, 2250.0),
        (R.DEPTH_LIMIT, 0.46),
        (R.BATH_HOT, 45.0),
    ]


def test_short_with_over_current() -> None:
    """A short that also draws too much current is named a short."""
    assert reason(sample(5.0, 0.1), sample(5.0, 0.1)) is R.SHORT_CIRCUIT


def test_streaks_fit_rules() -> None:
    """A row too few is a fault of the program, never a rule that is left out."""
    short = Streaks(Streaks().rows[1:])
    with pytest.raises(ValueError, match="zip"):
        judge(LIMITS, short, sample(), figures())
    with pytest.raises(ValueError, match="zip"):
        short.broken()


def test_ceiling_remembers_nothing() -> None:
    """A quick look keeps a streak alive, and a ceiling has none: it may have been raised."""
    over = Streak(1, 990.0)
    ready = streaks_of(over_time=over, over_charge=over, depth_limit=over, bath_hot=over)
    after, finding = judge(LIMITS, ready, sample(averaged=False), figures(bath_degc=20.0))
    assert finding is None
    assert after.rows == Streaks().rows


def test_limit_far_below_one_ampere() -> None:
    """A small plate: 0.3 A planned, 0.39 A its limit, contact judged in the same shares."""
    small = replace(LIMITS, max_current_a=0.39, lost_contact_a=0.03, weak_contact_a=0.18)
    early = figures(stretch_s=5.0)
    first, _ = judge(small, Streaks(), sample(0.4), early)
    assert calls_for_look(small, Streaks(), first, sample(0.4))
    finding = judge(small, first, sample(0.41), early)[1]
    assert finding is not None
    assert (finding.reason, finding.value, finding.limit) == (R.OVER_CURRENT, 0.41, 0.39)


def test_finding_has_value_and_limit() -> None:
    """Of several samples over the current limit the largest is reported."""
    finding = feed([sample(4.1), sample(4.2)])[1]
    assert finding is not None
    assert (finding.value, finding.limit, finding.unit) == (4.2, 3.9, "A")
    finding = feed([sample(4.2), sample(4.1)])[1]
    assert finding is not None
    assert finding.value == 4.2, "the largest of the row"
    finding = feed([sample(4.1), sample(3.6)])[1]
    assert finding is not None
    assert (finding.value, finding.limit) == (4.1, 3.9), (
        "what broke the limit, not what bears it out"
    )


# --- whatever comes ------------------------------------------------------------------------------

inside_samples = st.tuples(st.floats(1.8, 3.9), st.floats(0.35, 6.0), st.booleans())


@given(
    st.lists(inside_samples, max_size=60),
    st.floats(0.0, 899.9),
    st.floats(0.0, 2249.9),
    st.floats(0.0, 0.4599),
)
def test_no_finding_inside_limits(
    readings: list[tuple[float, float, bool]],
    on_time_s: float,
    charge_coulombs: float,
    depth_mm: float,
) -> None:
    """No samples inside all limits trip."""
    run = figures(
        on_time_s=on_time_s,
        stretch_s=on_time_s,
        charge_coulombs=charge_coulombs,
        depth_mm=depth_mm,
        bath_degc=44.9,
    )
    samples = [
        sample(i, v, 1000.0 + n * STEP_S, averaged) for n, (i, v, averaged) in enumerate(readings)
    ]
    streaks, finding = feed(samples, run)
    assert finding is None
    near = row_of(streaks, R.OVER_CURRENT)
    assert near.over_a is None
    calm = streaks_of(streaks.last_a, over_current=near)
    assert streaks == calm


@given(
    before=st.lists(inside_samples, max_size=10),
    looks=st.lists(inside_samples, max_size=3),
    bad=st.sampled_from(
        [
            ("over_voltage", lambda x: (3.0, 6.0 + x)),
            ("over_current", lambda x: (3.9 + x, 3.0)),
            ("reverse_current", lambda x: (-0.05 - x, 3.0)),
            ("short_circuit", lambda x: (3.0, 0.35 - x)),
        ]
    ),
    sizes=st.tuples(st.floats(1e-6, 9.0), st.floats(1e-6, 9.0)),
    quick=st.booleans(),
    stretch_s=st.floats(0.0, 500.0),
)
def test_any_two_samples_trip(
    before: list[tuple[float, float, bool]],
    looks: list[tuple[float, float, bool]],
    bad: tuple[str, object],
    sizes: tuple[float, float],
    quick: bool,
    stretch_s: float,
) -> None:
    """Any two samples over one limit trip, with quick looks in between or without."""
    name, make = bad
    readings = [
        *before,
        (*make(sizes[0]), True),
        *[(i, v, False) for i, v, _ in looks],
        (*make(sizes[1]), not quick),
    ]  # type: ignore[operator]
    samples = [
        sample(i, v, 1000.0 + n * STEP_S, averaged) for n, (i, v, averaged) in enumerate(readings)
    ]
    assert reason(*samples, run=figures(stretch_s=stretch_s)) is TripReason(name)


# --- the table of rules --------------------------------------------------------------------------


def test_each_rule_once() -> None:
    """Reason and case name a rule, so the order of judgement is the order of this list."""
    assert [(rule.reason.value, rule.case, rule.confirm) for rule in RULES] == [
        ("lost_contact", "what", Confirm.LASTING),
        ("lost_contact", "weak", Confirm.LASTING),
        ("lost_contact", "full_voltage", Confirm.LASTING),
        ("reverse_current", "what", Confirm.TWO_SAMPLES),
        ("over_voltage", "what", Confirm.TWO_SAMPLES),
        ("short_circuit", "what", Confirm.TWO_SAMPLES),
        ("over_current", "what", Confirm.NEIGHBOUR),
        ("over_time", "what", Confirm.AT_ONCE),
        ("over_charge", "what", Confirm.AT_ONCE),
        ("depth_limit", "what", Confirm.AT_ONCE),
        ("depth_limit", "metal_left", Confirm.AT_ONCE),
        ("bath_hot", "what", Confirm.AT_ONCE),
        ("thermometer_silent", "what", Confirm.AT_ONCE),
    ]


def test_each_rule_has_its_setting() -> None:
    settings = set(Settings().limits.model_dump())
    assert {rule.setting for rule in RULES} - settings == {None}, "the charge ceiling has none"
    assert [rule.reason for rule in RULES if rule.setting is None] == [R.OVER_CHARGE]
    assert {rule.unit for rule in RULES} <= set(UNIT_SUFFIXES)
    at_once = {rule.lasts_s(LIMITS) for rule in RULES if rule.confirm is not Confirm.LASTING}
    assert at_once == {0.0}, "a rule that states no time waits for none"


# --- limits of a run -----------------------------------------------------------------------------


def test_limits_from_plan_and_settings() -> None:
    """Each limit of a run comes from its plan or from the settings."""
    settings = Settings()
    plan = plan_for(silver_request(), settings, 16.0)
    limits = limits_for(plan, settings.limits)
    assert limits == Limits(
        max_voltage_v=6.0,
        max_current_a=pytest.approx(3.9),
        reverse_current_a=0.05,
        short_circuit_v=0.35,
        short_circuit_a=pytest.approx(1.5),
        lost_contact_a=pytest.approx(0.3),
        lost_contact_s=1.0,
        weak_contact_a=pytest.approx(1.8),
        weak_contact_s=10.0,
        contact_grace_s=20.0,
        open_circuit_s=3.0,
        max_on_time_s=plan.max_on_time_s,
        max_charge_coulombs=plan.max_charge_coulombs,
        max_mean_depth_mm=plan.max_mean_depth_mm,
        least_metal_mm=None,
        bath_off_degc=45.0,
        bath_silent_pause_s=60.0,
    )
    assert (
        limits_for(
            plan_for(silver_request(thickness_mm=None), settings, 16.0), settings.limits
        ).max_mean_depth_mm
        is None
    )


def test_all_limits_are_numbers() -> None:
    """Only the depth limit may be None: places or the mean, the other of the two is not there."""
    for places, absent in (((), "least_metal_mm"), (PLACES, "max_mean_depth_mm")):
        plan = plan_for(silver_request(places=places), Settings(), 16.0)
        limits = limits_for(plan, Settings().limits)
        numbers = {f.name for f in fields(limits) if isinstance(getattr(limits, f.name), float)}
        assert {f.name for f in fields(limits)} - numbers == {absent}


def test_metal_left_trips() -> None:
    """The run trips when the metal under the deepest place has come down to the limit."""
    limits = replace(LIMITS, least_metal_mm=0.6)
    after = math.nextafter(0.6, 1.0)
    assert judge(limits, Streaks(), sample(), figures(metal_left_mm=after))[1] is None
    finding = judge(limits, Streaks(), sample(), figures(metal_left_mm=0.6))[1]
    assert finding is not None
    assert (finding.reason, finding.case, finding.value) == (R.DEPTH_LIMIT, "metal_left", 0.6)
    assert "about 0.60 mm of metal is left" in str(finding.what)


@pytest.mark.parametrize(
    "value",
    [LIMITS, Streak(), Streaks(), RULES[0], figures()],
    ids=lambda value: type(value).__name__,
)
def test_values_are_frozen(value: object) -> None:
    """And they have no attributes but their fields."""
    with pytest.raises(FrozenInstanceError):
        setattr(value, fields(value)[0].name, 0.0)  # type: ignore[arg-type]
    assert not hasattr(value, "__dict__")


def test_exactly_near_confirms() -> None:
    """A current at exactly 90 % of the limit confirms a neighbour over it."""
    near = sample(NEAR_FRACTION * LIMITS.max_current_a)
    assert reason(near, sample(3.9 + EPS)) is R.OVER_CURRENT
    assert reason(sample(math.nextafter(near.current_a, 0.0)), sample(3.9 + EPS)) is None


@pytest.mark.parametrize("name", ["max_charge_coulombs", "max_on_time_s", "max_voltage_v"])
def test_missing_limit_is_a_bug(name: str) -> None:
    """A limit that is not there must not turn its guard off: the bug trips the run."""
    limits = replace(LIMITS, **{name: None})
    figures = RunFigures(on_time_s=1e9, stretch_s=100.0, charge_coulombs=1e9, depth_mm=0.1)
    with pytest.raises(TypeError):
        judge(limits, Streaks(), Sample(1000.0, 3.0, 3.0), figures)
