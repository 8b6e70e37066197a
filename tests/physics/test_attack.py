"""What the bath takes without current widens the upper bound only."""

from __future__ import annotations

import pytest

from controller.messages import RunState
from controller.physics.attack import Soak
from controller.physics.faraday import METALS
from tests.kits.doubles import make_bench


def test_soak_time_adds_up() -> None:
    """The bound is four times the guess.

    Silver loses 0.05 um/min within a factor of four (common practice, no source): 0.2 um/min at
    most.
    """
    soak = Soak(METALS["fine-silver"].soak_um_per_min)
    assert soak.upper_mm(1000.0) == 0.0
    soak.begin(1000.0)
    soak.begin(1030.0)
    assert soak.seconds(1060.0) == 60.0
    assert soak.upper_mm(1060.0) == pytest.approx(0.0002)
    soak.end(1120.0)
    soak.end(1500.0)
    assert soak.seconds(9999.0) == 120.0
    soak.begin(2000.0)
    assert soak.seconds(2060.0) == 180.0


def test_silver_soaks_slower_than_copper() -> None:
    assert (
        METALS["fine-silver"].soak_um_per_min == METALS["sterling-silver"].soak_um_per_min == 0.05
    )
    assert METALS["copper"].soak_um_per_min == METALS["brass-70-30"].soak_um_per_min == 0.2


def test_pause_widens_upper_bound() -> None:
    """A pause in the bath widens the upper bound of the run and nothing else."""
    bench = make_bench()
    bench.running(for_s=100.0)
    bench.supervisor.pause()
    bench.run_for(1.0)
    run = bench.supervisor.run
    assert run is not None
    before = run.depth(bench.clock.monotonic_s())
    bench.run_for(600.0)
    after = run.depth(bench.clock.monotonic_s())
    assert (after.best_mm, after.low_mm) == (before.best_mm, before.low_mm)
    assert after.high_mm - before.high_mm == pytest.approx(0.002, rel=0.01), (
        "ten minutes at 0.2 um/min"
    )
    bench.supervisor.resume()
    bench.until(RunState.RUNNING, within_s=5.0)
    resumed_s = run.soak.seconds(bench.clock.monotonic_s())
    bench.run_for(30.0)
    assert run.soak.seconds(bench.clock.monotonic_s()) == resumed_s, (
        "under current the plate does not soak"
    )


def test_every_pause_counts() -> None:
    """The finished pauses add up, and so does what each of them may have taken."""
    soak = Soak(METALS["copper"].soak_um_per_min)
    for began_s, ended_s in ((100.0, 160.0), (300.0, 420.0), (1000.0, 1180.0)):
        soak.begin(began_s)
        soak.end(ended_s)
    assert soak.total_s == 360.0
    assert soak.seconds(5000.0) == 360.0
    assert soak.upper_mm(5000.0) == pytest.approx(0.0048), "six minutes at four times 0.2 um/min"
