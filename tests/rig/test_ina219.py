"""The driver, by the bytes it exchanges.

Register values: TI INA219 data sheet, SBOS448 Rev F, Tables 2 and 4 to 7.
"""

import errno

import pytest

from controller.errors import RefusedError, SensorError, SensorResetError
from controller.sensors import INA219
from hardware.clock import VirtualClock
from hardware.sensor.ina219 import Ina219Registers
from hardware.sensor.shunt_monitor import ShuntMonitor
from tests.kits.message_kit import raises_message

AVERAGING = 0x19FF  # 16 V, /8, bus 12 bit 1 sample, shunt 128 samples, both continuous
QUICK = 0x19E7  # the same with 16 samples
POWER_ON = 0x399F


def read(register, word):
    return ("read", bytes([register]), word.to_bytes(2, "big"))


def write(register, word):
    return ("write", bytes([register]) + word.to_bytes(2, "big"), None)


def modify(before, after):
    """One field of the configuration changed by the library: read, then written."""
    return [read(0, before), write(0, after)]


# What the library itself does when constructed (adafruit-circuitpython-ina219 3.5.2: probe, 32 V,
# gain /8, calibration 4096, both converters 12 bit, both continuous), then the configuration and
# its readback.
CONSTRUCTION = [
    ("write", b"", None),
    *modify(POWER_ON, POWER_ON) * 2,
    write(5, 4096),
    *modify(POWER_ON, POWER_ON) * 3,
]
STARTED = [*CONSTRUCTION, write(0, AVERAGING), read(0, AVERAGING)]


class ExpectedBus:
    """A bus that knows every exchange to come: another one fails, and so does one that is left
    over.
    """

    def __init__(self, clock, exchanges, takes_s=0.0):
        self.clock = clock
        self.exchanges = list(exchanges)
        self.takes_s = takes_s

    def expect(self, *exchanges):
        assert not self.exchanges, f"left over: {self.exchanges}"
        self.exchanges = list(exchanges)

    def try_lock(self):
        return True

    def unlock(self):
        pass

    def _next(self, kind, data):
        assert self.exchanges, f"unexpected {kind} {data.hex()}"
        expected_kind, expected, reply = self.exchanges.pop(0)
        assert (kind, data) == (expected_kind, expected)
        self.clock.advance(self.takes_s)
        if isinstance(reply, Exception):
            raise reply
        return reply

    def writeto(self, address, buffer, *, start=0, end=None):
        assert address == 0x41
        self._next("write", bytes(buffer[start:end]))

    def writeto_then_readfrom(
        self, address, out, into, *, out_start=0, out_end=None, in_start=0, in_end=None
    ):
        assert address == 0x41
        into[in_start:in_end] = self._next("read", bytes(out[out_start:out_end]))

    def readfrom_into(self, address, buffer, *, start=0, end=None):
        buffer[start:end] = self._next("receive", b"")


def make(exchanges=STARTED, shunt_ohm=0.02, max_current_a=10.0, takes_s=0.0):
    clock = VirtualClock()
    bus = ExpectedBus(clock, exchanges, takes_s)
    return (
        ShuntMonitor(
            Ina219Registers,
            bus,
            clock,
            address=0x41,
            shunt_ohm=shunt_ohm,
            max_current_a=max_current_a,
        ),
        bus,
        clock,
    )


def failing(register, number=errno.EREMOTEIO):
    return ("read", bytes([register]), OSError(number, "bus"))


NOT_READY = read(2, 0x1770)
READY = read(2, 0x1772)  # 750 steps of 4 mV, conversion ready
FRESH = [READY, read(1, 6000), read(0, AVERAGING), read(3, 0)]


def test_construction_checks_configuration():
    """Construction writes the configuration and reads it back."""
    sensor, bus, _ = make()
    bus.expect()
    assert sensor.range_a == pytest.approx(16.0)


@pytest.mark.parametrize(
    ("max_current_a", "config", "range_a"),
    [(2.0, 0x01FF, 2.0), (4.0, 0x09FF, 4.0), (8.0, 0x11FF, 8.0), (8.1, 0x19FF, 16.0)],
)
def test_smallest_sufficient_range(max_current_a, config, range_a):
    """Smallest range that holds the current."""
    sensor, bus, _ = make(
        [*CONSTRUCTION, write(0, config), read(0, config)], max_current_a=max_current_a
    )
    bus.expect()
    assert sensor.range_a == pytest.approx(range_a)


def test_stock_shunt_range():
    """The stock shunt holds just its 3.2 A."""
    assert INA219.range_for(0.1, 3.2) == INA219.shunt_ranges_v.index(
        0.32
    )  # 0.1 * 3.2 is above 0.32 in floating point


@pytest.mark.parametrize(
    ("shunt_ohm", "max_current_a"),
    [(0.1, 3.3), (0.02, 16.1), (0.0, 1.0), (0.02, -1.0), (0.02, float("nan"))],
)
def test_insufficient_range_refused(shunt_ohm, max_current_a):
    """Shunt and current that no range holds are refused."""
    with pytest.raises(RefusedError) as refused:
        make([], shunt_ohm=shunt_ohm, max_current_a=max_current_a)
    assert refused.value.field in ("shunt_ohm", "max_current_a")


def test_refusal_names_what_is_possible():
    with pytest.raises(RefusedError) as refused:
        INA219.range_for(0.1, 5.0)
    assert (refused.value.field, refused.value.limit) == ("max_current_a", "3.2 A")


def test_empty_address():
    """No chip answers at the address."""
    nobody = OSError(errno.EREMOTEIO, "Remote I/O error")
    with raises_message(SensorError, "hardware.sensor.absent", chip="INA219", address=0x41):
        make([("write", b"", nobody), ("receive", b"", nobody)])


def test_bus_failing_in_constructor():
    """A bus that fails in the constructor gives a message about what to check."""
    with raises_message(SensorError, "hardware.sensor.absent"):
        make([("write", b"", None), failing(0)])


def test_other_device_found_by_readback():
    """Another device at the address is found by the readback."""
    with raises_message(SensorError, "hardware.sensor.impostor", written=0x19FF, found=0xFFFF):
        make([*CONSTRUCTION, write(0, AVERAGING), read(0, 0xFFFF)])


def test_stale_poll_is_one_exchange():
    """Poll without a fresh conversion is one exchange."""
    sensor, bus, _ = make()
    bus.expect(NOT_READY)
    assert sensor.poll() is None
    bus.expect()


def test_fresh_poll_order():
    """Fresh poll reads bus shunt configuration and power in this order."""
    sensor, bus, clock = make()
    bus.expect(*FRESH)
    bus.takes_s = 0.0005
    began_s = clock.monotonic_s()
    sample = sensor.poll()
    bus.expect()
    assert sample.current_a == pytest.approx(3.0)  # 6000 * 10 uV / 0.02 ohm
    assert sample.voltage_v == pytest.approx(3.0)
    assert not sample.saturated
    assert sample.averaged
    assert sample.taken_at_s - began_s == pytest.approx(0.002, rel=1e-6)


def test_reverse_current_is_negative():
    """Current against the etch is negative."""
    sensor, bus, _ = make()
    bus.expect(READY, read(1, 0x10000 - 6000), read(0, AVERAGING), read(3, 0))
    assert sensor.poll().current_a == pytest.approx(-3.0)


@pytest.mark.parametrize(
    ("raw", "saturated"),
    [(31903, False), (31904, True), (-31903, False), (-31904, True), (32000, True)],
)
def test_saturated_from_0_997(raw, saturated):
    """Saturated from 0.997 of the range."""
    sensor, bus, _ = make()
    bus.expect(READY, read(1, raw & 0xFFFF), read(0, AVERAGING), read(3, 0))
    assert sensor.poll().saturated is saturated


def test_look_again_is_one_conversion():
    """Look again takes one quick conversion and goes back."""
    sensor, bus, _ = make()
    bus.expect(write(0, QUICK))
    sensor.look_again()
    bus.expect(NOT_READY)
    assert sensor.poll() is None
    bus.expect(READY, read(1, 6000), read(0, QUICK), read(3, 0), write(0, AVERAGING))
    sample = sensor.poll()
    assert not sample.averaged
    assert sample.current_a == pytest.approx(3.0)
    bus.expect(*FRESH)
    assert sensor.poll().averaged
    bus.expect()


@pytest.mark.parametrize("found", [POWER_ON, 0x0000, QUICK])
def test_wrong_configuration_raised_once(found):
    """Wrong configuration is raised once and then written again."""
    sensor, bus, _ = make()
    bus.expect(READY, read(1, 6000), read(0, found))
    with pytest.raises(SensorResetError) as reset:
        sensor.poll()
    values = reset.value.message.values
    assert (values["found"], values["expected"]) == (found, 0x19FF)
    bus.expect(write(0, AVERAGING))
    assert sensor.poll() is None
    bus.expect(*FRESH)
    assert sensor.poll().current_a == pytest.approx(3.0)
    bus.expect()


@pytest.mark.parametrize(("pace", "config"), list(enumerate([0x19FF, 0x1CFF, 0x1D7F, 0x1DFF])))
def test_paces_in_order(pace, config):
    """1, 2, 4 and 8 readings of the bus voltage: ADC bits 0011, 1001, 1010 and 1011 of SBOS448,
    Table 5.
    """
    bus = ExpectedBus(VirtualClock(), CONSTRUCTION)
    assert Ina219Registers(bus, 0x41, 3).averaging(pace) == config


@pytest.mark.parametrize(("found", "cause"), [(POWER_ON, "power_lost"), (0x0000, "changed")])
def test_reset_told_from_meddling(found, cause):
    sensor, bus, _ = make()
    bus.expect(READY, read(1, 6000), read(0, found))
    with raises_message(SensorResetError, f"hardware.sensor.{cause}"):
        sensor.poll()


def test_averaging_wrong_in_quick_look():
    """Averaging configuration is wrong while a quick one was asked for."""
    sensor, bus, _ = make()
    bus.expect(write(0, QUICK))
    sensor.look_again()
    bus.expect(READY, read(1, 6000), read(0, AVERAGING))
    with pytest.raises(SensorResetError):
        sensor.poll()


FAILING_POLLS = [
    [failing(2)],
    [READY, failing(1)],
    [READY, read(1, 6000), failing(0)],
    [*FRESH[:3], failing(3)],
]


@pytest.mark.parametrize("first", FAILING_POLLS)
@pytest.mark.parametrize("second", FAILING_POLLS)
def test_second_failure_is_an_error(first, second):
    """First failure ends the poll and the second in a row is an error."""
    sensor, bus, _ = make()
    bus.expect(*first)
    assert sensor.poll() is None
    bus.expect(*second)
    with raises_message(SensorError, "hardware.sensor.failed_twice"):
        sensor.poll()
    bus.expect()


@pytest.mark.parametrize("between", [[NOT_READY], FRESH])
def test_success_forgives_a_failure(between):
    """Success between two failures forgives the first."""
    sensor, bus, _ = make()
    for exchanges in ([failing(2)], between, [failing(2)], between):
        bus.expect(*exchanges)
        sensor.poll()
    bus.expect()


def test_timeout_fails_at_once():
    """Timeout is an error at once."""
    sensor, bus, _ = make()
    bus.expect(failing(2, errno.ETIMEDOUT))
    with raises_message(SensorError, "hardware.sensor.bus_stuck"):
        sensor.poll()


def test_slow_failure_not_retried():
    """Failure after more than half a second is not tried again."""
    sensor, bus, _ = make()
    bus.expect(failing(2, errno.EIO))
    bus.takes_s = 0.51
    with raises_message(SensorError, "hardware.sensor.bus_stuck", limit_s=0.5) as caught:
        sensor.poll()
    assert caught.value.message.values["took_s"] == pytest.approx(0.51)


def test_fast_failure_retried():
    """Failure within half a second may be tried again."""
    sensor, bus, _ = make()
    bus.expect(failing(2, errno.EIO))
    bus.takes_s = 0.49
    assert sensor.poll() is None


def test_failed_quick_write():
    """Failed write of the quick configuration is an error and mended later."""
    sensor, bus, _ = make()
    bus.expect(("write", write(0, QUICK)[1], OSError(errno.EREMOTEIO, "bus")))
    with raises_message(SensorError, "hardware.sensor.write_failed"):
        sensor.look_again()
    bus.expect(write(0, AVERAGING))
    assert sensor.poll() is None
    bus.expect(*FRESH)
    assert sensor.poll().averaged


def test_failed_return_from_quick_look():
    """Failed way back from the quick configuration is an error."""
    sensor, bus, _ = make()
    bus.expect(write(0, QUICK))
    sensor.look_again()
    bus.expect(
        READY,
        read(1, 6000),
        read(0, QUICK),
        read(3, 0),
        ("write", write(0, AVERAGING)[1], OSError(errno.EIO, "bus")),
    )
    with pytest.raises(SensorError):
        sensor.poll()


def test_error_classes():
    """Sensor errors are OSErrors and a reset is a sensor error."""
    assert issubclass(SensorResetError, SensorError)
    assert issubclass(SensorError, OSError)
