"""The virtual clock, the pacers and the beat. Nothing here waits for real time."""

from __future__ import annotations

import os
import threading
from datetime import UTC, datetime, timedelta
from pathlib import Path
from types import SimpleNamespace

import pytest

from controller.errors import RefusedError
from controller.texts import text
from hardware import clock as module
from hardware.clock import LockstepPacer, SystemClock, SystemPacer, ThreadBeat, VirtualClock
from tests.kits.message_kit import raises_message

WAIT_S = 60.0
"""Limit on hanging, not a speed."""
START = datetime(2024, 2, 28, 12, 0, tzinfo=UTC)


class FakeTime:
    """Stands in for the time module. A wait passes at once and moves its clock."""

    def __init__(self, monkeypatch: pytest.MonkeyPatch) -> None:
        self.now_s = 500.0
        self.waited_s: list[float] = []
        monkeypatch.setattr(module, "time", SimpleNamespace(monotonic=lambda: self.now_s))
        fake = SimpleNamespace(Event=lambda: self, Thread=threading.Thread)
        monkeypatch.setattr(module, "threading", fake)

    def wait(self, timeout_s: float) -> None:
        self.waited_s.append(timeout_s)
        self.now_s += timeout_s


# --- virtual clock
# ----------------------------------------------------------------------------


def test_time_moves_when_advanced() -> None:
    """The time starts large and random, and moves only when it is advanced."""
    first, second = VirtualClock(), VirtualClock()
    assert first.monotonic_s() >= 1e4
    assert first.monotonic_s() != second.monotonic_s()
    assert first.boot_id() != second.boot_id()
    now_s = first.monotonic_s()
    assert first.monotonic_s() == now_s
    first.advance(2.5)
    assert first.monotonic_s() == now_s + 2.5
    first.advance(0.0)
    assert first.monotonic_s() == now_s + 2.5


@pytest.mark.parametrize("seconds", [-1e-6, -100.0])
def test_time_cannot_go_back(seconds: float) -> None:
    clock = VirtualClock(start_s=1000.0)
    with raises_message(RefusedError, "hardware.clock.backwards", now_s=1000.0):
        clock.advance(seconds)
    with raises_message(RefusedError, "hardware.clock.backwards", now_s=1000.0):
        clock.advance_to(1000.0 + seconds)
    assert clock.monotonic_s() == 1000.0


def test_jump_changes_wall_time_only() -> None:
    """Wall time follows and a jump changes the label only."""
    clock = VirtualClock(START, start_s=1000.0)
    beats: list[float] = []
    clock.every(1.0, beats.append)
    clock.advance(10.0)
    assert clock.utc_now() == START + timedelta(seconds=10)
    clock.jump_utc(-3600.0)
    assert clock.utc_now() == START + timedelta(seconds=10 - 3600)
    assert clock.monotonic_s() == 1010.0
    clock.advance(1.0)
    assert clock.utc_now() == START + timedelta(seconds=11 - 3600)
    assert beats == [1000.0 + i for i in range(1, 12)], "no beat lost, none made up"


def test_beats_fire_in_order() -> None:
    """Beats fire in order in the middle of an advance."""
    clock = VirtualClock(start_s=1000.0)
    seen: list[tuple[str, float, float]] = []
    clock.every(0.3, lambda now_s: seen.append(("slow", now_s, clock.monotonic_s())))
    clock.every(0.2, lambda now_s: seen.append(("fast", now_s, clock.monotonic_s())))
    clock.advance(0.65)
    assert [(name, pytest.approx(at_s)) for name, at_s, _ in seen] == [
        ("fast", 1000.2), ("slow", 1000.3), ("fast", 1000.4), ("slow", 1000.6), ("fast", 1000.6),
    ]  # fmt: skip
    assert all(told_s == stood_s for _, told_s, stood_s in seen), (
        "the clock shows the beat's time during the call"
    )
    assert clock.monotonic_s() == pytest.approx(1000.65)


def test_beat_at_the_deadline() -> None:
    """A beat exactly at the deadline fires and the next period counts from it."""
    clock = VirtualClock(start_s=1000.0)
    beats: list[float] = []
    clock.every(0.5, beats.append)
    clock.advance(0.5)
    clock.advance(0.4)
    clock.advance(0.1)
    assert beats == [1000.5, 1001.0]


def test_simultaneous_beats_keep_order() -> None:
    """Beats of one moment fire in the order in which they were requested."""
    clock, seen = VirtualClock(), list[str]()
    for name in ("first", "second", "third"):
        clock.every(0.5, lambda _now_s, name=name: seen.append(name))  # type: ignore[misc]
    clock.advance(2.0)
    assert seen == ["first", "second", "third"] * 4


def test_beat_advances_the_clock() -> None:
    """A beat may advance the clock itself."""
    clock = VirtualClock(start_s=1000.0)
    beats: list[float] = []

    def slow(now_s: float) -> None:
        beats.append(now_s)
        if len(beats) == 1:
            clock.advance(1.7)

    clock.every(1.0, slow)
    clock.advance(1.2)
    assert clock.monotonic_s() == pytest.approx(1002.7)
    assert beats == [1001.0, 1002.0]


# --- pacers
# ----------------------------------------------------------------------------


def test_headless_lockstep_never_waits(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Headless lockstep moves the clock and waits for nothing."""
    fake = FakeTime(monkeypatch)
    clock = VirtualClock(START, start_s=1000.0)
    pacer = LockstepPacer(clock)
    pacer.wait_until(1000.5)
    assert clock.monotonic_s() == 1000.5
    pacer.wait_until(1000.2)
    assert clock.monotonic_s() == 1000.5, "a deadline in the past is no step"
    assert fake.waited_s == []


def test_lockstep_waits_real_time(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Lockstep with a speed waits the real time of each step."""
    fake = FakeTime(monkeypatch)
    clock = VirtualClock(START, start_s=1000.0)
    pacer = LockstepPacer(clock, speed=30.0)
    for i in range(1, 4):
        pacer.wait_until(1000.0 + 3.0 * i)
    assert fake.waited_s == pytest.approx([0.1, 0.1, 0.1])
    assert clock.monotonic_s() == 1009.0


def test_lost_time_not_made_up(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """A busy machine slows the rehearsal and it is never made up for."""
    fake = FakeTime(monkeypatch)
    clock = VirtualClock(START, start_s=1000.0)
    pacer = LockstepPacer(clock, speed=10.0)
    pacer.wait_until(1001.0)
    fake.now_s += 60.0
    pacer.wait_until(1002.0)
    pacer.wait_until(1003.0)
    assert fake.waited_s == pytest.approx([0.1, 0.1])
    assert clock.monotonic_s() == 1003.0
    # Work of 40 ms inside a step of 100 ms comes off its wait.
    fake.now_s += 0.04
    pacer.wait_until(1004.0)
    assert fake.waited_s[-1] == pytest.approx(0.06)


@pytest.mark.parametrize("speed", [0.0, -1.0, float("nan")])
def test_impossible_speed_refused(speed: float) -> None:
    """A speed of 0 or below is refused."""
    with raises_message(RefusedError, "hardware.clock.speed"):
        LockstepPacer(VirtualClock(), speed)


def test_system_pacer_waits_the_rest(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The system pacer waits what is left and not when late."""
    fake = FakeTime(monkeypatch)
    pacer = SystemPacer(SystemClock())
    pacer.wait_until(500.02)
    assert fake.waited_s == pytest.approx([0.02])
    pacer.wait_until(500.0)
    assert len(fake.waited_s) == 1
    pacer.wait_until(fake.now_s + 0.5)
    assert fake.waited_s[-1] == pytest.approx(0.5)


# --- the machine's own
# ----------------------------------------------------------------------------


def test_the_system_clock() -> None:
    clock = SystemClock()
    first_s = clock.monotonic_s()
    assert clock.monotonic_s() >= first_s
    assert clock.utc_now().tzinfo is UTC
    assert len(clock.boot_id()) == 36
    assert clock.boot_id() == clock.boot_id()


def test_signal_wakes_the_beat(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The beat calls back from its own thread as soon as a signal arrives."""
    # No period passes here: each one asked for becomes a wait for the descriptor alone.
    periods_s: list[float] = []
    select = module.select.select

    def without_period(*arguments: object) -> object:
        periods_s.append(arguments[3])  # type: ignore[arg-type]
        return select(*arguments[:3])  # type: ignore[arg-type]

    monkeypatch.setattr(module, "select", SimpleNamespace(select=without_period))
    reader, writer = os.pipe()
    called, names = threading.Semaphore(0), []

    def callback(now_s: float) -> None:
        assert now_s > 0.0
        names.append(threading.current_thread().name)
        called.release()

    signals: list[int] = []
    ThreadBeat(SystemClock(), reader, signals.append).every(0.05, callback)
    for number in (15, 2):
        os.write(writer, bytes([number]))
        assert called.acquire(timeout=WAIT_S)
    assert signals == [15, 2]
    assert periods_s[:2] == [0.05, 0.05]
    assert names == ["biteclock-beat"] * 2


def test_beat_survives_a_failure(
    monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """A watch that ends with its first exception is no watch."""
    monkeypatch.setattr(
        module, "select", SimpleNamespace(select=lambda _r, _w, _x, _period_s: ([], [], []))
    )
    beats: list[float] = []
    twice = threading.Event()

    def callback(now_s: float) -> None:
        beats.append(now_s)
        if len(beats) == 1:
            raise OSError("line lost")
        twice.set()
        threading.Event().wait()

    ThreadBeat(SystemClock()).every(0.05, callback)
    assert twice.wait(WAIT_S)
    assert [record.args for record in caplog.records] == [(text("hardware.beat_failed"),)]


@pytest.mark.parametrize("period_s", [0.0, -1.0, float("nan")])
def test_a_beat_needs_a_period(period_s: float) -> None:
    with raises_message(RefusedError, "hardware.clock.period"):
        VirtualClock().every(period_s, lambda _now_s: None)


def test_beat_calls_each_period(monkeypatch: pytest.MonkeyPatch) -> None:
    """The beat calls back each period."""
    passed, called = threading.Semaphore(2), threading.Semaphore(0)
    done = threading.Event()

    def period_passes(
        _r: object, _w: object, _x: object, period_s: float
    ) -> tuple[list[int], list[int], list[int]]:
        assert period_s == 0.05
        if not passed.acquire(timeout=0):
            done.set()
            threading.Event().wait()
        return [], [], []

    monkeypatch.setattr(module, "select", SimpleNamespace(select=period_passes))
    ThreadBeat(SystemClock()).every(0.05, lambda _now_s: called.release())
    assert done.wait(WAIT_S)
    assert [called.acquire(blocking=False) for _ in range(3)] == [True, True, False]


def test_network_sets_the_clock(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The wall clock counts as set once a time service has set it, and stays so."""
    mark = tmp_path / "synchronized"
    monkeypatch.setattr("hardware.clock.is_clock_synchronised", mark.exists)
    clock = SystemClock()
    assert not clock.is_utc_set()
    mark.touch()
    assert clock.is_utc_set()
    mark.unlink()
    assert clock.is_utc_set(), "the kernel forgets after hours without network"
    assert not SystemClock().is_utc_set()
