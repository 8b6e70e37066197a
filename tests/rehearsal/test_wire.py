"""The rehearsal's I2C bus: time on the wire, acknowledgement, locks, and its two ways to fail."""

import errno
import threading

import pytest

from controller.config import Settings
from controller.errors import RefusedError
from hardware.clock import VirtualClock, wait_unlocked
from hardware.plan_rehearsal import Rehearsal, rehearsal_rig
from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.wire import I2cWire
from tests.kits.message_kit import raises_message


class SteppedWire:
    def __init__(self, bus_hz=100e3, transfer=None):
        self.clock = VirtualClock()
        self.caught_up = []
        self.chip = Ina219Chip()
        self.chip.power_on(self.clock.monotonic_s())
        self.wire = I2cWire(
            self.chip,
            self.clock,
            address=0x40,
            bus_hz=bus_hz,
            lock=threading.RLock(),
            catch_up=self.caught_up.append,
            transfer=transfer,
        )

    def took_s(self, call):
        began_s = self.clock.monotonic_s()
        call()
        return self.clock.monotonic_s() - began_s

    def read(self, register=0, address=0x40):
        buffer = bytearray([register, 0, 0])
        self.wire.writeto_then_readfrom(address, buffer, buffer, out_end=1, in_start=1, in_end=3)
        return buffer[1] << 8 | buffer[2]


@pytest.mark.parametrize(
    ("bus_hz", "read_s", "write_s"), [(100e3, 500e-6, 410e-6), (400e3, 162.5e-6, 140e-6)]
)
def test_transactions_take_time(bus_hz, read_s, write_s):
    """Nine bits a byte (NXP UM10204): five bytes for a register read, four for a write; 50 us for
    the system call.
    """
    stepped = SteppedWire(bus_hz)
    assert stepped.took_s(stepped.read) == pytest.approx(read_s, rel=1e-5)
    assert stepped.took_s(lambda: stepped.wire.writeto(0x40, b"\x05\x10\x00")) == pytest.approx(
        write_s, rel=1e-5
    )
    assert stepped.took_s(lambda: stepped.wire.readfrom_into(0x40, bytearray(2))) < read_s


def test_write_and_read():
    """Write and read reach the chip."""
    stepped = SteppedWire()
    stepped.wire.writeto(0x40, b"..\x05\x12\x34..", start=2, end=5)
    assert stepped.read(5) == 0x1234
    buffer = bytearray(4)
    stepped.wire.readfrom_into(0x40, buffer, start=1, end=3)
    assert buffer == b"\x00\x12\x34\x00"
    stepped.wire.writeto(0x40, b"")


def test_rig_catches_up():
    """The rig is stepped before a write and when an event is due."""
    stepped = SteppedWire()
    stepped.chip.due_s = float("inf")
    stepped.read()
    assert stepped.caught_up == []
    stepped.wire.event_s = stepped.clock.monotonic_s() + 0.0009
    stepped.read()
    assert stepped.caught_up == []
    stepped.read()
    assert stepped.caught_up == [stepped.clock.monotonic_s()]
    stepped.wire.event_s = float("inf")
    stepped.wire.writeto(0x40, b"\x05\x00\x00")
    assert len(stepped.caught_up) == 2


def test_nobody_at_another_address():
    stepped = SteppedWire()
    with pytest.raises(OSError, match="Remote") as caught:
        stepped.read(address=0x41)
    assert caught.value.errno == errno.EREMOTEIO == 121


def test_broken_bus_fails_at_once():
    """Broken bus fails every transaction at once."""
    stepped = SteppedWire()
    stepped.wire.break_off()
    for call in (
        stepped.read,
        lambda: stepped.wire.writeto(0x40, b""),
        lambda: stepped.wire.readfrom_into(0x40, bytearray(1)),
    ):
        began_s = stepped.clock.monotonic_s()
        with pytest.raises(OSError, match="Remote") as caught:
            call()
        assert caught.value.errno == 121
        assert stepped.clock.monotonic_s() - began_s < 0.001


def test_beats_fire_while_bus_blocks():
    """Stuck bus blocks a second and the beats fire meanwhile."""
    stepped = SteppedWire()
    beats = []
    stepped.clock.every(0.05, beats.append)
    stepped.wire.stick()
    began_s = stepped.clock.monotonic_s()
    with pytest.raises(OSError, match="timed out") as caught:
        stepped.read()
    assert caught.value.errno == errno.ETIMEDOUT == 110
    assert stepped.clock.monotonic_s() - began_s == pytest.approx(1.0205)
    assert len(beats) == 20
    assert beats[0] < began_s + 0.06


def test_beat_takes_lock_while_blocked():
    """Another thread does so in the middle of it, as the stop button's does through the relay."""
    clock = VirtualClock()
    lock = threading.RLock()
    wire = I2cWire(
        Ina219Chip(), clock, address=0x40, bus_hz=100e3, lock=lock, catch_up=lambda _: None
    )
    taken = []

    def beat(_):
        def body():
            taken.append(lock.acquire(timeout=60.0))
            lock.release()

        thread = threading.Thread(target=body)
        thread.start()
        thread.join()

    clock.every(0.5, beat)
    wire.stick()
    with pytest.raises(OSError, match="timed out"):
        wire.writeto(0x40, b"")
    assert taken == [True, True]


def test_bus_can_be_taken_once():
    wire = SteppedWire().wire
    assert wire.try_lock()
    assert not wire.try_lock()
    wire.unlock()
    assert wire.try_lock()


def test_other_read_refused():
    """Read that is no register read is refused."""
    with raises_message(RefusedError, "hardware.wire.pointer", count=2):
        SteppedWire().wire.writeto_then_readfrom(0x40, b"\x00\x01", bytearray(2))


def test_transfers_in_real_time():
    """A transfer waits for as long as it takes, before its data are there, and a stuck one too."""
    waited_s = []
    stepped = SteppedWire(transfer=waited_s.append)
    stepped.read()
    stepped.wire.writeto(0x40, b"\x05\x10\x00")
    assert waited_s == pytest.approx([500e-6, 410e-6], rel=1e-5)
    stepped.wire.stick()
    with pytest.raises(OSError, match="timed out"):
        stepped.read()
    assert waited_s[2:] == pytest.approx([500e-6, 1.02], rel=1e-5)


def test_real_transfer_frees_the_lock():
    """While a transfer waits, another thread computes: the interpreter's lock is free."""
    entered, computed = threading.Event(), threading.Event()

    def compute():
        entered.wait()
        computed.set()

    thread = threading.Thread(target=compute)
    thread.start()
    entered.set()
    while not computed.is_set():
        wait_unlocked(1e-4)
    thread.join()


def test_rehearsal_chooses_the_wire():
    """The option reaches the wire, and is off unless it is asked for."""
    settings = Settings()
    for wanted in (False, True):
        rig = rehearsal_rig(None, Rehearsal(real_transfers=wanted), settings)
        assert (rig.model.bus._transfer is wait_unlocked) is wanted
