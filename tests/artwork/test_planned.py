"""From a measurement to a plan: the fields, their uncertainty, and the reach of a measurement."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import pytest

from controller.artwork import limits
from controller.artwork.cache import content_key
from controller.artwork.options import MeasureOptions
from controller.artwork.planned import EDGE_TRANSFER_MM, planning_options, request_fields
from controller.config import Settings
from controller.errors import RefusedError
from controller.physics.bath_field import BathField
from controller.physics.relief import MeasuredGrowth, removed_volume_mm3
from controller.planning.plan import make_plan
from controller.planning.request import NarrowLine, PlanRequest
from tests.kits.artwork.double import measured


def request(measure=None, **changes):
    common = {"metal": "fine-silver", "depth_mm": 0.25, "current_a": 1.0, "thickness_mm": 1.2}
    return PlanRequest(**{**common, **request_fields(measure or measured()), **changes})


def test_measurement_fills_the_request() -> None:
    """The measurement fills the fields of a request."""
    filled = request_fields(measured())
    assert filled["area_mm2"] == 314.0
    assert filled["edge_mm"] == 62.8
    assert filled["growth_mm2"] == ((0.0, 314.0), (0.5, 346.0), (1.0, 380.0))
    assert filled["narrow_lines"] == (NarrowLine(5.0, 6.0, 0.4), NarrowLine(9.0, 9.0, 1.5))
    assert filled["narrowest_open_mm"] == 0.3
    assert filled["artwork"] == "9a" * 32
    assert request_fields(measured(narrowest_open=None))["narrowest_open_mm"] is None


def test_uncertainty_adds_resist_edge() -> None:
    """Two independent errors add in squares (GUM 5.1.2): 0.3 mm2, and an edge of 62.8 mm that lies
    off by 0.01 mm.
    """
    assert EDGE_TRANSFER_MM == 0.01
    assert request_fields(measured())["area_uncertainty_fraction"] == pytest.approx(
        math.hypot(0.3, 0.628) / 314.0
    )
    exact = measured(area_uncertainty_mm2=0.001, edge_mm=1.0)
    assert request_fields(exact)["area_uncertainty_fraction"] == 0.001


def test_too_fine_openings_refused() -> None:
    """Openings too fine to know are refused."""
    with pytest.raises(RefusedError) as caught:
        request_fields(measured(area_mm2=10.0, area_uncertainty_mm2=0.0, edge_mm=500.0))
    error = caught.value
    assert (error.field, error.limit) == ("artwork", "45 %")
    assert error.message.key == "artwork.too_fine"
    assert error.message.values["share_fraction"] == pytest.approx(0.01 * 500.0 / 10.0)


def test_measurement_serves_common_depths() -> None:
    """One measurement serves all common depths and a longer one the rest."""
    read = MeasureOptions(dpi=600.0, copies=2, invert=True)
    common = planning_options(read)
    assert common == planning_options(read, 0.05) == planning_options(read, 0.5)
    assert (common.undercut_mm, common.reach_mm) == (1.0, 1.0)
    assert (common.dpi, common.copies, common.invert) == (600.0, 2, True)
    deep = planning_options(read, 0.51)
    assert deep.undercut_mm == deep.max_undercut_mm == limits.MAX_UNDERCUT_MM


def test_plan_charges_for_measured_relief() -> None:
    """Silver takes 1.118 mg/C and weighs 10.49 g/cm3 (published values): V times 10.49 over
    1.118e-3.
    """
    made = make_plan(request(), Settings(), 16.0)
    growth = MeasuredGrowth(measured().growth_mm2)
    volume_mm3 = removed_volume_mm3(0.25, growth, made.belief.best_etch_factor)
    assert volume_mm3 > 1.02 * 314.0 * 0.25
    assert made.charge_coulombs == pytest.approx(volume_mm3 * 10.49e-3 / 1.118e-3, rel=2e-3)
    assert made.request.artwork == "9a" * 32


def test_plan_warns_of_fine_artwork() -> None:
    """The plan warns of lines and openings from the artwork."""
    found = {it.field: it.message for it in make_plan(request(), Settings(), 16.0).warnings}
    assert found["depth_mm"].key == "plan.warning.lost_lines"
    assert (found["depth_mm"].values["count"], found["depth_mm"].values["width_mm"]) == (1, 0.40)
    assert "artwork" not in found
    narrow = measured(narrowest_open=replace(measured().narrowest_resist, width_mm=0.1))
    warnings = make_plan(request(narrow), Settings(), 16.0).warnings
    (opening,) = (it.message for it in warnings if it.field == "artwork")
    assert opening.key == "plan.warning.narrow_opening"
    assert opening.values["width_mm"] == 0.1
    assert "edge_mm" not in found, "the edge length is known"


def test_short_curve_refused() -> None:
    """A curve that ends before the undercut is refused."""
    with pytest.raises(RefusedError, match="growth curve ends at 1 mm, and the undercut may reach"):
        make_plan(request(depth_mm=0.9, thickness_mm=4.0), Settings(), 16.0)


def test_bath_is_part_of_the_key(tmp_path: Path) -> None:
    """A plan asks for the places in its rig's bath, and another bath is measured again."""
    near, far = (
        planning_options(MeasureOptions(), bath=BathField(gap_mm=gap)) for gap in (40.0, 80.0)
    )
    assert near.bath == BathField(gap_mm=40.0)
    assert planning_options(MeasureOptions()).bath is None
    file = tmp_path / "a.png"
    file.write_bytes(b"any")
    assert content_key(file, near) != content_key(file, far)
