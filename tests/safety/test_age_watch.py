"""The independent watch on the age of the newest good sample."""

from __future__ import annotations

import math

import pytest

from controller.errors import RelayRevokedError
from controller.messages import OffRequest
from controller.safety.age_watch import AgeWatch, Freshness
from hardware.relay import RelayGate
from tests.kits.doubles import RecordingPin


def watched(relay_on: bool = True) -> tuple[RelayGate, Freshness, AgeWatch]:
    gate = RelayGate(RecordingPin())
    if relay_on:
        gate.turn_on()
    freshness = Freshness(100.0)
    return gate, freshness, AgeWatch(gate, freshness, 1.0)


def test_sample_at_the_limit() -> None:
    """A sample at the limit is fresh; an older one turns the relay off."""
    gate, _, watch = watched()
    watch.check(101.0)
    assert gate.reads_on()
    assert gate.standing_request() is None
    watch.check(math.nextafter(101.0, 200.0))
    assert not gate.reads_on()
    standing = gate.standing_request()
    assert standing is not None
    assert standing[0] is OffRequest.SENSOR_STALE
    with pytest.raises(RelayRevokedError):
        gate.turn_on()


def test_fresh_samples() -> None:
    """Fresh samples never turn the relay off."""
    gate, freshness, watch = watched()
    for i in range(100):
        freshness.taken_at_s = 100.0 + i
        watch.check(100.9 + i)
    assert gate.reads_on()


def test_relay_off() -> None:
    """Nothing is revoked while the relay is off."""
    gate, _, watch = watched(relay_on=False)
    watch.check(1e6)
    assert gate.standing_request() is None


def test_earlier_stop_keeps_name() -> None:
    """A Stop that came first keeps its name."""
    gate, _, watch = watched()
    gate.revoke(OffRequest.STOP)
    watch.check(1e6)
    standing = gate.standing_request()
    assert standing is not None
    assert standing[0] is OffRequest.STOP


def test_unreadable_relay(monkeypatch: pytest.MonkeyPatch) -> None:
    """A relay that cannot be read may be on, and is turned off."""
    gate, _, watch = watched()

    def unreadable() -> bool:
        raise OSError("line lost")

    monkeypatch.setattr(gate, "reads_on", unreadable)
    watch.check(1e6)
    standing = gate.standing_request()
    assert standing is not None
    assert standing[0] is OffRequest.SENSOR_STALE
