"""The warnings of a plan, each with its reason, and the inputs of common practice.

The inputs are the sheet, the bath, the heat, the stops and the target charge.
"""

from __future__ import annotations

import math

import pytest

from controller.config import Settings
from controller.errors import RefusedError
from controller.planning.knowledge import Knowledge
from controller.planning.plan import make_plan
from controller.planning.request import NarrowLine
from controller.planning.run_plan import RunPlan
from controller.texts import Message
from tests.kits.doubles import silver_request


def plan(knowledge: Knowledge | None = None, **changes: object) -> RunPlan:
    return make_plan(silver_request(**changes), Settings(), 16.0, knowledge)


def found(field: str, made: RunPlan) -> list[Message]:
    return [warning.message for warning in made.warnings if warning.field == field]


def test_lost_lines() -> None:
    """A resist line narrower than twice the undercut lifts off.

    The low end of the etch factor counts: 10 % of etch factors are below 0.77 (common practice).
    """
    lines = (NarrowLine(3.0, 4.0, 0.30), NarrowLine(8.0, 1.5, 0.64), NarrowLine(9.0, 9.0, 0.75))
    made = plan(narrow_lines=lines)
    low = made.belief.etch_factor_range()[0]
    assert 2 * 0.25 / low == pytest.approx(0.65, abs=0.03)
    (lost,) = found("depth_mm", made)
    thinnest = {"count": 2, "width_mm": 0.30, "x_mm": 3.0, "y_mm": 4.0}
    assert lost.key == "plan.warning.lost_lines"
    assert lost.values == {**thinnest, "etch_factor": low, "limit_mm": 2 * 0.25 / low}
    assert found("depth_mm", plan(narrow_lines=lines, depth_mm=0.1)) == []


def test_narrow_openings_warn() -> None:
    """An opening narrower than three films is warned of."""
    assert found("artwork", plan(narrowest_open_mm=0.134))
    assert not found("artwork", plan(narrowest_open_mm=0.136))


def test_heat_and_warming() -> None:
    """9 W for 10 min into 1 L are 5.4 kJ and 1.3 K.

    9 W are 3 V and 3 A (common practice, no source). Water takes 4.19 kJ per kg and K.
    """
    made = plan(bath_volume_l=1.0)
    assert made.power_w == pytest.approx(9.0)
    assert made.heat_j == pytest.approx(5400.0, rel=3e-3)
    assert made.warming_k == pytest.approx(1.3, abs=0.05)
    assert not found("bath_volume_l", made)
    assert found("bath_volume_l", plan(bath_volume_l=0.2))
    assert plan().warming_k is None


def test_metal_lost() -> None:
    """2.01 g of silver (common practice) from a sheet of 40 x 30 x 1.2 mm, 15.12 g."""
    made = plan(sheet_mm2=1200.0)
    assert made.metal_removed_g == pytest.approx(2.01, rel=2e-3)
    assert made.metal_removed_fraction == pytest.approx(2.01 / 15.12, rel=2e-3)
    assert plan().metal_removed_fraction is None


def test_target_charge_replaces_depth() -> None:
    made = plan(depth_mm=None, charge_coulombs=1801.0)
    assert made.target_depth_mm == pytest.approx(0.25, rel=3e-3)
    assert made.charge_coulombs == pytest.approx(1801.0, rel=1e-6)
    for wrong, key in ((None, "no_target"), (100.0, "two_targets")):
        with pytest.raises(RefusedError) as caught:
            plan(charge_coulombs=wrong, depth_mm=0.25 if wrong else None)
        assert caught.value.message.key == f"plan.request.{key}"
        assert caught.value.field == "depth_mm"


def test_stops_before_the_target() -> None:
    assert plan(gauge_stops_mm=(0.2, 0.1, 0.2)).gauge_stops_mm == (0.1, 0.2)
    for stops in ((0.25,), (0.0,), (-0.1,), tuple(i / 100 for i in range(1, 13))):
        with pytest.raises(RefusedError) as caught:
            plan(gauge_stops_mm=stops)
        assert caught.value.field == "gauge_stops_mm"


def test_both_sides_share_the_sheet() -> None:
    """The thickness check adds both depths."""
    one, two = plan(), plan(sides=2)
    half_mm = one.max_mean_depth_mm / 2  # type: ignore[operator]
    assert two.max_mean_depth_mm == pytest.approx(half_mm)
    assert two.charge_coulombs == pytest.approx(2 * one.charge_coulombs, rel=3e-3)


def test_bare_metal_costs_charge() -> None:
    """Other bare metal costs charge and does not grow."""
    made = plan(other_bare_mm2=76.7)
    assert made.charge_coulombs == pytest.approx(1.1 * plan().charge_coulombs, rel=3e-4)


def test_constant_voltage_end_current() -> None:
    """In constant voltage the current is proportional to the open area.

    The area grows by Steiner's formula, A + P u + pi u^2 over A with u = 0.25 mm / 1.2.
    """
    made = plan(edge_mm=1534.0, supply_mode="constant-voltage")
    undercut_mm = 0.25 / 1.2
    grown_mm2 = 767.0 + 1534.0 * undercut_mm + math.pi * undercut_mm**2
    assert made.end_current_a == pytest.approx(3.0 * grown_mm2 / 767.0, rel=1e-4)
    assert made.max_current_a == pytest.approx(1.3 * made.end_current_a)
    assert made.duration_s < plan(edge_mm=1534.0).duration_s


def test_brisk_density_names_tried() -> None:
    """The warning of a brisk density names the densest one that was tried."""
    (untried,) = found("current_a", plan())
    assert untried.key == "plan.warning.brisk_untried"
    (beyond,) = found("current_a", plan(Knowledge(densest_tried_a_per_dm2=25.0)))
    assert beyond.key == "plan.warning.brisk_beyond_tried"
    assert beyond.values["tried_a_per_dm2"] == 25.0
    assert not found("current_a", plan(Knowledge(densest_tried_a_per_dm2=36.0)))


def test_common_request_warns_nothing() -> None:
    """A request of common practice is planned without a warning."""
    fields = {warning.field for warning in plan(edge_mm=400.0, current_a=1.0).warnings}
    assert fields == set()
