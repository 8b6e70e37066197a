"""Whole runs in virtual time: the real driver on an emulated chip, the real gate and guards.

The rehearsal rig gives the true charge and depth.
"""

from __future__ import annotations

import random

import pytest

from api.cli.rehearsal.rehearse import RehearsalResult, rehearse
from api.main import Rehearsal
from controller.config import Settings, parse_settings
from controller.planning.request import PlanRequest
from tests.kits.doubles import silver_request


def finish(
    request: PlanRequest, rehearsal: Rehearsal, settings: Settings | None = None
) -> RehearsalResult:
    result = rehearse(request, rehearsal, settings or Settings())
    assert (result.outcome, result.reason) == ("finished", None), result.message
    assert not result.relay_on
    return result


# (supply V, current A, area mm2, edge mm, depth mm, ripple fraction, ripple Hz)
BENCHES = [
    (5.0, 3.0, 767.0, 0.0, 0.1, 0.03, 100.0),
    (5.0, 3.0, 767.0, 1534.0, 0.25, 0.10, 120.0),
    (4.0, 1.0, 300.0, 250.0, 0.1, 0.00, 100.0),
    (12.0, 3.0, 900.0, 90.0, 0.1, 0.20, 100.0),
    (5.0, 0.6, 120.0, 60.0, 0.1, 0.05, 120.0),
    (6.0, 4.0, 1500.0, 3000.0, 0.1, 0.05, 100.0),
    (3.5, 2.0, 1200.0, 700.0, 0.1, 0.30, 100.0),
    (5.0, 1.5, 250.0, 800.0, 0.25, 0.02, 120.0),
    (8.0, 2.5, 700.0, 1000.0, 0.1, 0.15, 100.0),
    (5.0, 3.0, 650.0, 2000.0, 0.1, 0.40, 120.0),
]


@pytest.mark.parametrize(
    ("supply_v", "current_a", "area_mm2", "edge_mm", "depth_mm", "ripple", "hertz"), BENCHES
)
def test_silver_ends_at_target(
    supply_v: float,
    current_a: float,
    area_mm2: float,
    edge_mm: float,
    depth_mm: float,
    ripple: float,
    hertz: float,
) -> None:
    """The true depth is within 1 % of the target.

    The rig has the bite factor, area, edge length and etch factor of the plan.
    """
    request = silver_request(
        area_mm2=area_mm2, edge_mm=edge_mm, current_a=current_a, depth_mm=depth_mm
    )
    rehearsal = Rehearsal(
        supply_v=supply_v, seed=int(area_mm2), ripple_fraction=ripple, ripple_hz=hertz
    )
    result = finish(request, rehearsal)
    assert result.true_depth_mm == pytest.approx(depth_mm, rel=0.01)
    assert result.charge_coulombs == pytest.approx(result.true_charge_coulombs, rel=0.001)


def test_common_practice_run() -> None:
    """Near 3 V and 3 A take about a quarter of a millimetre in about ten minutes.

    Common practice, no source.
    """
    result = finish(silver_request(), Rehearsal())
    assert result.elapsed_s == pytest.approx(600.0, rel=0.01)
    assert result.charge_coulombs == pytest.approx(1800.0, rel=0.002)


def test_unknown_bite_factor() -> None:
    """The true depth shows a bite factor that the controller does not know."""
    result = finish(silver_request(), Rehearsal(bite_factor=0.93))
    assert result.true_depth_mm == pytest.approx(0.25 * 0.93, rel=0.01)
    assert result.depth_mm == pytest.approx(0.25, rel=0.002)
    assert result.depth_low_mm < result.true_depth_mm < result.depth_high_mm


@pytest.mark.parametrize(
    "metal", ["sterling-silver", "britannia-silver", "copper", "copper-1", "brass-70-30"]
)
def test_every_metal_reaches_depth(metal: str) -> None:
    """Every metal of the nitric acid bath runs to its depth.

    The plan counts in what the acid takes by itself, up to 2.5 % here; this rehearsal's acid takes
    nothing.
    """
    result = finish(silver_request(metal=metal, depth_mm=0.1), Rehearsal())
    assert 0.097 < result.true_depth_mm < 0.101


def test_weak_supply_takes_longer() -> None:
    """A weak supply takes longer and still reaches the depth.

    2.6 V drives about 2.4 A: above the 60 % that pauses, below the plan.
    """
    result = finish(silver_request(), Rehearsal(supply_v=2.6))
    assert result.elapsed_s > 650.0
    assert result.true_depth_mm == pytest.approx(0.25, rel=0.01)


def test_very_low_current_pauses() -> None:
    """A current far below the plan pauses the run."""
    result = rehearse(silver_request(), Rehearsal(supply_v=1.3), Settings())
    assert (result.outcome, result.reason) == ("paused", "lost_contact")
    assert result.message is not None
    assert "The limit is 1.800 A" in result.message


def test_sides_and_copies_count() -> None:
    single = finish(
        silver_request(area_mm2=200.0, edge_mm=100.0, current_a=1.0, depth_mm=0.1), Rehearsal()
    )
    many = finish(
        silver_request(
            area_mm2=200.0, edge_mm=100.0, pieces=2, sides=2, current_a=4.0, depth_mm=0.1
        ),
        Rehearsal(),
    )
    assert many.charge_coulombs == pytest.approx(4.0 * single.charge_coulombs, rel=0.005)
    assert many.true_depth_mm == pytest.approx(0.1, rel=0.01)


def test_run_of_forty_minutes() -> None:
    """A long run reaches the depth as well. ``make soak`` goes on for a day.

    Trade literature and refining use 5 to 15 A/dm2 (common practice, no source).
    """
    result = finish(silver_request(current_a=0.75, density_a_per_dm2=None), Rehearsal())
    assert result.elapsed_s == pytest.approx(2400.0, rel=0.01)
    assert result.true_depth_mm == pytest.approx(0.25, rel=0.01)


def test_counted_charge_from_10_mv() -> None:
    """From 10 mV on the shunt the count is within 0.1 %.

    10 mV at 0.02 ohm is 0.5 A. Ripple, jitter and the chip's clock are drawn.
    """
    rng = random.Random(20)
    for seed in range(5):
        current_a = rng.uniform(0.5, 6.0)
        request = silver_request(area_mm2=current_a * 250.0, current_a=current_a, depth_mm=0.1)
        rehearsal = Rehearsal(
            seed=seed,
            supply_v=6.0,
            ripple_fraction=rng.uniform(0.0, 0.45),
            ripple_hz=rng.choice((100.0, 120.0)),
        )
        result = finish(request, rehearsal)
        assert result.charge_coulombs == pytest.approx(result.true_charge_coulombs, rel=0.001)


def test_shunts_at_three_amperes() -> None:
    """At 3 A a smaller shunt works, and the stock one is refused."""
    small = parse_settings({"rig": {"shunt_ohm": 0.005}})
    result = finish(silver_request(), Rehearsal(), small)
    assert result.true_depth_mm == pytest.approx(0.25, rel=0.01)
    stock = parse_settings({"rig": {"shunt_ohm": 0.1, "max_current_a": 3.2}})
    with pytest.raises(
        ValueError, match=r"limit of 3\.90 A is above 85 % of the sensor's range of 3\.20 A"
    ):
        rehearse(silver_request(), Rehearsal(), stock)
