"""The rehearsal bench as a whole, read by the real driver: charge, depth and heat against what is
known from outside.
"""

import threading
from dataclasses import replace
from math import cos, pi

import pytest
from scipy.integrate import quad
from scipy.optimize import brentq

from controller.errors import RefusedError, SensorError
from hardware.clock import VirtualClock
from hardware.rehearsal.faults.by_name import parse_fault
from hardware.rehearsal.rig import RehearsalRig
from hardware.rehearsal.spec import RehearsalSpec
from tests.kits.message_kit import raises_message
from tests.kits.rehearsal_rig import Rig

QUIET = {
    "ripple_fraction": 0.0,
    "chip_noise_v": 0.0,
    "chip_bus_noise_v": 0.0,
    "chip_offset_share_fraction": 0.0,
}


def test_driver_reads_the_circuit():
    """Driver reads the current and the voltage of the circuit."""
    rig = Rig(RehearsalSpec(**QUIET))
    rig.relay.on()
    sample = rig.poll_for(1.0)[-1]
    assert sample.current_a == pytest.approx(3.0, abs=1e-3)
    assert sample.voltage_v == pytest.approx(rig.spec.make_cell().voltage_v(3.0), abs=0.006)


def test_over_range_current_is_marked():
    """4.2 A on a tenth of an ohm read 3.2 A and are marked."""
    rig = Rig(RehearsalSpec(shunt_ohm=0.1, supply_limit_a=4.2, supply_v=12.0), max_current_a=3.2)
    rig.relay.on()
    sample = rig.poll_for(1.0)[-1]
    assert sample.current_a == pytest.approx(3.2)
    assert sample.saturated


def test_conversions_at_data_sheet_pace():
    """68.10 ms for 128 samples and 0.532 ms for one (SBOS448 Table 6), here with a clock that is 3
    % slow.
    """
    rig = Rig(RehearsalSpec(chip_clock_error_fraction=0.03))
    assert len(rig.poll_for(100.0, poll_s=0.005)) == pytest.approx(100.0 / (0.068632 * 1.03), abs=2)


def test_look_again_is_quick():
    """16 shunt readings and one of the bus, 0.532 ms each, make 9.04 ms (SBOS448 Table 6). Of 100
    Hz the mean over 8.51 ms leaves |sin x / x| at x = pi * 100 Hz * 8.51 ms, 0.168."""
    rig = Rig(RehearsalSpec(ripple_fraction=0.3, chip_noise_v=0.0, chip_clock_error_fraction=0.0))
    rig.relay.on()
    rig.poll_for(1.0)
    quick = []
    for k in range(80):
        rig.sensor.look_again()
        rig.clock.advance(0.008)
        assert rig.sensor.poll() is None, "not ready before 9.04 ms"
        rig.clock.advance(0.0011 + 0.00023 * k)
        quick.append(rig.sensor.poll())
    assert not any(sample.averaged for sample in quick)
    assert max(sample.current_a for sample in quick) == pytest.approx(
        3.0 * (1.0 + 0.3 * 0.168), abs=0.01
    )
    assert min(sample.current_a for sample in quick) == pytest.approx(
        3.0 * (1.0 - 0.3 * 0.168), abs=0.01
    )
    averaged = [sample for sample in rig.poll_for(1.0) if sample.averaged]
    assert len(averaged) > 12
    assert all(sample.current_a == pytest.approx(3.0, abs=0.04) for sample in averaged)


def test_contact_follows_after_8_ms():
    """Contact makes and breaks 8 ms after the pin."""
    rig = Rig(RehearsalSpec(**QUIET))
    rig.relay.on()
    rig.clock.advance(0.008)
    assert rig.model.true_charge_coulombs == pytest.approx(0.0, abs=1e-9)
    rig.clock.advance(1.0)
    assert rig.model.true_charge_coulombs == pytest.approx(3.0)
    rig.relay.off()
    rig.clock.advance(5.0)
    assert rig.model.true_charge_coulombs == pytest.approx(3.0 * 1.008)


def test_released_pin_is_pulled_down():
    rig = Rig()
    rig.relay.on()
    rig.clock.advance(1.0)
    rig.relay.close()
    assert not rig.model.truth().relay_on
    rig.clock.advance(1.0)
    assert not rig.model.truth().contact_closed


def test_mock_pin_forgets_levels():
    """The mock pin does not remember every level."""
    rig = Rig(RehearsalSpec())
    for _ in range(100):
        rig.relay.on()
        rig.relay.off()
    assert len(rig.relay.pin.states) == 1


def test_relay_starts_off():
    truth = Rig().model.truth()
    assert not truth.relay_on
    assert not truth.contact_closed
    assert truth.first_on_at_s is None


def test_true_charge_includes_ripple():
    """Outside: 3 A t + (3 A r/w)(cos(w t0 + p) - cos(w t1 + p)), bounds found by cutting the relay
    at half a period.
    """
    spec = RehearsalSpec(ripple_fraction=0.4, contact_delay_s=0.0)
    seen = set()
    for start in range(8):
        rig = Rig(spec)
        rig.clock.advance(start * 0.00125)
        rig.relay.on()
        rig.clock.advance(0.005)
        truth = rig.model.truth()
        assert truth.cell_charge_coulombs == pytest.approx(truth.charge_coulombs, rel=1e-9)
        seen.add(round(truth.charge_coulombs / 3.0 * 1e3, 4))
    amplitude_ms = (
        0.4 / (2 * pi * 100.0) * 1e3 * 2
    )  # half a period holds at most 2 r/w more or less
    assert max(seen) - 5.0 == pytest.approx(amplitude_ms, rel=0.08)
    assert 5.0 - min(seen) == pytest.approx(amplitude_ms, rel=0.08)
    assert amplitude_ms == pytest.approx(0.4 * (cos(0.0) - cos(pi)) / (2 * pi * 100.0) * 1e3)


def test_whole_piece_by_hand():
    """0.25 mm of fine silver over 7.67 cm2 without edges: 3 A for 600 s; V I t heats the litre by
    1.3 K less what it loses.
    """
    rig = Rig(RehearsalSpec(**QUIET))
    rig.relay.on()
    samples = rig.poll_for(600.0)
    truth = rig.model.truth()
    assert truth.charge_coulombs == pytest.approx(1800.0, abs=0.2)
    assert truth.mass_g == pytest.approx(1800.0 * 107.8682 / 96485.33212, rel=1e-4)
    assert truth.depth_mm == pytest.approx(truth.mass_g / 10.49e-3 / 767.0, rel=1e-9)
    mean_v = sum(sample.voltage_v for sample in samples) / len(samples)
    assert truth.heat_j == pytest.approx(mean_v * 3.0 * 600.0, rel=2e-3)
    gained_k = truth.heat_j / 4180.0
    assert truth.bath_degc - 20.0 == pytest.approx(gained_k * (1.0 - 600.0 / 2 / 8360.0), rel=1e-2)


def test_ripple_heats_by_its_square():
    """Outside: the mean of (V + s a sin)(I + a sin) is V I + s a^2/2."""
    rig = Rig(RehearsalSpec(**{**QUIET, "ripple_fraction": 0.48}))
    rig.relay.on()
    rig.clock.advance(0.008 + 0.06)
    cell = rig.spec.make_cell()
    mean_w = 3.0 * cell.voltage_v(3.0) + 0.5 * (0.48 * 3.0) ** 2 * cell.ripple_ohm(3.0)
    assert rig.model.truth().heat_j == pytest.approx(mean_w * 0.06, rel=1e-4)


def test_bite_factor_changes_depth_alone():
    """Same readings, other depth."""
    readings, depths_mm = [], []
    for bite_factor in (1.0, 0.8):
        rig = Rig(RehearsalSpec(bite_factor=bite_factor, **QUIET, chip_clock_error_fraction=0.0))
        rig.relay.on()
        readings.append([sample.current_a for sample in rig.poll_for(10.0)])
        depths_mm.append(rig.model.true_depth_mm)
    assert readings[0] == readings[1]
    assert depths_mm[1] == pytest.approx(0.8 * depths_mm[0], rel=1e-6)


def test_current_rises_with_area():
    """Current rises with the open area at a voltage source."""
    rig = Rig(RehearsalSpec(supply_v=3.2, supply_limit_a=None, edge_mm=1500.0, **QUIET))
    rig.relay.on()
    samples = rig.poll_for(600.0)
    assert samples[-1].current_a > 1.1 * samples[5].current_a


def test_ramped_supply_rises_slowly():
    """Turned up supply comes in slowly."""
    rig = Rig(RehearsalSpec(ramp_s=10.0, supply_limit_a=None, supply_v=3.2, **QUIET))
    rig.relay.on()
    samples = rig.poll_for(12.0)
    assert samples[10].current_a < 0.2 * samples[-1].current_a
    assert [s.current_a for s in samples] == sorted(s.current_a for s in samples)


def test_charge_of_short_ramp():
    """0.05 s to 3.2 V and 0.1 s there: scipy's quadrature over scipy's roots of the cell against
    the supply's resistances.
    """
    spec = RehearsalSpec(ramp_s=0.05, supply_limit_a=None, supply_v=3.2, **QUIET)
    cell = spec.make_cell()

    def current_a(time_s):
        emf_v = 3.2 * min(1.0, time_s / 0.05)
        if emf_v <= 0.25:
            return 0.0
        return brentq(lambda a: cell.voltage_v(a) + 0.08 * a - emf_v, 0.0, 10.0)

    rig = Rig(spec)
    rig.relay.on()
    rig.clock.advance(0.158)
    expected_coulombs = quad(current_a, 0.0, 0.15, points=[0.05 * 0.25 / 3.2, 0.05])[0]
    assert rig.model.true_charge_coulombs == pytest.approx(expected_coulombs, rel=1e-4)


def readings(seed):
    rig = Rig(RehearsalSpec(seed=seed))
    rig.relay.on()
    return [(round(sample.current_a, 9), sample.voltage_v) for sample in rig.poll_for(5.0)]


def test_seed_repeats_a_rehearsal():
    """A seed repeats a rehearsal at any time of the clock."""
    assert readings(7) == readings(7)
    assert readings(7) != readings(8)


def test_seed_draws_within_bounds():
    """Seed draws clock and offset within their bounds."""
    offsets, periods = set(), set()
    for seed in range(30):
        rig = Rig(RehearsalSpec(seed=seed, chip_noise_v=0.0))
        offsets.add(round(rig.poll_for(0.2)[-1].current_a * 0.02 * 1e6))
        periods.add(len(rig.poll_for(20.0, poll_s=0.002)))
    assert min(offsets) < -20
    assert max(offsets) > 20
    assert max(map(abs, offsets)) <= 40  # typical figure of the 320 mV range, SBOS448 Rev G 7.5
    slow, fast = 20.0 / (0.068632 * 1.05), 20.0 / (0.068632 * 0.95)
    assert slow - 1 <= min(periods) < 0.98 * 20.0 / 0.068632
    assert 1.02 * 20.0 / 0.068632 < max(periods) <= fast + 1


def test_relay_switched_by_another_thread():
    """The bench integrates with the old state first: whoever switches, no charge is lost or counted
    twice.
    """
    rig = Rig(RehearsalSpec(**QUIET, contact_delay_s=0.0))
    ready, done = threading.Event(), threading.Event()
    expected_coulombs, problems = 0.0, []

    def switch():
        try:
            while not done.is_set():
                rig.relay.on()
                rig.model.truth()
                rig.relay.off()
                ready.set()
        except Exception as error:
            problems.append(error)

    thread = threading.Thread(target=switch)
    thread.start()
    assert ready.wait(60.0)
    rig.poll_for(60.0)
    done.set()
    thread.join(5.0)
    assert not problems
    rig.relay.off()
    rig.clock.advance(0.1)
    before_coulombs = rig.model.true_charge_coulombs
    assert 0.0 <= before_coulombs < 3.0 * 60.2
    rig.relay.on()
    rig.clock.advance(10.0)
    expected_coulombs = before_coulombs + 30.0
    assert rig.model.true_charge_coulombs == pytest.approx(expected_coulombs)


def test_beat_switches_off_mid_transaction():
    """A beat of the clock switches off in the middle of a stuck transaction."""
    rig = Rig(RehearsalSpec(**QUIET), faults=["bus_stuck@2"])
    rig.relay.on()
    rig.poll_for(1.9)
    rig.clock.every(0.25, lambda now_s: rig.relay.off())
    with raises_message(SensorError, "hardware.sensor.bus_stuck"):
        rig.poll_for(2.0)
    assert rig.model.truth().off_after_fault_s < 0.26 + 0.02
    assert rig.model.true_charge_coulombs < 3.0 * 2.3


def test_another_plate_same_bath():
    """Another plate in the same bath."""
    rig = Rig(RehearsalSpec(**QUIET))
    rig.relay.on()
    rig.poll_for(60.0)
    rig.relay.off()
    rig.clock.advance(1.0)
    warm_degc = rig.model.truth().bath_degc
    assert warm_degc > 20.1
    assert rig.model.bath_degc == warm_degc
    copper = {"equivalent_g_per_mol": 31.773, "density_g_per_cm3": 8.96}  # n = 2; handbook density
    rig.model.hang(
        replace(
            rig.spec, area_mm2=300.0, bite_factor=0.9, supply_limit_a=1.0, supply_v=8.0, **copper
        )
    )
    truth = rig.model.truth()
    assert (truth.charge_coulombs, truth.depth_mm, truth.heat_j) == (0.0, 0.0, 0.0)
    assert truth.bath_degc == warm_degc
    rig.relay.on()
    sample = rig.poll_for(10.0)[-1]
    assert sample.current_a == pytest.approx(1.0, abs=1e-3)
    assert sample.voltage_v == pytest.approx(
        rig.spec.make_cell().voltage_v(1.0) + 0.5, abs=0.1
    )  # the smaller plate
    truth = rig.model.truth()
    assert truth.charge_coulombs == pytest.approx(10.0, abs=0.05)
    assert truth.mass_g == pytest.approx(0.9 * truth.charge_coulombs * 31.773 / 96485.33212)
    assert truth.depth_mm == pytest.approx(truth.mass_g / 8.96e-3 / 300.0)


@pytest.mark.parametrize(
    ("fault", "current_a"),
    [("supply_runaway", 10.2), ("supply_lost", 0.0), ("polarity_reversed", -1.0)],
)
def test_fault_survives_another_plate(fault, current_a):
    """Another plate does not mend a fault."""
    rig = Rig(RehearsalSpec(**QUIET), faults=[f"{fault}@1"])
    rig.relay.on()
    rig.poll_for(2.0)
    rig.relay.off()
    rig.model.hang(replace(rig.spec, supply_limit_a=1.0))
    rig.relay.on()
    assert rig.poll_for(1.0)[-1].current_a == pytest.approx(current_a, abs=0.3)


def test_truth_times():
    rig = Rig(faults=["supply_lost@5"])
    rig.clock.advance(3.0)
    rig.relay.on()
    on_at_s = rig.clock.monotonic_s()
    rig.clock.advance(6.0)
    rig.relay.off()
    rig.clock.advance(1.0)
    truth = rig.model.truth()
    assert truth.first_on_at_s == on_at_s
    assert truth.fault_at_s - on_at_s == pytest.approx(5.0)
    assert truth.off_after_fault_s == pytest.approx(1.008)


def test_impossible_specs_are_refused():
    for changes in (
        {"area_mm2": 0.0},
        {"ripple_fraction": 1.0},
        {"acid_fraction": 0.5},
        {"supply_v": -1.0},
    ):
        with pytest.raises(RefusedError):
            RehearsalRig(RehearsalSpec(**changes), VirtualClock())


def test_fault_still_to_come():
    """Fault that never comes leaves no trace."""
    rig = Rig(faults=["supply_lost@100"])
    rig.relay.on()
    rig.poll_for(10.0)
    assert rig.model.truth().fault_at_s is None
    assert parse_fault("supply_lost@100").at_s == 100.0
