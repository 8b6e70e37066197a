"""The page writes the state before its message, so the message does not repeat it."""

from __future__ import annotations

import pytest

from controller.errors import SensorResetError
from controller.messages import RunState, TripReason, advice_for
from controller.texts.catalogue import text


@pytest.mark.parametrize(
    ("name", "state"),
    [
        ("checking", RunState.CHECKING),
        ("checking_again", RunState.CHECKING),
        ("paused", RunState.PAUSED),
        ("stopped", RunState.STOPPED),
        ("stopped_by_button", RunState.STOPPED),
        ("target_reached", RunState.FINISHED),
    ],
)
def test_state_not_repeated(name: str, state: RunState) -> None:
    sentence = text(f"supervisor.state.{name}")
    assert not sentence.lower().startswith(state.value)


def test_foreign_write_is_no_power_loss() -> None:
    """A configuration that another program wrote is not blamed on the supply."""
    cause = SensorResetError(
        "hardware.sensor.changed", chip="INA219", address=0x40, found=1, expected=2
    )
    sentence = text("guards.sensor_reset.what", cause=cause.message)
    both = f"{sentence} {advice_for(TripReason.SENSOR_RESET)}"
    assert "restarted" not in both
    assert "lost its supply" not in both
