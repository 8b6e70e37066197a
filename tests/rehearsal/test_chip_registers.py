"""The six registers of the emulated INA219, their flags and bytes: Texas Instruments SBOS448, Rev F
unless noted otherwise.
"""

from math import inf

import pytest
from adafruit_ina219 import INA219

from hardware.clock import VirtualClock
from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.wire import I2cWire
from tests.kits.rehearsal_rig import (
    BUS,
    CALIBRATION,
    CONFIG,
    CURRENT,
    POWER,
    SHUNT,
    Socket,
    configuration,
    steady,
)


def test_worked_example_by_driver():
    """Table 3: 10 A through 2 milliohm from 12 V; the bus pin is behind the shunt, at 11.98 V."""
    clock = VirtualClock()
    chip = Ina219Chip()
    fed_s = clock.monotonic_s()
    chip.power_on(fed_s)

    def catch_up(now_s):
        nonlocal fed_s
        chip.feed(fed_s, now_s, steady(10.0 * 0.002, 12.0 - 10.0 * 0.002))
        fed_s = now_s

    class Lock:
        def __enter__(self): ...
        def __exit__(self, *_): ...

    driver = INA219(
        I2cWire(chip, clock, address=0x40, bus_hz=100e3, lock=Lock(), catch_up=catch_up), 0x40
    )
    driver.bus_voltage_range = 0
    driver.gain = 0
    driver.calibration = 0x5000
    clock.advance(0.01)
    assert chip.registers[CONFIG] == 0x019F
    assert driver.conversion_ready == 1
    assert driver.raw_shunt_voltage == 0x07D0
    assert driver.raw_current == 0x2710
    assert driver.raw_power == 0x1766
    chip.receive(bytes([BUS]), clock.monotonic_s())
    assert (
        int.from_bytes(chip.transmit(2), "big") == 0x5D98
    )  # reading POWER has cleared the ready flag
    assert driver.raw_bus_voltage == 2995
    assert driver.bus_voltage == pytest.approx(11.98)
    assert driver.shunt_voltage == pytest.approx(0.020)
    assert driver.overflow == 0


def test_power_on_values():
    socket = Socket(steady())
    assert [socket.read(register) for register in range(6)] == [0x399F, 0, 0, 0, 0, 0]


@pytest.mark.parametrize("mode", [0, 4])
def test_power_down_stops_converting(mode):
    """Power down and converters off stop converting and leave the ready flag."""
    socket = Socket(steady(0.010))
    socket.advance(0.01)
    socket.write(CONFIG, configuration(mode))
    assert socket.ready()
    socket.read(POWER)
    socket.wave = steady(0.020)
    socket.advance(1.0)
    assert not socket.ready()
    assert socket.signed(SHUNT) == 1000
    assert socket.chip.due_s == inf


@pytest.mark.parametrize("mode", [1, 2, 3, 5, 6, 7])
def test_mode_write_clears_ready_flag(mode):
    """Writing another mode clears the ready flag."""
    socket = Socket(steady())
    socket.advance(0.01)
    assert socket.ready()
    socket.write(CONFIG, configuration(mode))
    assert not socket.ready()


def test_reading_power_clears_ready_flag():
    """Only reading power clears the ready flag."""
    socket = Socket(steady())
    socket.advance(0.0011)
    for register in (CONFIG, SHUNT, BUS, CURRENT, CALIBRATION, BUS):
        socket.read(register)
        assert socket.ready()
    socket.read(POWER)
    assert not socket.ready()


def test_calibration_bit_0_fixed():
    """Section 8.6.4: FS0 is void."""
    socket = Socket(steady())
    socket.write(CALIBRATION, 0x5001)
    assert socket.read(CALIBRATION) == 0x5000


def test_no_calibration_no_current():
    """Current and power stay zero without a calibration."""
    socket = Socket(steady(0.030, 5.0))
    socket.convert(configuration())
    assert (socket.read(CURRENT), socket.read(POWER)) == (0, 0)


def test_negative_current_register():
    """Current = shunt * calibration / 4096 (page 30), in two's complement."""
    socket = Socket(steady(-0.020, 5.0))
    socket.write(CALIBRATION, 0x5000)
    socket.convert(configuration())
    assert socket.signed(CURRENT) == -10000


def test_overflow_flag_follows_multiplication():
    """Overflow flag follows the multiplication and not the converter."""
    socket = Socket(steady(0.300, 5.0))
    socket.write(CALIBRATION, 0x5000)
    socket.convert(configuration())
    assert socket.read(BUS) & 1  # 30000 * 20480 / 4096 is above 32767
    socket.write(CALIBRATION, 0x1000)
    socket.convert(configuration())
    assert not socket.read(BUS) & 1
    socket.wave = steady(5.0, 5.0)
    assert socket.convert(configuration()) == 32000
    assert not socket.read(BUS) & 1  # clipped by far and no flag


def test_power_register_at_range_ends():
    """31875 * 7750 / 5000 (page 30) still fits: the power cannot overflow alone."""
    socket = Socket(steady(0.300, 31.0))
    socket.write(CALIBRATION, 0x1100)
    socket.convert(configuration(wide=1))
    assert socket.signed(CURRENT) == 31875
    assert not socket.read(BUS) & 1
    assert socket.read(POWER) == 49406


@pytest.mark.parametrize("how", ["brown-out", "reset bit"])
def test_reset_puts_every_register_back(how):
    socket = Socket(steady(0.010, 3.0))
    socket.write(CALIBRATION, 0x5000)
    socket.convert(configuration(shunt_adc=0b1111))
    socket.read(SHUNT)
    if how == "brown-out":
        socket.chip.power_on(socket.now_s)
        assert socket.chip.transmit(2) == b"\x39\x9f"  # the pointer is at 0 again
    else:
        socket.write(CONFIG, 0x8000 | 0x19FF)
    assert [socket.read(register) for register in range(6)] == [0x399F, 0, 0, 0, 0, 0]
    socket.advance(1063e-6)
    assert not socket.ready()
    socket.advance(2e-6)
    assert socket.ready()


def test_pointer_stays_until_written():
    """Pointer stays until it is written."""
    socket = Socket(steady(0.010))
    socket.convert(configuration())
    socket.chip.receive(bytes([SHUNT]), socket.now_s)
    assert socket.chip.transmit(2) == socket.chip.transmit(2) == (1000).to_bytes(2, "big")
    assert socket.chip.transmit(1) == (1000).to_bytes(2, "big")[:1]
    assert socket.chip.transmit(4) == (1000).to_bytes(2, "big") + b"\xff\xff"
    socket.chip.receive(b"", socket.now_s)
    assert socket.chip.transmit(2) == (1000).to_bytes(2, "big")


def test_ignored_writes():
    """Short writes and writes to read only registers change nothing."""
    socket = Socket(steady(0.010, 3.0))
    socket.convert(configuration())
    before = [socket.read(register) for register in (CONFIG, SHUNT, CURRENT, CALIBRATION)]
    socket.chip.receive(b"\x00\x00", socket.now_s)
    socket.chip.receive(b"\x05\x50", socket.now_s)
    for register in (SHUNT, BUS, POWER, CURRENT, 6, 0xFF):
        socket.write(register, 0x1234)
    assert [socket.read(register) for register in (CONFIG, SHUNT, CURRENT, CALIBRATION)] == before


def test_stuck_chip_keeps_registers():
    """A stuck chip keeps its registers after every write."""
    socket = Socket(steady(0.010))
    socket.convert(configuration())
    socket.read(POWER)
    socket.chip.stick()
    socket.wave = steady(0.020)
    socket.advance(1.0)
    socket.write(CONFIG, configuration(shunt_adc=0b1111))
    socket.advance(1.0)
    assert not socket.ready()
    assert socket.signed(SHUNT) == 1000
