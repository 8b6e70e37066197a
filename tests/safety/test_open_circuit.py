"""Almost no current at full voltage: off within seconds, without the grace of a slow start."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import pytest

from api.cli.rehearsal.rehearse import rehearse
from api.main import Rehearsal, parse_faults
from controller.config import Settings
from controller.messages import RunState, TripReason
from hardware import plan_rehearsal
from tests.kits.doubles import make_bench, silver_request

S = RunState


def run_from_on(reading: Callable[[float], tuple[float, float]], seconds: float) -> tuple[S, float]:
    """Return the state after a stretch with these readings, and its relay-on time in s.

    :param reading: current in A and voltage in V, by the time since the relay turned on in s.
    """
    on_at_s = float("inf")
    bench = make_bench(lambda now_s: reading(max(0.0, now_s - on_at_s)))
    bench.running()
    on_at_s = bench.clock.monotonic_s()
    for _ in range(round(seconds / 0.02)):
        if bench.supervisor.state is not S.RUNNING:
            break
        bench.tick()
    assert bench.supervisor.run is not None
    if bench.supervisor.state is S.PAUSED:
        assert bench.supervisor.finding is not None
        assert bench.supervisor.finding.reason is TripReason.LOST_CONTACT
        assert not bench.gate.reads_on()
    return bench.supervisor.state, bench.supervisor.run.total_on_time_s(bench.clock.monotonic_s())


@pytest.mark.parametrize("current_a", [0.0, 0.1, 0.299])
def test_full_voltage_without_current(current_a: float) -> None:
    """15 V and under 10 % of 3 A: paused after 3 s, where contact has 20 s of grace."""
    state, on_time_s = run_from_on(lambda _s: (current_a, 15.0), 30.0)
    assert state is S.PAUSED
    assert on_time_s == pytest.approx(3.0, abs=0.3)


@pytest.mark.parametrize(
    "reading",
    [
        lambda s: (3.0 * min(1.0, s / 15.0), 3.0 * min(1.0, s / 15.0)),
        lambda s: (0.0, 5.0) if s < 15.0 else (3.0, 3.0),
        lambda s: (0.05, 12.0) if s < 2.0 else (3.0, 3.2),
        lambda s: (0.0, 0.0) if s < 18.0 else (3.0, 3.0),
    ],
    ids=["soft start of 15 s", "5 V, connected late", "a film for 2 s", "supply switched on late"],
)
def test_slow_start_goes_on(reading: Callable[[float], tuple[float, float]]) -> None:
    """Slow starts that are healthy: soft supplies, a film that dissolves, an open 5 V circuit."""
    assert run_from_on(reading, 40.0)[0] is S.RUNNING


def test_full_voltage_in_rehearsal() -> None:
    """The raw rail of a failed supply on an open circuit."""
    faults = parse_faults(["supply_runaway@0", "lead_off@0"])
    result = rehearse(silver_request(), Rehearsal(faults=faults), Settings())
    assert (result.outcome, result.reason) == ("paused", "lost_contact")
    assert result.elapsed_s < 3.5


@pytest.mark.parametrize("ramp_s", [0.0, 2.0, 8.0, 15.0])
@pytest.mark.parametrize(
    ("supply", "supply_v"),
    [
        ("constant-voltage", None),
        ("constant-current", 5.0),
        ("constant-current", 12.0),
        ("constant-current", 15.0),
    ],
)
def test_healthy_supplies_start(
    supply: str, ramp_s: float, supply_v: float | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every healthy supply of the rehearsal reaches the seconds after the grace."""
    made = plan_rehearsal.rehearsal_spec
    monkeypatch.setattr(
        plan_rehearsal, "rehearsal_spec", lambda *given: replace(made(*given), ramp_s=ramp_s)
    )
    request = silver_request(supply_mode=supply, depth_mm=0.01)
    result = rehearse(request, Rehearsal(supply_v=supply_v), Settings())
    assert (result.outcome, result.reason) == ("finished", None)
    assert result.elapsed_s > 20.0
