"""The rig check before anything is switched on, and the watch after every off."""

from __future__ import annotations

import pytest

from controller.config import LimitSettings
from controller.messages import Finding, Sample, TripReason
from controller.safety.checks import OffWatch, check_rig

R = TripReason
LIMITS = LimitSettings()
MAX_OFFSET_A = 0.010
EPS = 1e-9


def off_samples(
    current_a: float = 0.0, voltage_v: float = 0.2, count: int = 16, saturated: bool = False
) -> list[Sample]:
    return [
        Sample(100.0 + 0.0686 * i, current_a, voltage_v, saturated and i == 3) for i in range(count)
    ]


@pytest.mark.parametrize(
    ("current_a", "voltage_v", "expected"),
    [
        (0.0, 0.2, None),
        (0.010 - EPS, 1.5, None),
        (-0.010 + EPS, 0.2, None),
        (0.010 + EPS, 0.2, R.ZERO_OFFSET),
        (-0.010 - EPS, 0.2, R.ZERO_OFFSET),
        (0.020 - EPS, 0.2, R.ZERO_OFFSET),
        (0.020 + EPS, 0.2, R.RELAY_WELDED),
        (-0.020 - EPS, 0.2, R.RELAY_WELDED),
        (0.0, 1.5 + EPS, R.RELAY_WELDED),
        (0.011, 3.0, R.RELAY_WELDED),
    ],
)
def test_check_at_its_limits(
    current_a: float, voltage_v: float, expected: TripReason | None
) -> None:
    """Just inside and just outside each limit."""
    report = check_rig(off_samples(current_a, voltage_v), LIMITS, MAX_OFFSET_A)
    assert (None if report.finding is None else report.finding.reason) is expected
    assert report.zero_offset_a == pytest.approx(current_a)
    assert [item.passed for item in report.items] == [abs(current_a) <= 0.010, voltage_v <= 1.5]
    assert [(item.name, item.unit) for item in report.items] == [
        ("zero offset", "A"),
        ("cell voltage", "V"),
    ]


def test_offset_is_a_mean() -> None:
    """The zero offset is the mean of the samples."""
    samples = [Sample(float(i), 0.001 * (i % 3), 0.2) for i in range(15)]
    assert check_rig(samples, LIMITS, MAX_OFFSET_A).zero_offset_a == pytest.approx(0.001)


def test_saturated_sample_comes_first() -> None:
    """One saturated sample fails the check before anything else is judged."""
    finding = check_rig(off_samples(5.0, 3.0, saturated=True), LIMITS, MAX_OFFSET_A).finding
    assert finding is not None
    assert finding.reason is R.SENSOR_SATURATED


def test_large_offset_is_no_weld() -> None:
    """Where the sensor may be off by 32 mA, only more than twice that is a current."""
    assert check_rig(off_samples(0.031), LIMITS, 0.032).finding is None
    at_small_shunt = check_rig(off_samples(0.050), LIMITS, 0.032).finding
    assert at_small_shunt is not None
    assert at_small_shunt.reason is R.ZERO_OFFSET
    beyond = check_rig(off_samples(0.065), LIMITS, 0.032).finding
    assert beyond is not None
    assert beyond.reason is R.RELAY_WELDED


def test_note_states_what_is_unproven() -> None:
    """With the supply off the check of the cell voltage proves nothing."""
    note = check_rig(off_samples(), LIMITS, MAX_OFFSET_A).items[1].note
    assert note.key == "supervisor.check.cell_voltage"
    assert "only if the supply is switched on" in str(note)


# --- after off -----------------------------------------------------------------------------------


def watch(planned_a: float = 3.0) -> OffWatch:
    return OffWatch(LIMITS, MAX_OFFSET_A, planned_a, off_at_s=100.0)


def take(observed: OffWatch, *readings: tuple[float, float, float]) -> list[Finding | None]:
    return [
        observed.take(Sample(at_s, current_a, voltage_v)) for at_s, current_a, voltage_v in readings
    ]


def test_three_samples_mean_weld() -> None:
    """Three samples with current, from half a second after off."""
    found = take(
        watch(),
        (100.1, 3.0, 3.0),
        (100.4999, 3.0, 3.0),
        (100.5, 3.0, 3.0),
        (100.57, 3.0, 3.0),
        (100.64, 3.0, 3.0),
    )
    assert found[:4] == [None] * 4
    assert found[4] is not None
    assert (found[4].reason, found[4].value, found[4].limit, found[4].unit) == (
        R.RELAY_WELDED,
        3.0,
        pytest.approx(0.03),
        "A",
    )


def test_voltage_alone_means_weld() -> None:
    """Without a plate no current flows, but the supply's voltage shows."""
    found = take(watch(), *[(100.5 + 0.07 * i, 0.0, 1.5) for i in range(9)])
    assert found == [None] * 9
    found = take(watch(), *[(100.5 + 0.07 * i, 0.0, 1.5 + EPS) for i in range(3)])
    assert found[2] is not None
    assert (found[2].reason, found[2].limit, found[2].unit) == (R.RELAY_WELDED, 1.5, "V")


def test_dying_current_is_no_weld() -> None:
    """One sample without current starts the count again."""
    assert (
        take(
            watch(),
            (100.5, 3.0, 3.0),
            (100.57, 3.0, 3.0),
            (100.64, 0.0, 0.2),
            (100.71, 3.0, 3.0),
            (100.78, 3.0, 3.0),
        )
        == [None] * 5
    )


@pytest.mark.parametrize(
    ("planned_a", "threshold_a"), [(0.0, 0.020), (1.0, 0.020), (3.0, 0.030), (10.0, 0.100)]
)
def test_weld_threshold(planned_a: float, threshold_a: float) -> None:
    """20 mA or 1 % of the planned current, whichever is more."""
    observed = watch(planned_a)
    assert observed.threshold_a == pytest.approx(threshold_a)
    assert observed.is_zero(Sample(101.0, threshold_a - EPS, 0.0))
    assert observed.is_zero(Sample(101.0, -threshold_a + EPS, 0.0))
    assert not observed.is_zero(Sample(101.0, threshold_a + EPS, 0.0))
    assert not observed.is_zero(Sample(101.0, -threshold_a - EPS, 0.0)), (
        "current against the etch is current"
    )


def test_threshold_clears_sound_offset() -> None:
    """Twice the offset that a sound sensor may have counts as current."""
    assert OffWatch(LIMITS, 0.032, 1.0, 100.0).threshold_a == pytest.approx(0.064)


@pytest.mark.parametrize(
    ("current_a", "voltage_v", "is_clear"),
    [
        (0.0, 0.2, True),
        (0.030 - EPS, 1.5, True),
        (0.030 + EPS, 0.2, False),
        (-0.030 - EPS, 0.2, False),
        (0.0, 1.5 + EPS, False),
    ],
)
def test_sample_shows_off(current_a: float, voltage_v: float, is_clear: bool) -> None:
    """Neither current nor voltage: a welded contact without a plate shows as voltage alone."""
    assert watch(3.0).is_clear(Sample(100.1, current_a, voltage_v)) is is_clear


def test_saturated_sample_shows_nothing() -> None:
    assert not watch(3.0).is_clear(Sample(100.1, 0.0, 0.2, saturated=True))
