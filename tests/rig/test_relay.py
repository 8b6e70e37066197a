"""The relay gate: whoever asks for off wins, from any thread and from a signal handler in the
middle of ``turn_on``.
"""

from __future__ import annotations

import sys
import threading
from collections.abc import Callable
from types import FrameType
from typing import Any

import pytest

from controller.errors import RelayRevokedError
from controller.messages import OffRequest
from controller.texts import Message, text_or_none
from hardware.relay import RelayGate
from tests.kits.doubles import RecordingPin
from tests.kits.message_kit import raises_message

WAIT_S = 60.0
"""Limit on hanging, not a speed: nothing here waits unless something is broken."""


class PinWithHooks(RecordingPin):
    """A pin that calls something before or after it goes high."""

    def __init__(self) -> None:
        super().__init__()
        self.before_on: Callable[[], None] = lambda: None
        self.after_on: Callable[[], None] = lambda: None

    def on(self) -> None:
        self.before_on()
        super().on()
        self.after_on()


def in_thread(action: Callable[[], None]) -> threading.Thread:
    thread = threading.Thread(target=action, daemon=True)
    thread.start()
    return thread


def test_off_at_construction() -> None:
    """Off at construction on and off."""
    pin = RecordingPin()
    pin.value = 1
    gate = RelayGate(pin)
    assert not gate.reads_on()
    gate.turn_on()
    assert gate.reads_on()
    gate.turn_off()
    assert not gate.reads_on()
    assert pin.levels == [0, 1, 0]
    gate.turn_on()
    assert gate.reads_on(), "a plain off leaves no latch"


def test_reads_on_reads_the_pin() -> None:
    """Reads on is what the pin reads back."""
    pin = RecordingPin()
    gate = RelayGate(pin)
    gate.turn_on()
    pin.value = 0
    assert not gate.reads_on()


@pytest.mark.parametrize("request_", list(OffRequest))
def test_revoked_gate_stays_off(request_: OffRequest) -> None:
    """A revoked gate is off and stays off."""
    pin = RecordingPin()
    gate = RelayGate(pin)
    gate.turn_on()
    gate.revoke(request_)
    assert not gate.reads_on()
    assert gate.standing_request() == (request_, 1)
    standing = Message(f"hardware.off_request.{request_.value}")
    assert text_or_none(standing.key) is not None
    with raises_message(RelayRevokedError, "hardware.relay_revoked", request=standing):
        gate.turn_on()
    assert pin.levels.count(1) == 1, "not even for an instant"


@pytest.mark.parametrize("moment", ["before_on", "after_on"])
def test_signal_handler_wins(moment: str) -> None:
    """A signal handler that revokes inside turn on wins."""
    pin = PinWithHooks()
    gate = RelayGate(pin)
    setattr(pin, moment, lambda: gate.revoke(OffRequest.SHUTDOWN))
    done = threading.Event()
    errors: list[BaseException] = []

    def body() -> None:
        try:
            gate.turn_on()
        except RelayRevokedError as error:
            errors.append(error)
        done.set()

    in_thread(body)
    assert done.wait(WAIT_S), "a signal handler must not wait for its own thread's lock"
    assert len(errors) == 1
    assert not gate.reads_on()
    assert pin.levels[-1] == 0


def test_revoking_thread_wins() -> None:
    """A thread that revokes while another turns on wins."""
    pin = PinWithHooks()
    gate = RelayGate(pin)
    in_the_middle, go_on = threading.Event(), threading.Event()

    def wait() -> None:
        in_the_middle.set()
        assert go_on.wait(WAIT_S)

    pin.before_on = wait
    switching = in_thread(gate.turn_on)
    assert in_the_middle.wait(WAIT_S)
    asking = threading.Event()

    def revoke() -> None:
        asking.set()
        gate.revoke(OffRequest.STOP)

    stopping = in_thread(revoke)
    assert asking.wait(WAIT_S)
    go_on.set()
    switching.join(WAIT_S)
    stopping.join(WAIT_S)
    assert not switching.is_alive()
    assert not stopping.is_alive()
    assert pin.levels == [0, 1, 0], "on for the other thread's moment, then off for good"
    assert gate.standing_request() == (OffRequest.STOP, 1)


def test_many_threads_end_off() -> None:
    """Whichever of many threads comes first the gate ends off."""
    for _ in range(50):
        gate = RelayGate(RecordingPin())
        barrier = threading.Barrier(3)

        def switch(gate: RelayGate = gate, barrier: threading.Barrier = barrier) -> None:
            barrier.wait(WAIT_S)
            try:
                gate.turn_on()
            except RelayRevokedError:
                return

        def stop(gate: RelayGate = gate, barrier: threading.Barrier = barrier) -> None:
            barrier.wait(WAIT_S)
            gate.revoke(OffRequest.STOP)

        threads = [in_thread(switch), in_thread(switch), in_thread(stop)]
        for thread in threads:
            thread.join(WAIT_S)
            assert not thread.is_alive()
        assert not gate.reads_on()


def test_requests_are_numbered() -> None:
    """The first request keeps its name and each has its number."""
    gate = RelayGate(RecordingPin())
    assert gate.standing_request() is None
    gate.revoke(OffRequest.STOP)
    gate.revoke(OffRequest.SENSOR_STALE)
    assert gate.standing_request() == (OffRequest.STOP, 2)


@pytest.mark.parametrize("request_", [OffRequest.STOP, OffRequest.STOP_BUTTON])
def test_stop_outranks_stale_sensor(request_: OffRequest) -> None:
    """A run at rest ignores a stale sensor. A Stop behind it must not be lost with it."""
    gate = RelayGate(RecordingPin())
    gate.revoke(OffRequest.SENSOR_STALE)
    gate.revoke(request_)
    gate.revoke(OffRequest.SENSOR_STALE)
    assert gate.standing_request() == (request_, 3)


def test_newer_request_stands() -> None:
    """Reinstating by number leaves a newer request standing."""
    gate = RelayGate(RecordingPin())
    gate.revoke(OffRequest.SENSOR_STALE)
    standing = gate.standing_request()
    assert standing is not None
    gate.revoke(OffRequest.STOP)  # comes while the first is dealt with
    gate.reinstate(standing[1])
    assert gate.standing_request() == (OffRequest.STOP, 2)
    with pytest.raises(RelayRevokedError):
        gate.turn_on()
    gate.reinstate(2)
    assert gate.standing_request() is None
    gate.turn_on()
    gate.reinstate(2)
    assert gate.reads_on(), "reinstating twice changes nothing"
    gate.revoke(OffRequest.STOP)
    assert gate.standing_request() == (OffRequest.STOP, 3), "a number is never used twice"


@pytest.mark.parametrize("earlier", [None, OffRequest.STOP, OffRequest.SENSOR_STALE])
def test_shutdown_overrides_and_is_final(earlier: OffRequest | None) -> None:
    gate = RelayGate(RecordingPin())
    if earlier is not None:
        gate.revoke(earlier)
    gate.revoke(OffRequest.SHUTDOWN)
    gate.revoke(OffRequest.SENSOR_STALE)
    gate.reinstate(gate.newest_request())
    standing = gate.standing_request()
    assert standing is not None
    assert standing[0] is OffRequest.SHUTDOWN
    gate.reinstate(standing[1])
    assert gate.standing_request() == standing
    shutdown = Message("hardware.off_request.shutdown")
    with raises_message(RelayRevokedError, "hardware.relay_revoked", request=shutdown):
        gate.turn_on()


@pytest.mark.parametrize("earlier", [OffRequest.STOP, OffRequest.STOP_BUTTON])
def test_stop_precedes_shutdown(earlier: OffRequest) -> None:
    """A person's Stop is obeyed first, so that the run ends. SHUTDOWN stands behind it."""
    gate = RelayGate(RecordingPin())
    gate.revoke(earlier)
    gate.revoke(OffRequest.SHUTDOWN)
    assert gate.standing_request() == (earlier, 2)
    gate.reinstate(2)
    assert gate.standing_request() == (OffRequest.SHUTDOWN, 2)
    gate.reinstate(2)
    assert gate.standing_request() == (OffRequest.SHUTDOWN, 2)


def interrupted(action: Callable[[], None], handler: Callable[[], None], at: int) -> bool:
    """Call the action; call the handler before its opcode number ``at`` in the gate.

    A signal handler may run there. Return whether the action has so many opcodes.
    """
    passed = 0

    def trace(frame: FrameType, event: str, _argument: object) -> Any:
        nonlocal passed
        if frame.f_code.co_filename != RelayGate.revoke.__code__.co_filename:
            return None
        frame.f_trace_opcodes = True
        if event == "opcode":
            passed += 1
            if passed == at + 1:
                sys.settrace(None)
                handler()
                sys.settrace(trace)
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        action()
    finally:
        sys.settrace(before)
    return passed > at


@pytest.mark.parametrize("action", ["revoke", "reinstate"])
def test_shutdown_at_any_moment(action: str) -> None:
    """A signal handler asks for SHUTDOWN at each moment of another request or of its clearing.

    SHUTDOWN stands afterwards, and the relay stays off.
    """
    at, reached = 0, True
    while reached:
        gate = RelayGate(RecordingPin())
        if action == "reinstate":
            gate.revoke(OffRequest.STOP)
        body = {
            "revoke": lambda gate=gate: gate.revoke(OffRequest.STOP),
            "reinstate": lambda gate=gate: gate.reinstate(1),
        }[action]
        shut_down = lambda gate=gate: gate.revoke(OffRequest.SHUTDOWN)  # noqa: E731
        reached = interrupted(body, shut_down, at)
        if reached:
            gate.reinstate(gate.newest_request())
            standing = gate.standing_request()
            assert standing is not None, f"lost at opcode {at}"
            assert standing[0] is OffRequest.SHUTDOWN, f"lost at opcode {at}"
            with pytest.raises(RelayRevokedError):
                gate.turn_on()
        at += 1
    assert at > 20, "the handler came in the middle of something"


def test_failing_pin_latches_request() -> None:
    """A pin that fails to go off still latches the request."""
    pin = RecordingPin()
    gate = RelayGate(pin)
    gate.turn_on()

    def fail() -> None:
        raise OSError("pin lost")

    pin.off = fail  # type: ignore[method-assign]
    with pytest.raises(OSError, match="pin lost"):
        gate.revoke(OffRequest.STOP)
    assert gate.standing_request() == (OffRequest.STOP, 1)
    del pin.off  # type: ignore[attr-defined]
    with pytest.raises(RelayRevokedError):
        gate.turn_on()
    assert not gate.reads_on()
