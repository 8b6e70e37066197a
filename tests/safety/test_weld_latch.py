"""A welded relay stays latched until a check with the second contactor closed has passed."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.errors import SensorError, WrongStateError
from controller.messages import RunState, Sample, TripReason
from controller.running.snapshot import take_snapshot
from controller.texts import Message
from hardware.panel import SecondContactor
from tests.kits.doubles import Bench, RecordingPin, make_bench

S = RunState


class WeldingBench:
    """A bench whose relay can weld, with a second contactor in series that follows each pass."""

    def __init__(self) -> None:
        self.bench: Bench = make_bench()
        self.is_welded = False
        self.is_live = True
        self.second = RecordingPin()
        self._panel = SecondContactor(self.second)
        self._poll = self.bench.sensor.poll
        self.bench.sensor.poll = self._polled  # type: ignore[method-assign]
        self.flowed_s = 0.0
        self.run_for(0.5)

    def _polled(self) -> Sample | None:
        sample = self._poll()
        if sample is None or not self.flows:
            return sample and replace(sample, current_a=0.001, voltage_v=0.0)
        return replace(sample, current_a=3.0, voltage_v=3.0)

    @property
    def flows(self) -> bool:
        return (
            self.is_live
            and bool(self.second.value)
            and (self.is_welded or self.bench.gate.reads_on())
        )

    def show(self) -> None:
        """Let the contactor follow, as it does after each published pass."""
        bench = self.bench
        self._panel.follow(take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None), ())

    def tick(self) -> None:
        before_s = self.bench.clock.monotonic_s()
        self.bench.tick()
        self.show()
        if self.flows:
            self.flowed_s += self.bench.clock.monotonic_s() - before_s

    def run_for(self, seconds: float) -> None:
        for _ in range(round(seconds / 0.02)):
            self.tick()

    def weld_in_run(self) -> None:
        """Run, weld, pause, and wait until the weld has been found and the contactor is open."""
        self.bench.start()
        self.run_for(30.0)
        assert self.bench.supervisor.state is S.RUNNING
        self.is_welded = True
        self.bench.supervisor.pause()
        self.run_for(2.0)
        assert self.bench.supervisor.is_welded
        assert not self.second.value
        self.flowed_s = 0.0

    def acknowledge(self) -> None:
        self.bench.supervisor.acknowledge()
        self.show()


@pytest.fixture
def welded() -> WeldingBench:
    rig = WeldingBench()
    rig.weld_in_run()
    return rig


def test_acknowledging_keeps_contactor_open(welded: WeldingBench) -> None:
    """With the supply still on and the relay still welded, no current flows after it."""
    welded.acknowledge()
    welded.run_for(60.0)
    assert welded.bench.supervisor.state is S.STOPPED
    welded.acknowledge()
    welded.run_for(60.0)
    assert welded.bench.supervisor.state is S.IDLE
    assert welded.flowed_s == 0.0
    assert welded.bench.supervisor.is_weld_latched


def test_check_finds_weld_again(welded: WeldingBench) -> None:
    """The next check closes the contactor, sees the weld, opens it, and never turns on."""
    welded.acknowledge()
    ons = welded.bench.pin.levels.count(1)
    welded.bench.start()
    welded.show()
    welded.run_for(5.0)
    assert welded.bench.supervisor.state is S.TRIPPED
    assert welded.bench.supervisor.finding is not None
    assert welded.bench.supervisor.finding.reason is TripReason.RELAY_WELDED
    assert welded.bench.pin.levels.count(1) == ons
    assert not welded.second.value
    # Three conversions and the polls after them.
    assert 0.0 < welded.flowed_s < 0.5


def test_sound_relay_clears_latch(welded: WeldingBench) -> None:
    """With a new relay the check passes, and the run begins."""
    welded.is_welded = False
    welded.acknowledge()
    welded.bench.start()
    welded.run_for(3.0)
    assert welded.bench.supervisor.state is S.RUNNING
    assert not welded.bench.supervisor.is_weld_latched
    assert welded.second.value


def test_failed_check_keeps_latch(welded: WeldingBench) -> None:
    """A check that another reason ends has proved nothing."""
    welded.acknowledge()
    welded.is_welded = False
    welded.bench.start()
    welded.show()
    welded.run_for(0.2)
    welded.bench.sensor.error = SensorError("hardware.sensor.unopened")
    welded.run_for(0.2)
    assert welded.bench.supervisor.state is S.TRIPPED
    assert welded.bench.supervisor.is_weld_latched
    assert not welded.second.value


@pytest.mark.parametrize("how", ["frozen", "error"])
def test_silent_sensor_refuses(welded: WeldingBench, how: str) -> None:
    """The last sample was without current, but it is old: nobody knows what flows now."""
    if how == "frozen":
        welded.bench.sensor.frozen = True
    else:
        welded.bench.sensor.error = SensorError("hardware.sensor.unopened")
    welded.run_for(1.5)
    with pytest.raises(WrongStateError) as caught:
        welded.bench.supervisor.acknowledge()
    assert caught.value.message == Message("supervisor.refused.weld_unseen")
    assert welded.bench.supervisor.is_welded
    welded.bench.sensor.frozen, welded.bench.sensor.error = False, None
    welded.run_for(2.0)
    welded.acknowledge()
    assert not welded.bench.supervisor.is_welded


def test_few_samples_refuse(welded: WeldingBench) -> None:
    """One sample without current may be a contact that chatters."""
    bench = welded.bench
    welded.second.on()
    welded._panel.follow = lambda *_: None  # type: ignore[method-assign]  # none is fitted
    welded.run_for(1.0)
    with pytest.raises(WrongStateError) as caught:
        bench.supervisor.acknowledge()
    assert caught.value.message == Message("supervisor.refused.still_live")
    welded.is_live = False
    welded.run_for(0.1)
    with pytest.raises(WrongStateError):
        bench.supervisor.acknowledge()
    welded.run_for(0.3)
    bench.supervisor.acknowledge()
    assert bench.supervisor.state is S.STOPPED


def test_latch_is_shown(welded: WeldingBench) -> None:
    """The status says that the weld is not disproved yet."""
    bench = welded.bench
    welded.acknowledge()
    shown = take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)
    assert not shown.relay_welded
    assert shown.weld_latched
    assert Message("guards.warning.weld_latched") in shown.warnings
