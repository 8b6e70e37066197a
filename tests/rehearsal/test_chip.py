"""What the emulated INA219 converts, and when: Texas Instruments SBOS448, Rev F unless noted
otherwise.
"""

from math import pi, sin, sqrt
from statistics import mean, pstdev

import numpy as np
import pytest

from tests.kits.rehearsal_rig import (
    BOTH,
    BUS_ONLY,
    CONFIG,
    POWER,
    SHUNT,
    SHUNT_ONLY,
    Socket,
    configuration,
    steady,
)

# Table 6, typical conversion times in microseconds by the four ADC bits.
CONVERSION_US = {
    0b0000: 84, 0b0100: 84, 0b0001: 148, 0b0101: 148, 0b0010: 276, 0b0110: 276, 0b0011: 532,
    0b0111: 532, 0b1000: 532,
    0b1001: 1060, 0b1010: 2130, 0b1011: 4260, 0b1100: 8510, 0b1101: 17020, 0b1110: 34050,
    0b1111: 68100,
}  # fmt: skip


@pytest.mark.parametrize("error_fraction", [-0.1, 0.0, 0.1])
@pytest.mark.parametrize(("bits", "microseconds"), CONVERSION_US.items())
def test_conversion_times(bits, microseconds, error_fraction):
    for word, times in (
        (configuration(SHUNT_ONLY, shunt_adc=bits), microseconds),
        (configuration(BUS_ONLY, bus_adc=bits), microseconds),
        (configuration(BOTH, shunt_adc=bits, bus_adc=0b0011), microseconds + 532),
        (configuration(BOTH, shunt_adc=0b0011, bus_adc=bits), microseconds + 532),
    ):
        socket = Socket(steady(), clock_error_fraction=error_fraction)
        socket.write(CONFIG, word)
        seconds = times * 1e-6 * (1.0 + error_fraction)
        socket.advance_to(seconds - 1e-6)
        assert not socket.ready()
        socket.advance_to(seconds + 1e-6)
        assert socket.ready()


def test_shunt_before_bus():
    """The shunt is converted first and then the bus."""
    socket = Socket(steady(0.010, 1.0))
    socket.write(CONFIG, configuration(shunt_adc=0b1111))
    socket.advance_to(0.0681)
    assert socket.signed(SHUNT) == 1000  # done while the cycle is not
    assert not socket.ready()
    socket.wave = steady(0.020, 2.0)
    socket.advance_to(0.068632 + 1e-9)
    assert socket.ready()
    assert (socket.signed(SHUNT), socket.bus_steps()) == (1000, 500)
    socket.advance_to(0.068632 + 0.0681 + 1e-9)
    assert socket.signed(SHUNT) == 2000


def test_average_over_whole_window():
    """A quarter of the window at 40 mV and the rest at 8 mV is 16 mV."""
    socket = Socket(steady(0.040))
    socket.write(CONFIG, configuration(shunt_adc=0b1111))
    socket.advance_to(0.0681 / 4)
    socket.wave = steady(0.008)
    socket.advance_to(0.0682)
    assert socket.signed(SHUNT) == 1600


@pytest.mark.parametrize("mode", [1, 2, 3])
def test_triggered_modes_convert_once(mode):
    """Triggered modes convert once for each write."""
    socket = Socket(steady(0.010, 1.0))
    for round_number in range(2):
        socket.wave = steady(0.010 * (round_number + 1), 1.0 + round_number)
        socket.write(CONFIG, configuration(mode))
        socket.advance(0.01)
        assert socket.ready()
        socket.read(POWER)
        socket.wave = steady(0.1, 9.0)
        socket.advance(0.01)
        assert not socket.ready()
        if mode & 1:
            assert socket.signed(SHUNT) == 1000 * (round_number + 1)
        if mode & 2:
            assert socket.bus_steps() == 250 * (round_number + 1)


def test_power_down_recovery():
    """40 us, from memory."""
    socket = Socket(steady(0.010))
    socket.write(CONFIG, configuration(0))
    socket.write(CONFIG, configuration(SHUNT_ONLY))
    socket.advance_to(571e-6)
    assert not socket.ready()
    socket.advance_to(573e-6)
    assert socket.ready()
    assert socket.signed(SHUNT) == 1000


def test_configuration_restarts_conversion():
    """A write to the configuration restarts the conversion."""
    socket = Socket(steady(0.010))
    socket.write(CONFIG, configuration(shunt_adc=0b1111))
    socket.advance(0.06)
    socket.write(CONFIG, configuration(shunt_adc=0b1111))
    socket.wave = steady(0.020)
    socket.advance(0.0686)
    assert not socket.ready()
    socket.advance(0.0001)
    assert socket.ready()
    assert socket.signed(SHUNT) == 2000


@pytest.mark.parametrize(("gain", "full"), [(0, 4000), (1, 8000), (2, 16000), (3, 32000)])
def test_shunt_clipped_at_range(gain, full):
    """Table 5: 40, 80, 160, 320 mV."""
    assert Socket(steady(0.5)).convert(configuration(gain=gain)) == full
    assert Socket(steady(-0.5)).convert(configuration(gain=gain)) == -full
    assert Socket(steady((full - 1) * 10e-6)).convert(configuration(gain=gain)) == full - 1


@pytest.mark.parametrize(("wide", "full"), [(0, 4000), (1, 8000)])
def test_bus_clamped_at_range_ends(wide, full):
    """Section 8.6.3.2: 16 V is 4000, 32 V is 8000 steps; the register has no sign."""
    for volts, steps in ((40.0, full), (-0.3, 0), (3.0, 750)):
        socket = Socket(steady(0.0, volts))
        socket.convert(configuration(wide=wide))
        assert socket.bus_steps() == steps


@pytest.mark.parametrize(
    ("volts", "steps"), [(14.9e-6, 1), (15.1e-6, 2), (-14.9e-6, -1), (-15.1e-6, -2), (4e-6, 0)]
)
def test_shunt_rounded_to_10_uv(volts, steps):
    """Shunt is rounded to 10 uV."""
    assert Socket(steady(volts)).convert(configuration()) == steps


@pytest.mark.parametrize(
    ("volts", "steps"), [(2.9979, 749), (2.9981, 750), (3.0019, 750), (3.0021, 751)]
)
def test_bus_rounded_to_4_mv(volts, steps):
    """Bus is rounded to 4 mV."""
    socket = Socket(steady(0.0, volts))
    socket.convert(configuration())
    assert socket.bus_steps() == steps


def test_nine_bits_are_coarser():
    """Nine bits are eight times coarser."""
    assert (
        Socket(steady(0.01004)).convert(configuration(shunt_adc=0b0000)) == 1008
    )  # 125.5 steps of 80 uV
    assert Socket(steady(0.01003)).convert(configuration(shunt_adc=0b0000)) == 1000


@pytest.mark.parametrize("hz", [100.0, 120.0])
@pytest.mark.parametrize("bits", [0b0011, 0b1001, 0b1010, 0b1011, 0b1100, 0b1101, 0b1110, 0b1111])
def test_ripple_left_by_averaging(bits, hz):
    """Outside: a window of T leaves |sin(pi f T)/(pi f T)| of a sinusoid at the worst phase (the
    sinc of a boxcar).
    """
    window_s = CONVERSION_US[bits] * 1e-6
    left = abs(sin(pi * hz * window_s) / (pi * hz * window_s))
    readings = [
        Socket(steady(0.150, shunt_ripple_v=0.100, hz=hz, phase_rad=2.0 * pi * k / 64)).convert(
            configuration(shunt_adc=bits)
        )
        for k in range(64)
    ]
    assert (max(readings) - min(readings)) / 2.0 == pytest.approx(
        10000 * left, abs=10000 * left * 0.002 + 1.0
    )
    assert mean(readings) == pytest.approx(15000, abs=1.0)


def test_ripple_peaks_clipped_per_sample():
    """Outside: the mean of 128 boxcar means of a sinusoid, each clipped at 320 mV, by brute force
    in numpy.
    """
    for phase_rad in (0.0, 1.0, 4.0):
        times_s = (np.arange(128 * 400) + 0.5) * 0.0681 / (128 * 400)
        volts = 0.300 + 0.144 * np.sin(2 * np.pi * 100.0 * times_s + phase_rad)
        expected = np.clip(volts.reshape(128, 400).mean(axis=1), -0.32, 0.32).mean()
        wave = steady(0.300, shunt_ripple_v=0.144, phase_rad=phase_rad)
        assert Socket(wave).convert(configuration(shunt_adc=0b1111)) == pytest.approx(
            expected / 10e-6, abs=0.6
        )
        assert (
            expected < 0.285
        )  # a good 5 % is lost, and the reading is far from the end of the range


def test_clipping_independent_of_steps():
    """Up to the samples that are cut themselves: six of 128 here, one per step on the bench."""
    wave = steady(0.300, shunt_ripple_v=0.144)
    socket = Socket(wave)
    socket.write(CONFIG, configuration(SHUNT_ONLY, shunt_adc=0b1111))
    for k in range(1, 8):
        socket.advance_to(k * 0.01)
    assert (
        abs(
            socket.signed(SHUNT) - Socket(wave).convert(configuration(SHUNT_ONLY, shunt_adc=0b1111))
        )
        <= 4
    )


def test_typical_offset_by_range():
    """Rev G section 7.5: 10, 20, 30, 40 uV."""
    for gain, steps in enumerate((1, 2, 3, 4)):
        assert (
            Socket(steady(), offset_share_fraction=1.0).convert(configuration(gain=gain)) == steps
        )
        assert (
            Socket(steady(), offset_share_fraction=-1.0).convert(configuration(gain=gain)) == -steps
        )


def test_gain_error_scales_shunt():
    """Gain error scales the shunt reading."""
    assert Socket(steady(0.300), gain_error_fraction=0.0004).convert(configuration()) == 30012


def test_noise_falls_with_root():
    """Noise falls with the root of the samples."""

    def spread(bits):
        socket = Socket(steady(0.010), noise_v=400e-6, seed=3)
        return pstdev(
            [socket.convert(configuration(SHUNT_ONLY, shunt_adc=bits)) for _ in range(2000)]
        )

    one, many = spread(0b0011), spread(0b1111)
    assert one == pytest.approx(40.0, rel=0.05)
    assert many == pytest.approx(40.0 / sqrt(128), rel=0.07)


def test_the_seed_makes_the_noise():
    def readings(seed):
        socket = Socket(steady(0.010), noise_v=100e-6, seed=seed)
        return [socket.convert(configuration()) for _ in range(20)]

    assert readings(1) == readings(1)
    assert readings(1) != readings(2)


def test_noise_stays_within_range():
    """Noise does not lead beyond the range."""
    socket = Socket(steady(0.5), noise_v=0.01)
    assert {socket.convert(configuration(SHUNT_ONLY)) for _ in range(200)} <= set(
        range(29000, 32001)
    )


def test_bus_noise():
    socket = Socket(steady(0.0, 3.0), bus_noise_v=0.02)
    readings = []
    for _ in range(500):
        socket.convert(configuration())
        readings.append(socket.bus_steps())
    assert pstdev(readings) == pytest.approx(5.0, rel=0.1)
