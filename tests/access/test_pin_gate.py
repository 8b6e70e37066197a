"""The PIN: how fast all clients together may try it, and what a guesser gains."""

from __future__ import annotations

import itertools
import logging

import pytest

from api.access.pin_gate import (
    LIFE_AFTER_USE_S,
    LIFE_S,
    LONGEST_WAIT_S,
    NEW_PIN_AFTER,
    PinGate,
    TooManyTriesError,
    draw_pin,
)
from hardware.clock import VirtualClock

WHOM = "192.0.2.9"


def gate(*pins: str) -> tuple[PinGate, VirtualClock]:
    clock, drawn = VirtualClock(), iter(pins or ("271828",))
    return PinGate(clock, lambda: next(drawn)), clock


def test_pin_format() -> None:
    drawn = {draw_pin() for _ in range(200)}
    assert all(len(pin) == 6 and pin.isdigit() for pin in drawn)
    assert len(drawn) > 190, "of a million, 200 draws repeat hardly ever"


def test_right_and_wrong_pin() -> None:
    pins, _ = gate()
    assert pins.wait_s() == 0
    assert pins.admits("271828", WHOM)
    for wrong in ("271829", "", "2718281", "\u0662\u0667\u0661\u0668\u0662\u0668"):
        pins, _ = gate()
        assert not pins.admits(wrong, WHOM)


@pytest.mark.parametrize("start_s", [13562.42857142857, 50000.0])
def test_wait_doubles(start_s: float) -> None:
    """Time plus wait minus time is just over 600 s at first, in binary floating point."""
    clock = VirtualClock(start_s=start_s)
    pins = PinGate(clock, lambda: "271828")
    waits = []
    for _ in range(13):
        assert not pins.admits("000000", WHOM)
        waits.append(pins.wait_s())
        clock.advance(waits[-1])
        assert pins.wait_s() == 0
    assert waits == [1, 2, 4, 8, 16, 32, 64, 128, 256, 512, 600, 600, 600]
    assert LONGEST_WAIT_S == 600.0


def test_no_pin_during_wait() -> None:
    pins, clock = gate()
    pins.admits("000000", WHOM)
    clock.advance(0.9)
    with pytest.raises(TooManyTriesError, match="in 1 s") as caught:
        pins.admits("271828", WHOM)
    assert caught.value.wait_s == 1
    clock.advance(0.2)
    assert pins.admits("271828", WHOM)


def test_refused_try_adds_nothing() -> None:
    pins, clock = gate()
    pins.admits("000000", WHOM)
    for _ in range(50):
        with pytest.raises(TooManyTriesError):
            pins.admits("000000", WHOM)
    clock.advance(1.0)
    assert pins.admits("271828", WHOM)


def test_right_pin_ends_wait() -> None:
    pins, clock = gate()
    for _ in range(5):
        pins.admits("000000", WHOM)
        clock.advance(600.0)
    assert pins.admits("271828", WHOM)
    pins.admits("000000", WHOM)
    assert pins.wait_s() == 1


def test_new_pin_after_twenty(
    caplog: pytest.LogCaptureFixture,
) -> None:
    pins, clock = gate("271828", "314159")
    for tried in range(NEW_PIN_AFTER):
        assert pins.pin == "271828", tried
        with caplog.at_level(logging.WARNING, "biteclock"):
            pins.admits("000000", WHOM)
        clock.advance(600.0)
    assert pins.pin == "314159"
    assert "314159" not in caplog.text, "the journal never holds a PIN"
    assert caplog.text.count(f"{WHOM} gave a wrong PIN") == NEW_PIN_AFTER
    assert not pins.admits("271828", WHOM)


def test_month_of_guessing() -> None:
    """Each try hits one PIN in a million; a month is 30 days of 86 400 s."""
    clock, month_s, tries = VirtualClock(), 30 * 86_400.0, 0
    pins = PinGate(clock, itertools.cycle(("271828", "314159")).__next__)
    end_s = clock.monotonic_s() + month_s
    while clock.monotonic_s() < end_s:
        pins.admits("000000", WHOM)
        tries += 1
        clock.advance(pins.wait_s())
    assert tries / 1e6 < 0.005


def test_renewed_pin() -> None:
    pins, _ = gate("271828", "314159")
    pins.admits("000000", WHOM)
    pins.renew()
    assert (pins.pin, pins.wait_s()) == ("314159", 0)
    assert pins.admits("314159", WHOM)


def test_pin_ends_after_a_day() -> None:
    pins, clock = gate("271828", "314159")
    clock.advance(LIFE_S - 1.0)
    assert pins.admits("271828", WHOM)
    pins, clock = gate("271828", "314159")
    clock.advance(LIFE_S)
    assert pins.left_s() == 0
    assert not pins.admits("271828", WHOM)


def test_pin_ends_after_use() -> None:
    """The phones of one sitting use one PIN; a phone that comes back later does not."""
    pins, clock = gate("271828", "314159")
    assert pins.admits("271828", WHOM)
    clock.advance(LIFE_AFTER_USE_S - 1.0)
    assert pins.left_s() == 1
    assert pins.admits("271828", "192.0.2.10"), "a second use does not prolong it"
    clock.advance(1.0)
    assert not pins.admits("271828", WHOM)


def test_ended_pin_is_replaced() -> None:
    pins, clock = gate("271828", "314159")
    clock.advance(LIFE_S)
    assert not pins.admits("314159", WHOM), "none is in force until somebody asks for it"
    clock.advance(1.0)
    assert pins.pin == "314159"
    assert pins.left_s() == LIFE_S
    assert pins.admits("314159", WHOM)
