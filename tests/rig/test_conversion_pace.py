"""Conversions keep out of step with the supply's ripple: TI SBOS448's times, ripple of full-wave
rectifiers at 100 and 120 Hz.
"""

from __future__ import annotations

from math import pi, sin
from statistics import fmean

import pytest

from controller.ports import SensorSpec
from controller.sensors import INA219, SENSORS
from hardware.rehearsal.spec import RehearsalSpec
from hardware.sensor.conversion_pace import COUNT, LEAST_BEAT_HZ, ConversionPace, beat_hz
from tests.kits.rehearsal_rig import POLL_S, Rig

BLOCK = 32
IN_STEP_100_HZ = 0.07 / 0.068632 - 1.0
IN_STEP_120_HZ = 8.0 / 120.0 / 0.068632 - 1.0


def settled_beat_hz(spec: SensorSpec, clock_error: float) -> float:
    """Let a chip convert until the pace stays, and return its beat."""
    pace, now_s = ConversionPace(spec), 5000.0
    for _ in range(5 * COUNT):
        now_s += pace.typical_s * (1.0 + clock_error)
        pace.note(now_s)
    return beat_hz(pace.typical_s * (1.0 + clock_error))


def test_beat_of_nearest_multiple():
    """The beat is that of the nearest multiple."""
    assert beat_hz(0.07) == pytest.approx(0.0, abs=1e-9)
    assert beat_hz(8.0 / 120.0) == pytest.approx(0.0, abs=1e-9)
    assert beat_hz(0.0707) == pytest.approx(100.0 - 7.0 / 0.0707)


@pytest.mark.parametrize("spec", SENSORS.values(), ids=SENSORS)
@pytest.mark.parametrize("per_mille", range(-100, 101, 5))
def test_some_pace_is_free(spec, per_mille):
    """At any clock of the data sheet."""
    assert spec.time_tolerance_fraction <= 0.1
    stretch = 1.0 + per_mille / 1000.0
    assert max(beat_hz(stretch * averaged_s) for averaged_s in spec.averaged_s) > 1.4
    assert settled_beat_hz(spec, per_mille / 1000.0) >= LEAST_BEAT_HZ


def test_free_pace_is_kept():
    """A pace out of step is left alone."""
    pace, now_s = ConversionPace(INA219), 0.0
    for _ in range(3 * COUNT):
        now_s += 0.068632
        assert not pace.note(now_s)


def test_missed_conversion_restarts_measuring():
    """A missed conversion restarts the measurement of the pace."""
    pace, now_s = ConversionPace(INA219), 0.0
    for k in range(3 * COUNT):
        now_s += 0.07 * (2 if k % (COUNT - 1) == 0 else 1)
        assert not pace.note(now_s)


def test_slowest_beat_in_a_mean():
    """A beat at the least leaves a sixth of the ripple in a mean of 32."""
    half = pi * LEAST_BEAT_HZ * BLOCK * 0.0686
    assert 1.0 / half == pytest.approx(1.0 / 6.2, rel=0.01)
    assert abs(sin(half) / half) < 1.0 / 6.0


@pytest.mark.parametrize(
    ("clock_error", "hertz"), [(IN_STEP_100_HZ, 100.0), (IN_STEP_120_HZ, 120.0)]
)
def test_voltage_right_at_any_clock(clock_error, hertz):
    """In step, the mean of 32 looks at a voltage with 20 % of ripple is off by up to 20 %; after
    the change by a few percent.
    """
    off = []
    for seed in range(5):
        spec = RehearsalSpec(
            ripple_fraction=0.2,
            ripple_hz=hertz,
            chip_clock_error_fraction=clock_error,
            supply_v=9.0,
            seed=seed,
        )
        rig = Rig(spec)
        rig.relay.on()
        early, late = rig.poll_for(10.0), rig.poll_for(60.0)[-12 * BLOCK :]
        true_v = spec.make_cell().voltage_v(3.0)
        means = [
            fmean(s.voltage_v for s in late[k : k + BLOCK]) / true_v
            for k in range(0, 12 * BLOCK, BLOCK)
        ]
        assert max(abs(mean - 1.0) for mean in means) < 0.2 / 6.0 + 0.01
        off.append(abs(fmean(sample.voltage_v for sample in early) / true_v - 1.0))
    assert max(off) > 0.08, "in step it is far off"


@pytest.mark.parametrize("every", [17, 21, 25])
def test_quick_looks_not_counted(every):
    """Each puts the next conversion off by some 30 ms: counted in, one in 21 makes a healthy pace
    look in step with 100 Hz.
    """
    rig = Rig(RehearsalSpec(supply_limit_a=3.0, chip_clock_error_fraction=0.0))
    setting, averaged = rig.sensor._averaging, 0
    while averaged < 3 * COUNT:
        for sample in rig.poll_for(POLL_S):
            averaged += sample.averaged
            if sample.averaged and averaged % every == 0:
                rig.sensor.look_again()
    assert rig.sensor._averaging == setting
