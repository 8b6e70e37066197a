"""An INA219 on /dev/i2c-1 for a guest without I2C.

A character device in user space (CUSE) answers for the rehearsal chip.

The cell is a dummy load of 1 ohm on a supply of 3 A. The relay switches the supply's lead: current
flows only while the relay's line is high. Runs with the daemon's own Python, for
hardware.rehearsal.chip.
Source: Linux, include/uapi/linux/fuse.h and i2c-dev.h.
"""

from __future__ import annotations

import errno
import os
import struct
import time

from line import Line

from hardware.rehearsal.chip import Ina219Chip
from hardware.rehearsal.waveform import Waveform

SHUNT_OHM, LOAD_OHM, SUPPLY_A = 0.02, 1.0, 3.0
ADDRESS = 0x40
SLICE_S = 0.005
"""Longest time for which one look at the line counts, s."""

OPEN, READ, WRITE, RELEASE, FLUSH, INTERRUPT, IOCTL, CUSE_INIT = 14, 15, 16, 18, 25, 36, 39, 4096
RETRY, UNRESTRICTED, READ_FLAG = 4, 1, 1
I2C_SLAVE, I2C_FUNCS, I2C_RDWR = 0x0703, 0x0705, 0x0707
FUNCS = 0x0EFF0001
"""I2C_FUNC_I2C and I2C_FUNC_SMBUS_EMUL, which a Pi's adapter reports."""


class Circuit:
    """The chip, its shunt and the relay's line."""

    def __init__(self) -> None:
        self._line = Line()
        self._chip = Ina219Chip(noise_v=5e-6, bus_noise_v=1e-3)
        self._fed_s = time.monotonic()
        self._chip.power_on(self._fed_s)

    def advance(self) -> None:
        """Feed the chip with the present current for the time since the last call."""
        now_s = time.monotonic()
        current_a = SUPPLY_A if self._line.is_high() else 0.0
        wave = Waveform(current_a * SHUNT_OHM, 0.0, current_a * LOAD_OHM, 0.0, 1.0, 0.0)
        self._chip.feed(self._fed_s, now_s, wave)
        self._fed_s = now_s

    def write(self, address: int, data: bytes) -> None:
        """Write bytes to an address. Raises: OSError when nothing answers there."""
        self._answers(address)
        self._chip.receive(data, self._fed_s)

    def read(self, address: int, count: int) -> bytes:
        """Read bytes from an address. Raises: OSError when nothing answers there."""
        self._answers(address)
        return self._chip.transmit(count)

    def _answers(self, address: int) -> None:
        if address != ADDRESS:
            raise OSError(errno.EREMOTEIO, "no acknowledge")
        self.advance()


class Bus:
    """The character device."""

    def __init__(self, circuit: Circuit) -> None:
        self._circuit = circuit
        self._slave = 0
        self._cuse = os.open("/dev/cuse", os.O_RDWR)

    def serve(self) -> None:
        """Answer one request after the other, for ever."""
        while True:
            request = os.read(self._cuse, 1 << 18)
            _, opcode, unique = struct.unpack_from("<IIQ", request)
            if opcode == INTERRUPT:
                continue
            try:
                answer, error = self._answer(opcode, request[40:]), 0
            except OSError as problem:
                answer, error = b"", -(problem.errno or errno.EIO)
            os.write(self._cuse, struct.pack("<IiQ", 16 + len(answer), error, unique) + answer)

    def _answer(self, opcode: int, body: bytes) -> bytes:
        if opcode == CUSE_INIT:
            major, minor = struct.unpack_from("<II", body)
            return (
                struct.pack("<8I40x", major, minor, 0, UNRESTRICTED, 4096, 4096, 0, 0)
                + b"DEVNAME=i2c-1\0"
            )
        if opcode == OPEN:
            return struct.pack("<QII", 0, 0, 0)
        if opcode in (RELEASE, FLUSH):
            return b""
        if opcode == READ:
            return self._circuit.read(self._slave, struct.unpack_from("<QQI", body)[2])
        if opcode == WRITE:
            (size,) = struct.unpack_from("<16xI", body)
            self._circuit.write(self._slave, body[40 : 40 + size])
            return struct.pack("<II", size, 0)
        if opcode == IOCTL:
            return self._ioctl(body)
        raise OSError(errno.ENOSYS, f"opcode {opcode}")

    def _ioctl(self, body: bytes) -> bytes:
        _, _, command, argument, in_size, out_size = struct.unpack_from("<QIIQII", body)
        given = body[32 : 32 + in_size]
        if command == I2C_SLAVE:
            self._slave = argument & 0x7F
            return _done(0)
        if command == I2C_FUNCS:
            return _done(0, struct.pack("<Q", FUNCS)) if out_size else _ask((), ((argument, 8),))
        if command == I2C_RDWR:
            return self._transfer(argument, given)
        raise OSError(errno.ENOTTY, f"command 0x{command:04x}")

    def _transfer(self, argument: int, given: bytes) -> bytes:
        """Carry out the messages of I2C_RDWR.

        The kernel passes on the memory that they point to step by step, on request.
        """
        head = (argument, 16)
        if len(given) < 16:
            return _ask((head,), ())
        table, count = struct.unpack_from("<QI", given)
        start = 16 + 16 * count
        if len(given) < start:
            return _ask((head, (table, 16 * count)), ())
        messages = [struct.unpack_from("<HHH2xQ", given, 16 + 16 * index) for index in range(count)]
        writes = [(buffer, size) for _, flags, size, buffer in messages if not flags & READ_FLAG]
        reads = [(buffer, size) for _, flags, size, buffer in messages if flags & READ_FLAG]
        if len(given) < start + sum(size for _, size in writes):
            return _ask((head, (table, 16 * count), *writes), tuple(reads))
        answer = b""
        for address, flags, size, _ in messages:
            if flags & READ_FLAG:
                answer += self._circuit.read(address, size)
            else:
                self._circuit.write(address, given[start : start + size])
                start += size
        return _done(count, answer)


def _done(result: int, data: bytes = b"") -> bytes:
    return struct.pack("<iIII", result, 0, 0, 0) + data


def _ask(inputs: tuple[tuple[int, int], ...], outputs: tuple[tuple[int, int], ...]) -> bytes:
    """Return an answer that asks for the call again, with these parts of the caller's memory."""
    vectors = b"".join(struct.pack("<QQ", *vector) for vector in (*inputs, *outputs))
    return struct.pack("<iIII", 0, RETRY, len(inputs), len(outputs)) + vectors


if __name__ == "__main__":
    Bus(Circuit()).serve()
