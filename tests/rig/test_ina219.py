"""The driver, by the bytes it exchanges. Register values: TI INA219 data sheet, SBOS448 Rev F, Tables 2 and 4 to 7."""

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


# What the library itself does when constructed (adafruit-circuitpython-ina219 3.5.2: probe, 32 V, gain /8,
# calibration 4096, both converters 12 bit, both continuous), then the configuration and its readback.
CONSTRUCTION = [
    ("write", b"", None),
    *modify(POWER_ON, POWER_ON) * 2,
    write(5, 4096),
    *modify(POWER_ON, POWER_ON) * 3,
]
STARTED = [*CONSTRUCTION, write(0, AVERAGING), read(0, AVERAGING)]


class ExpectedBus:
    """A bus that knows every exchange to come: another one fails, and so does one that is left over."""

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


def test_construction_writes_the_configuration_and_reads_it_back():
    sensor, bus, _ = make()
    bus.expect()
    assert sensor.range_a == pytest.approx(16.0)


@pytest.mark.parametrize(
    ("max_current_a", "config", "range_a"),
    [(2.0, 0x01FF, 2.0), (4.0, 0x09FF, 4.0), (8.0, 0x11FF, 8.0), (8.1, 0x19FF, 16.0)],
)
def test_smallest_range_that_holds_the_current(max_current_a, config, range_a):
    sensor, bus, _ = make(
        [*CONSTRUCTION, write(0, config), read(0, config)], max_current_a=max_current_a
    )
    bus.expect()
    assert sensor.range_a == pytest.approx(range_a)


def test_the_stock_shunt_holds_just_its_3_2_a():
    assert INA219.range_for(0.1, 3.2) == INA219.shunt_ranges_v.index(
        0.32
    )  # 0.1 * 3.2 is above 0.32 in floating point


@pytest.mark.parametrize(
    ("shunt_ohm", "max_current_a"),
    [(0.1, 3.3), (0.02, 16.1), (0.0, 1.0), (0.02, -1.0), (0.02, float("nan"))],
)
def test_shunt_and_current_that_no_range_holds_are_refused(shunt_ohm, max_current_a):
    with pytest.raises(RefusedError) as refused:
        make([], shunt_ohm=shunt_ohm, max_current_a=max_current_a)
    assert refused.value.field in ("shunt_ohm", "max_current_a")


def test_refusal_names_what_is_possible():
    with pytest.raises(RefusedError) as refused:
        INA219.range_for(0.1, 5.0)
    assert (refused.value.field, refused.value.limit) == ("max_current_a", "3.2 A")


def test_nobody_at_the_address_says_what_to_check():
    nobody = OSError(errno.EREMOTEIO, "Remote I/O error")
    with raises_message(SensorError, "hardware.sensor.absent", chip="INA219", address=0x41):
        make([("write", b"", nobody), ("receive", b"", nobody)])


def test_bus_failing_in_the_constructor_says_what_to_check():
    with raises_message(SensorError, "hardware.sensor.absent"):
        make([("write", b"", None), failing(0)])


def test_another_device_at_the_address_is_found_by_the_readback():
    with raises_message(SensorError, "hardware.sensor.impostor", written=0x19FF, found=0xFFFF):
        make([*CONSTRUCTION, write(0, AVERAGING), read(0, 0xFFFF)])


def test_poll_without_a_fresh_conversion_is_one_exchange():
    sensor, bus, _ = make()
    bus.expect(NOT_READY)
    assert sensor.poll() is None
    bus.expect()


def test_fresh_poll_reads_bus_shunt_configuration_and_power_in_this_order():
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


def test_current_against_the_etch_is_negative():
    sensor, bus, _ = make()
    bus.expect(READY, read(1, 0x10000 - 6000), read(0, AVERAGING), read(3, 0))
    assert sensor.poll().current_a == pytest.approx(-3.0)


@pytest.mark.parametrize(
    ("raw", "saturated"),
    [(31903, False), (31904, True), (-31903, False), (-31904, True), (32000, True)],
)
def test_saturated_from_0_997_of_the_range(raw, saturated):
    sensor, bus, _ = make()
    bus.expect(READY, read(1, raw & 0xFFFF), read(0, AVERAGING), read(3, 0))
    assert sensor.poll().saturated is saturated


def test_look_again_takes_one_quick_conversion_and_goes_back():
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
def test_wrong_configuration_is_raised_once_and_then_written_again(found):
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
    """1, 2, 4 and 8 readings of the bus voltage: ADC bits 0011, 1001, 1010 and 1011 of SBOS448, Table 5."""
    bus = ExpectedBus(VirtualClock(), CONSTRUCTION)
    assert Ina219Registers(bus, 0x41, 3).averaging(pace) == config


@pytest.mark.parametrize(("found", "cause"), [(POWER_ON, "power_lost"), (0x0000, "changed")])
def test_reset_told_from_meddling(found, cause):
    sensor, bus, _ = make()
    bus.expect(READY, read(1, 6000), read(0, found))
    with raises_message(SensorResetError, f"hardware.sensor.{cause}"):
        sensor.poll()


def test_averaging_configuration_is_wrong_while_a_quick_one_was_asked_for():
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
def test_first_failure_ends_the_poll_and_the_second_in_a_row_is_an_error(first, second):
    sensor, bus, _ = make()
    bus.expect(*first)
    assert sensor.poll() is None
    bus.expect(*second)
    with raises_message(SensorError, "hardware.sensor.failed_twice"):
        sensor.poll()
    bus.expect()


@pytest.mark.parametrize("between", [[NOT_READY], FRESH])
def test_success_between_two_failures_forgives_the_first(between):
    sensor, bus, _ = make()
    for exchanges in ([failing(2)], between, [failing(2)], between):
        bus.expect(*exchanges)
        sensor.poll()
    bus.expect()


def test_timeout_is_an_error_at_once():
    sensor, bus, _ = make()
    bus.expect(failing(2, errno.ETIMEDOUT))
    with raises_message(SensorError, "hardware.sensor.bus_stuck"):
        sensor.poll()


def test_failure_after_more_than_half_a_second_is_not_tried_again():
    sensor, bus, _ = make()
    bus.expect(failing(2, errno.EIO))
    bus.takes_s = 0.51
    with raises_message(SensorError, "hardware.sensor.bus_stuck", limit_s=0.5) as caught:
        sensor.poll()
    assert caught.value.message.values["took_s"] == pytest.approx(0.51)


def test_failure_within_half_a_second_may_be_tried_again():
    sensor, bus, _ = make()
    bus.expect(failing(2, errno.EIO))
    bus.takes_s = 0.49
    assert sensor.poll() is None


def test_failed_write_of_the_quick_configuration_is_an_error_and_mended_later():
    sensor, bus, _ = make()
    bus.expect(("write", write(0, QUICK)[1], OSError(errno.EREMOTEIO, "bus")))
    with raises_message(SensorError, "hardware.sensor.write_failed"):
        sensor.look_again()
    bus.expect(write(0, AVERAGING))
    assert sensor.poll() is None
    bus.expect(*FRESH)
    assert sensor.poll().averaged


def test_failed_way_back_from_the_quick_configuration_is_an_error():
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


def test_sensor_errors_are_os_errors_and_a_reset_is_a_sensor_error():
    assert issubclass(SensorResetError, SensorError)
    assert issubclass(SensorError, OSError)
