"""What the campaign attaches to a process: a watched sensor, slow readers, a log listener."""

from __future__ import annotations

import logging
from collections.abc import Sequence
from typing import Any

from controller.messages import Sample, Snapshot
from controller.safety.outbox import OutboxItem
from hardware.clock import VirtualClock
from tests.proofs.campaign.watch import Watch


class PowerCutError(Exception):
    """The power is cut, and the process is gone."""


class WatchedSensor:
    """Passes each sample of the sensor on, after showing it to the watch."""

    def __init__(self, sensor: Any, watch: Watch) -> None:
        self._sensor = sensor
        self._watch = watch
        self.range_a = sensor.range_a

    def poll(self) -> Sample | None:
        sample: Sample | None = self._sensor.poll()
        if sample is not None:
            self._watch.sample(sample)
        return sample

    def look_again(self) -> None:
        self._sensor.look_again()


class Flood:
    """A follower that is slow, or fails on everything, for a while."""

    def __init__(self, clock: VirtualClock) -> None:
        self._clock = clock
        self.fails_until_s = self.slow_until_s = -1.0
        self.slow_s = 0.0

    def follow(self, _snapshot: Snapshot, _outbox: Sequence[OutboxItem]) -> None:
        now_s = self._clock.monotonic_s()
        if now_s < self.slow_until_s:
            self._clock.advance(self.slow_s)
        if now_s < self.fails_until_s:
            raise RuntimeError("the stream is full")


class Listener(logging.Handler):
    """Collects what the program logs as an error."""

    def __init__(self) -> None:
        super().__init__(logging.ERROR)
        self.texts: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        text = record.getMessage()
        if not text.startswith("Flood "):
            error = record.exc_info[1] if record.exc_info else None
            self.texts.append(f"{text}: {error!r}")
