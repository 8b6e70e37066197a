"""How well the charge counted from the samples agrees with the charge that really flowed."""

import random
from dataclasses import replace

import pytest

from hardware.rehearsal.spec import RehearsalSpec
from tests.kits.rehearsal_rig import POLL_S, Rig


def counted_charge_error(spec, on_s, jitter_s=0.0, max_current_a=10.0):
    """Return (counted - true) / true of one stretch with the relay on.

    The count is a plain trapezoid over the samples' own times, from the last sample before to the
    first zero after. The mean of 16 samples with the relay off is subtracted.
    """
    rig = Rig(spec, max_current_a=max_current_a)
    late = random.Random(spec.seed)
    zero_a, before = rig.zero_a()
    off_at_s = rig.clock.monotonic_s() + on_s
    rig.relay.on()
    counted_coulombs = 0.0
    while True:
        samples = rig.poll_for(POLL_S / 2, POLL_S + late.uniform(0.0, jitter_s))
        if rig.relay.value and rig.clock.monotonic_s() >= off_at_s:
            rig.relay.off()
        for sample in samples:
            mean_a = 0.5 * (sample.current_a + before.current_a) - zero_a
            counted_coulombs += mean_a * (sample.taken_at_s - before.taken_at_s)
            before = sample
        if not rig.relay.value and abs(before.current_a - zero_a) * spec.shunt_ohm < 50e-6:
            return counted_coulombs / rig.model.true_charge_coulombs - 1.0


def drawn_spec(seed):
    """A supply, plate, ripple and chip, 10 to 120 mV on the shunt."""
    draw = random.Random(f"charge {seed}")
    shunt_v = draw.choice([0.0101, draw.uniform(0.01, 0.03), draw.uniform(0.03, 0.12)])
    current_a = shunt_v / 0.02
    voltage_source = draw.random() < 0.4
    spec = RehearsalSpec(
        area_mm2=current_a * draw.uniform(200.0, 500.0),
        edge_mm=draw.choice([0.0, 200.0]),
        supply_v=30.0,
        supply_limit_a=current_a,
        ripple_fraction=draw.choice([0.0, 0.03, 0.1, 0.3, 0.48]),
        ripple_hz=draw.choice([100.0, 120.0]),
        ramp_s=draw.choice([0.0, 0.0, 10.0]),
        bath_degc=draw.uniform(15.0, 30.0),
        i2c_hz=draw.choice([100e3, 400e3]),
        seed=seed,
    )
    if voltage_source:
        cell = spec.make_cell()
        spec = replace(
            spec, supply_limit_a=None, supply_v=cell.voltage_v(current_a) + 0.08 * current_a
        )
    return spec


@pytest.mark.parametrize("seed", range(24))
def test_counted_charge_is_true(seed):
    """The error is below 0.1 %.

    The shunt has 10 mV or more, the run lasts 60 s, the ripple is up to 48 %, polls are up to
    20 ms late, and the chip's clock is within 5 %.
    """
    assert abs(counted_charge_error(drawn_spec(seed), 60.0, jitter_s=0.02 * (seed % 2))) < 1e-3


def test_short_run_loses_one_poll():
    """In 10 s at most one poll period of 20 ms is gained or lost, 0.2 %."""
    errors = [
        counted_charge_error(replace(drawn_spec(seed), ramp_s=0.0), 10.0) for seed in range(12)
    ]
    assert max(map(abs, errors)) < POLL_S / 10.0 + 0.5e-3
    assert max(map(abs, errors)) > 0.5e-3


def test_pace_change_ends_ripple_lock():
    """Ripple in step with the conversions costs charge until the driver changes the pace.

    A chip that is 2 % slow finishes a conversion every 7 periods of 100 Hz. Its bus conversion,
    0.775 % of the cycle, always misses the same part of the ripple. Up to 0.775 % of the
    amplitude is lost until the driver changes the pace after 18 s.
    """
    in_step = 0.07 / 0.068632 - 1.0
    spec = RehearsalSpec(ripple_fraction=0.48, chip_clock_error_fraction=in_step, supply_v=9.0)
    errors = [counted_charge_error(replace(spec, seed=seed), 60.0) for seed in range(6)]
    assert max(map(abs, errors)) < 0.00775 * 0.48 * 18.0 / 60.0 + 0.5e-3
    locked = [counted_charge_error(replace(spec, seed=seed), 15.0) for seed in range(6)]
    assert max(map(abs, locked)) > 1e-3, "before the change it is in step"
    spec = replace(spec, chip_clock_error_fraction=in_step + 1e-3)
    assert (
        max(abs(counted_charge_error(replace(spec, seed=seed), 60.0)) for seed in range(6)) < 1e-3
    )


def test_clipped_ripple_goes_unmarked():
    """Ripple peaks beyond the range are lost, and no reading shows it.

    3 A with 10 % ripple on 0.1 ohm peaks at 330 mV: less charge is counted, and no reading is near
    the end of the range.
    """
    spec = RehearsalSpec(shunt_ohm=0.1, ripple_fraction=0.10, supply_v=9.0)
    assert -0.01 < counted_charge_error(spec, 60.0, max_current_a=3.2) < -0.003
    rig = Rig(spec, max_current_a=3.2)
    rig.relay.on()
    assert not any(sample.saturated for sample in rig.poll_for(2.0))


def test_gain_error_enters_charge():
    """A gain error of the chip or the shunt goes straight into the charge."""
    plain = counted_charge_error(RehearsalSpec(), 60.0)
    off = counted_charge_error(RehearsalSpec(chip_gain_error_fraction=0.002), 60.0)
    assert off - plain == pytest.approx(0.002, abs=1e-4)
