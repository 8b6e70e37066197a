"""A stop button that is held or stuck: no run starts, and none carries on."""

from __future__ import annotations

import pytest

from controller.errors import WrongStateError
from controller.messages import RunState
from controller.texts import Message
from tests.kits.doubles import Bench, make_bench

S = RunState
REFUSED = Message("supervisor.refused.stop_button_held")


class Button:
    """A button whose edge nobody has seen."""

    def __init__(self) -> None:
        self.is_down = False

    def is_held(self) -> bool:
        return self.is_down


def bench_with_button() -> tuple[Bench, Button]:
    bench, button = make_bench(), Button()
    bench.supervisor._stop_button = button
    bench.run_for(0.2)
    return bench, button


def test_held_button_refuses_start() -> None:
    """The refusal names the button and the remedy. Once it is released, the run starts."""
    bench, button = bench_with_button()
    button.is_down = True
    with pytest.raises(WrongStateError) as caught:
        bench.start()
    assert caught.value.message == REFUSED
    assert "rig.stop_button_pin" in str(REFUSED)
    assert (bench.supervisor.state, bench.supervisor.run) == (S.IDLE, None)
    button.is_down = False
    bench.running()


def test_held_button_refuses_resume() -> None:
    bench, button = bench_with_button()
    bench.running(for_s=1.0)
    bench.supervisor.pause()
    button.is_down = True
    with pytest.raises(WrongStateError) as caught:
        bench.supervisor.resume()
    assert caught.value.message == REFUSED
    assert bench.supervisor.state is S.PAUSED
    button.is_down = False
    bench.supervisor.resume()
    bench.until(S.RUNNING, within_s=5.0)


def test_button_held_in_check() -> None:
    """Its edge was lost. The check passes, the relay stays off, and the run ends as by the edge."""
    bench, button = bench_with_button()
    bench.start()
    button.is_down = True
    bench.until(S.STOPPED, S.RUNNING, within_s=5.0)
    assert bench.supervisor.state is S.STOPPED
    assert bench.supervisor.message == Message("supervisor.state.stopped_by_button")
    assert 1 not in bench.pin.levels
    assert bench.gate.standing_request() is None
