"""Lamp, buzzer, dead-man pulse, second contactor and stop button on gpiozero's mock pins."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import pytest
from gpiozero import DigitalOutputDevice
from gpiozero.pins.mock import MockFactory

from api.main import Rehearsal, machine_board, rehearsal_rig
from controller.assembly import assemble
from controller.config import parse_settings
from controller.messages import Finding, RunState, Snapshot, TripReason
from controller.running.snapshot import take_snapshot
from controller.safety.run import new_run
from hardware.panel import (
    BUZZER,
    LAMP,
    Call,
    Pattern,
    SecondContactor,
    Signals,
    call_of,
)
from tests.kits.doubles import make_bench, plan_for, silver_request


@pytest.fixture
def outputs() -> tuple[DigitalOutputDevice, DigitalOutputDevice]:
    factory = MockFactory()
    return tuple(
        DigitalOutputDevice(pin, initial_value=False, pin_factory=factory)
        for pin in ("GPIO23", "GPIO24")
    )  # type: ignore[return-value]


def snapshot(**changes: Any) -> Snapshot:
    bench = make_bench()
    return replace(take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None), **changes)


def levels(
    signals: Signals, output: DigitalOutputDevice, state: RunState, seconds: float
) -> list[int]:
    seen = []
    for i in range(int(seconds / 0.25)):
        signals.follow(snapshot(state=state, at_s=1000.0 + i * 0.25), ())
        seen.append(output.value)
    return seen


def test_lamp_shows_states_differently() -> None:
    assert set(LAMP) == set(RunState)
    needy = [
        LAMP[state]
        for state in (RunState.RUNNING, RunState.PAUSED, RunState.FINISHED, RunState.TRIPPED)
    ]
    assert len(set(needy)) == len(needy)


LOST = Finding(TripReason.LOST_CONTACT, 0.01, 0.3, "A")
STOP = {"state": RunState.PAUSED, "gauge_stop_mm": 0.1}


@pytest.mark.parametrize(
    ("changes", "call"),
    [
        ({"state": RunState.IDLE}, Call.NOTHING),
        ({"state": RunState.CHECKING}, Call.NOTHING),
        ({"state": RunState.RUNNING}, Call.NOTHING),
        ({"state": RunState.STOPPED, "in_bath_without_current": True}, Call.NOTHING),
        ({"state": RunState.PAUSED, "finding": LOST}, Call.COME),
        ({**STOP, "finding": LOST, "in_bath_without_current": True}, Call.COME),
        ({**STOP, "in_bath_without_current": True}, Call.LIFT_NOW),
        (STOP, Call.REMINDER),
        ({"state": RunState.PAUSED, "in_bath_without_current": True}, Call.REMINDER),
        ({"state": RunState.FINISHED, "in_bath_without_current": True}, Call.LIFT_NOW),
        ({"state": RunState.FINISHED}, Call.NOTHING),
        ({"state": RunState.INTERRUPTED}, Call.COME),
        ({"state": RunState.TRIPPED}, Call.ALARM),
        ({"state": RunState.RUNNING, "relay_welded": True}, Call.WELDED),
        ({"state": RunState.TRIPPED, "relay_welded": True}, Call.WELDED),
    ],
)
def test_buzzer_calls(changes: dict[str, Any], call: Call) -> None:
    """A question calls "come", a plate in the acid "lift now"; a plate that is out calls nobody."""
    assert call_of(snapshot(**changes)) is call


def heard(output: DigitalOutputDevice, signals: Signals, seconds: float, **changes: Any) -> str:
    """Return the buzzer's levels, four a second, as a line: # for sound."""
    line = ""
    for i in range(int(seconds / 0.25)):
        signals.follow(snapshot(**{"at_s": 1003.1 + i * 0.25, **changes}), ())
        line += "#" if output.value else "."
    return line


def test_calls_sound_differently(
    outputs: tuple[DigitalOutputDevice, DigitalOutputDevice],
) -> None:
    """The words of hardware/README.md: three short; two long; short and fast."""
    _, buzzer = outputs
    come = heard(buzzer, Signals(None, buzzer), 6.0, state=RunState.INTERRUPTED)
    lift = heard(
        buzzer, Signals(None, buzzer), 6.0, state=RunState.FINISHED, in_bath_without_current=True
    )
    alarm = heard(buzzer, Signals(None, buzzer), 6.0, state=RunState.TRIPPED)
    assert come == "##..##..##.............."
    assert lift == "######..######.........."
    assert alarm == "##.." * 6
    assert len(set(BUZZER.values())) == len(Call)


def test_two_minutes_sound_once(
    outputs: tuple[DigitalOutputDevice, DigitalOutputDevice],
) -> None:
    """One long and two short, once. A trip in the middle wins."""
    _, buzzer = outputs
    signals = Signals(None, buzzer)
    running = {"state": RunState.RUNNING, "run_id": "r1"}
    assert "#" not in heard(buzzer, signals, 1.0, remaining_s=121.0, **running)
    sounded = heard(buzzer, signals, 10.0, remaining_s=120.0, **running)
    assert sounded == "######..##..##" + "." * 26
    signals = Signals(None, buzzer)
    heard(buzzer, signals, 1.0, remaining_s=121.0, **running)
    assert heard(buzzer, signals, 1.0, remaining_s=120.0, **running) == "####"
    assert heard(buzzer, signals, 2.0, state=RunState.TRIPPED, run_id="r1") == "##..##.."


def test_patterns_follow_the_snapshots_time(
    outputs: tuple[DigitalOutputDevice, DigitalOutputDevice],
) -> None:
    lamp, buzzer = outputs
    signals = Signals(lamp, buzzer)
    assert levels(signals, lamp, RunState.RUNNING, 2.0) == [1] * 8
    assert levels(signals, buzzer, RunState.RUNNING, 2.0) == [0] * 8
    assert levels(signals, lamp, RunState.TRIPPED, 2.0) == [1, 0] * 4
    assert levels(signals, buzzer, RunState.TRIPPED, 2.0) == [1, 1, 0, 0] * 2
    assert levels(signals, lamp, RunState.IDLE, 2.0) == [0] * 8


def test_welded_relay_sounds(
    outputs: tuple[DigitalOutputDevice, DigitalOutputDevice],
) -> None:
    """A welded relay sounds without pause and drops the second contactor."""
    contactor, buzzer = outputs
    signals, second = Signals(None, buzzer), SecondContactor(contactor)
    second.follow(snapshot(state=RunState.CHECKING), ())
    assert contactor.value == 1
    for at_s in (1000.0, 1000.6, 1003.3):
        welded = snapshot(state=RunState.TRIPPED, relay_welded=True, at_s=at_s)
        signals.follow(welded, ())
        second.follow(welded, ())
        assert buzzer.value == 1
        assert contactor.value == 0


@pytest.mark.parametrize("state", [state for state in RunState if state is not RunState.CHECKING])
def test_contactor_waits_for_check(
    outputs: tuple[DigitalOutputDevice, DigitalOutputDevice], state: RunState
) -> None:
    """A restarted program remembers no weld: the contactor stays open until a check begins."""
    contactor, _ = outputs
    second = SecondContactor(contactor)
    second.follow(snapshot(state=state), ())
    assert contactor.value == 0
    second.follow(snapshot(state=RunState.CHECKING), ())
    assert contactor.value == 1
    second.follow(snapshot(state=state), ())
    assert contactor.value == 1


def test_pattern_starts_on() -> None:
    """A pattern is on at the start of its period."""
    pattern = Pattern(0.25, 1.0)
    assert [pattern.is_on(t) for t in (10.0, 10.2, 10.25, 10.9, 11.1)] == [
        True,
        True,
        False,
        False,
        True,
    ]


def test_panel_on_rehearsal_rig() -> None:
    """The dead-man output changes with each good sample of a run and never outside one; the button
    stops the run.
    """
    settings = parse_settings(
        {
            "rig": {
                "lamp_pin": "GPIO23",
                "buzzer_pin": "GPIO24",
                "dead_man_pin": "GPIO22",
                "stop_button_pin": "GPIO27",
            }
        }
    )
    plan = plan_for(silver_request(), settings, 16.0)
    rig = rehearsal_rig(plan, Rehearsal(), settings)
    assert rig.model is not None
    pins = {
        name: rig.model.pin_factory.pin(name) for name in ("GPIO17", "GPIO22", "GPIO23", "GPIO27")
    }
    assembly = assemble(rig, settings, board=machine_board(), new_run_id=lambda: "r")
    clock = rig.clock

    def run_for(seconds: float) -> None:
        for _ in range(round(seconds / 0.02)):
            assembly.loop.step()
            rig.pacer.wait_until(clock.monotonic_s() + 0.02)

    run_for(1.0)
    pins["GPIO22"].clear_states()
    run_for(5.0)
    assert len(pins["GPIO22"].states) == 1, "no pulse outside a run"
    assembly.supervisor.start(new_run("r", plan, settings.limits))
    run_for(12.0)
    assert assembly.supervisor.state is RunState.RUNNING
    assert pins["GPIO17"].state == 1
    assert pins["GPIO23"].state == 1
    # 10.8 s of running at one pulse per conversion of about 68.6 ms.
    assert len(pins["GPIO22"].states) == pytest.approx(10.8 / 0.0686, rel=0.1)
    pins["GPIO27"].drive_low()
    assert pins["GPIO17"].state == 0, "at once, from gpiozero's thread"
    run_for(0.1)
    assert assembly.supervisor.state is RunState.STOPPED
    assert str(assembly.supervisor.message) == "The stop button was pressed."
    assert pins["GPIO23"].state == 0
