"""From a request to numbers: charge, time and ceilings.

Each refusal and each warning is tested just inside and just outside its limit.
"""

from __future__ import annotations

import math
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad

from controller.config import Settings, parse_settings
from controller.errors import RefusedError
from controller.physics.faraday import METALS
from controller.planning.plan import make_plan
from controller.planning.run_plan import RunPlan
from controller.texts import text_or_none
from tests.kits.doubles import silver_request

RANGE_A = 16.0
SETTINGS = Settings()


def plan(
    sensor_range_a: float = RANGE_A, tables: dict[str, Any] | None = None, **changes: object
) -> RunPlan:
    return make_plan(
        silver_request(**changes),
        SETTINGS if tables is None else parse_settings(tables),
        sensor_range_a,
    )


def refused(**changes: Any) -> RefusedError:
    with pytest.raises(RefusedError) as caught:
        plan(**changes)
    return caught.value


def warned(made: RunPlan, key: str) -> list[str]:
    """Return the fields with that warning."""
    return [it.field for it in made.warnings if it.message.key == f"plan.warning.{key}"]


# --- numbers --------------------------------------------------------------------------------------


def test_common_practice() -> None:
    # Common practice, no source: 3 A for 10 min take a quarter of a millimetre from 7.67 cm2.
    # That is 1800 C and 2.01 g.
    made = plan()
    assert made.charge_coulombs == pytest.approx(1800.0, rel=1e-3)
    assert made.duration_s == pytest.approx(600.0, rel=1e-3)
    assert made.metal_removed_g == pytest.approx(2.01, abs=0.005)
    assert made.volume_removed_mm3 == pytest.approx(767.0 * 0.25, rel=1e-6)
    assert made.density_a_per_dm2 == pytest.approx(39.1, abs=0.05)
    assert made.total_area_mm2 == 767.0
    assert made.end_current_a == made.current_a == 3.0


def test_ceilings_are_independent() -> None:
    """The ceilings of charge and time do not depend on each other."""
    made = plan()
    # The charge is that of the bite factor's lower bound, about 1.25 times for silver.
    # The time is 1.5 times the planned time.
    sd_ln = math.sqrt(0.10**2 + 0.05**2 + 0.03**2 + 0.01**2)
    assert made.max_charge_coulombs / made.charge_coulombs == pytest.approx(
        math.exp(1.959964 * sd_ln), rel=1e-4
    )
    assert made.max_on_time_s == pytest.approx(1.5 * made.duration_s)
    assert plan(tables={"limits": {"max_run_s": 700.0}}).max_on_time_s == 700.0
    assert plan(tables={"limits": {"over_time_fraction": 2.0}}).max_on_time_s == pytest.approx(
        2.0 * made.duration_s
    )
    assert made.max_current_a == pytest.approx(1.3 * 3.0)


def test_depth_interval_at_the_target() -> None:
    made = plan()
    assert made.table.at(made.charge_coulombs).best_mm == pytest.approx(0.25, rel=1e-9)
    assert made.depth_low_mm < 0.25 < made.depth_high_mm
    assert (made.depth_low_mm, made.depth_high_mm) == (
        made.table.at(made.charge_coulombs).low_mm,
        made.table.at(made.charge_coulombs).high_mm,
    )


def test_edges_cost_charge() -> None:
    """Edges cost charge by the Steiner form."""
    made = plan(edge_mm=1534.0)
    volume_mm3 = (
        767.0 * 0.25 + math.pi / 4 * 1534.0 * 0.25**2 / 1.2 + 2 / 3 * math.pi * 0.25**3 / 1.2**2
    )
    assert made.charge_coulombs == pytest.approx(
        volume_mm3 / METALS["fine-silver"].mm3_per_coulomb, rel=1e-4
    )
    assert made.volume_removed_mm3 == pytest.approx(volume_mm3, rel=1e-4)


def test_copies_sides_and_bare_metal() -> None:
    one = plan(edge_mm=500.0)
    assert plan(edge_mm=500.0, pieces=3).charge_coulombs == pytest.approx(
        3 * one.charge_coulombs, rel=1e-6
    )
    assert plan(
        edge_mm=500.0, pieces=3, sides=2, thickness_mm=None
    ).charge_coulombs == pytest.approx(6 * one.charge_coulombs, rel=1e-6)
    bare = plan(edge_mm=500.0, other_bare_mm2=100.0)
    extra_coulombs = 100.0 * 0.25 / METALS["fine-silver"].mm3_per_coulomb
    assert bare.charge_coulombs == pytest.approx(one.charge_coulombs + extra_coulombs, rel=1e-4)
    assert plan(pieces=3, sides=2, other_bare_mm2=100.0).total_area_mm2 == 6 * 767.0 + 100.0


def test_current_from_a_current_density() -> None:
    made = plan(current_a=None, density_a_per_dm2=10.0, other_bare_mm2=233.0)
    assert made.current_a == pytest.approx(1.0)
    assert made.density_a_per_dm2 == pytest.approx(10.0)


def test_growth_curve_replaces_area() -> None:
    """A measured growth curve takes the place of the area and the edge length."""
    curve = tuple((s / 100.0, 500.0 + 800.0 * s / 100.0) for s in range(101))
    made = plan(growth_mm2=curve, area_mm2=500.0)
    assert made.total_area_mm2 == 500.0
    volume_mm3 = 500.0 * 0.25 + math.pi / 4 * 800.0 * 0.25**2 / 1.2
    assert made.volume_removed_mm3 == pytest.approx(volume_mm3, rel=1e-4)
    assert not warned(made, "no_edge_length")


def test_current_grows_with_area() -> None:
    """In constant voltage the current grows with the area."""
    made = plan(supply_mode="constant-voltage", edge_mm=1534.0, thickness_mm=None)
    undercut_mm = 0.25 / 1.2
    end_area_mm2 = 767.0 + 1534.0 * undercut_mm + math.pi * undercut_mm**2
    assert made.end_current_a == pytest.approx(3.0 * end_area_mm2 / 767.0)
    assert made.max_current_a == pytest.approx(1.3 * made.end_current_a)
    # Time by integrating dQ / I over the depth: the mean of the two currents is a few percent off
    # at most.
    k = METALS["fine-silver"].mm3_per_coulomb

    def seconds_per_mm(d: float) -> float:
        volume_slope_mm2 = 767.0 + math.pi / 2 * 1534.0 * d / 1.2 + 2 * math.pi * d**2 / 1.2**2
        return (
            volume_slope_mm2
            / k
            / (3.0 * (767.0 + 1534.0 * d / 1.2 + math.pi * (d / 1.2) ** 2) / 767.0)
        )

    assert made.duration_s == pytest.approx(quad(seconds_per_mm, 0.0, 0.25)[0], rel=0.03)


def test_own_figures_of_metal() -> None:
    made = plan(
        tables={"metals": {"fine-silver": {"density_g_per_cm3": 10.49, "etch_factor": 0.8}}}
    )
    assert made.charge_coulombs == pytest.approx(plan().charge_coulombs * 10.49 / 10.5, rel=1e-6)
    assert made.belief.best_etch_factor == pytest.approx(0.8)
    assert (
        plan(tables={"metals": {"copper": {"density_g_per_cm3": 8.9}}}).charge_coulombs
        == plan().charge_coulombs
    )


def test_depth_limit_of_sheet() -> None:
    """The depth limit shares the sheet between the sides and allows for deeper edges."""
    # 50 % of the sheet, edges 1.3 times deeper: 0.5 x 1.2 / 1.3 on one side.
    assert plan().max_mean_depth_mm == pytest.approx(0.5 * 1.2 / 1.3)
    assert plan(sides=2).max_mean_depth_mm == pytest.approx(0.5 * 1.2 / 1.3 / 2)
    assert plan(thickness_mm=None).max_mean_depth_mm is None
    tight = plan(tables={"limits": {"depth_of_thickness_fraction": 0.4, "edge_depth_factor": 1.15}})
    assert tight.max_mean_depth_mm == pytest.approx(0.4 * 1.2 / 1.15)


@settings(max_examples=30, deadline=None)
@given(
    metal=st.sampled_from([m.name for m in METALS.values()]),
    area_mm2=st.floats(10.0, 5e4),
    edge_per_area_per_mm=st.floats(0.0, 6.0),
    depth_mm=st.floats(0.02, 0.6),
    density_a_per_dm2=st.floats(1.0, 60.0),
    constant_voltage=st.booleans(),
)
def test_any_plan_is_consistent(
    metal: str,
    area_mm2: float,
    edge_per_area_per_mm: float,
    depth_mm: float,
    density_a_per_dm2: float,
    constant_voltage: bool,
) -> None:
    made = plan(
        sensor_range_a=1e6,
        metal=metal,
        area_mm2=area_mm2,
        edge_mm=area_mm2 * edge_per_area_per_mm,
        depth_mm=depth_mm,
        current_a=None,
        density_a_per_dm2=density_a_per_dm2,
        thickness_mm=None,
        supply_mode="constant-voltage" if constant_voltage else "constant-current",
    )
    assert made.table.at(made.charge_coulombs).best_mm == pytest.approx(depth_mm, rel=1e-6)
    assert made.charge_coulombs < made.max_charge_coulombs
    assert made.duration_s == pytest.approx(
        made.charge_coulombs / (0.5 * (made.current_a + made.end_current_a))
    )
    assert made.end_current_a >= made.current_a * (1 - 1e-12)
    assert made.metal_removed_g == pytest.approx(
        made.volume_removed_mm3 * made.metal.density_g_per_cm3 / 1000.0
    )
    assert made.volume_removed_mm3 >= area_mm2 * depth_mm * (1 - 1e-6), "at least the open field"


# --- refusals -------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("field", "changes"),
    [
        ("metal", {"metal": "gold"}),
        ("area_mm2", {"area_mm2": 0.0}),
        ("area_mm2", {"area_mm2": math.nan}),
        ("depth_mm", {"depth_mm": -0.1}),
        ("depth_mm", {"depth_mm": math.inf}),
        ("edge_mm", {"edge_mm": -0.1}),
        ("thickness_mm", {"thickness_mm": 0.0}),
        ("pieces", {"pieces": 0}),
        ("pieces", {"pieces": 501}),
        ("sides", {"sides": 3}),
        ("other_bare_mm2", {"other_bare_mm2": -1.0}),
        ("area_uncertainty_fraction", {"area_uncertainty_fraction": 0.0}),
        ("area_uncertainty_fraction", {"area_uncertainty_fraction": 0.5}),
        ("area_uncertainty_fraction", {"area_uncertainty_fraction": math.nan}),
        ("current_a", {"current_a": 0.0}),
        ("current_a", {"current_a": math.inf}),
        ("current_a", {"current_a": None}),
        ("current_a", {"current_a": 3.0, "density_a_per_dm2": 10.0}),
        ("density_a_per_dm2", {"current_a": None, "density_a_per_dm2": 0.0}),
        ("density_a_per_dm2", {"current_a": None, "density_a_per_dm2": math.nan}),
        ("growth_mm2", {"growth_mm2": ((0.0, 5.0),)}),
    ],
)
def test_impossible_field_is_refused(field: str, changes: dict[str, Any]) -> None:
    error = refused(**changes)
    assert error.field == field
    assert text_or_none(error.message.key, **error.message.values)


def test_limit_fits_the_sensor() -> None:
    """The current limit must stay below 85 % of the sensor's range."""
    # 3 A x 1.3 = 3.9 A.
    plan(sensor_range_a=3.9 / 0.85 + 0.001)
    error = refused(sensor_range_a=3.9 / 0.85 - 0.001)
    assert error.field == "current_a"
    assert "limit of 3.90 A is above 85 % of the sensor's range of 4.59 A" in str(error)
    assert "Fit a smaller shunt" in str(error)


def test_end_current_fits_the_sensor() -> None:
    """In constant voltage the current at the end must fit the sensor."""
    end_limit_a = plan(supply_mode="constant-voltage", edge_mm=1534.0).max_current_a
    refused(
        sensor_range_a=end_limit_a / 0.85 - 0.001, supply_mode="constant-voltage", edge_mm=1534.0
    )
    plan(sensor_range_a=end_limit_a / 0.85 - 0.001, supply_mode="constant-current", edge_mm=1534.0)


@pytest.mark.parametrize(("shunt_ohm", "expected_a"), [(0.02, 214.3), (0.1, 100.0)])
def test_drivable_current_from_wiring(shunt_ohm: float, expected_a: float) -> None:
    """The 15 V of the wiring limit what a supply can drive, and not the sensor's range.

    Ohm's law over the shunt and 0.05 ohm. The figures are from systemd/wiring.md and common
    practice, no source.
    """
    for range_a in (8.0, 16.0):
        made = plan(range_a, {"rig": {"shunt_ohm": shunt_ohm}})
        assert made.drivable_a == pytest.approx(expected_a, abs=0.05)
        assert made.sure_a == pytest.approx(0.85 * range_a)


def test_uncontrollably_short_run_refused() -> None:
    # 1800.9 C: at 1800 A just over a second.
    plan(sensor_range_a=1e6, current_a=1800.0)
    error = refused(sensor_range_a=1e6, current_a=1801.5)
    assert error.field == "current_a"
    assert error.message.values["limit_s"] == 1.0
    assert error.limit == "at least 1 s"


def test_depth_through_sheet_refused() -> None:
    plan(thickness_mm=0.251)
    error = refused(thickness_mm=0.25)
    assert error.field == "depth_mm"
    assert "0.25 mm goes through the 0.25 mm sheet" in str(error)
    plan(thickness_mm=0.501, sides=2)
    assert refused(thickness_mm=0.5, sides=2).limit == "below 0.25 mm"


# --- warnings -------------------------------------------------------------------------------------


def test_careful_plan_warns_nothing() -> None:
    assert plan(edge_mm=500.0, current_a=1.5).warnings == ()


@pytest.mark.parametrize(
    ("key", "field", "inside", "outside"),
    [
        ("no_edge_length", "edge_mm", {"edge_mm": 0.1}, {"edge_mm": 0.0}),
        ("brisk_untried", "current_a", {"current_a": 0.0767 * 19.9}, {"current_a": 0.0767 * 20.1}),
        (
            "little_headroom",
            "current_a",
            {"sensor_range_a": 3.9 / 0.699},
            {"sensor_range_a": 3.9 / 0.701},
        ),
        (
            "short_run",
            "current_a",
            {"current_a": 180.0, "sensor_range_a": 1e4},
            {"current_a": 180.2, "sensor_range_a": 1e4},
        ),
        (
            "long_run",
            "current_a",
            {"current_a": 0.1251},
            {"current_a": 0.1250},
        ),
        ("no_thickness", "thickness_mm", {"thickness_mm": 1.2}, {"thickness_mm": None}),
        (
            "depth_limit_possible",
            "depth_mm",
            {"thickness_mm": 0.3140 * 2.6},
            {"thickness_mm": 0.3139 * 2.6},
        ),
        (
            "depth_limit_sure",
            "depth_mm",
            {"thickness_mm": 0.2501 * 2.6},
            {"thickness_mm": 0.2499 * 2.6},
        ),
    ],
)
def test_each_warning_at_its_limit(
    key: str, field: str, inside: dict[str, Any], outside: dict[str, Any]
) -> None:
    assert not warned(plan(**inside), key)
    assert warned(plan(**outside), key) == [field]


def test_overlong_run_states_duration() -> None:
    """A run longer than the ceiling is warned of with its duration."""
    made = plan(current_a=0.1)
    assert warned(made, "long_run")
    (message,) = (it.message for it in made.warnings if it.message.key.endswith("long_run"))
    assert message.values == {"duration_min": pytest.approx(300.0, rel=1e-3), "limit_min": 240.0}
    assert made.max_on_time_s == 4 * 3600.0


# --- known faults ---------------------------------------------------------------------------------


def named_fields(**changes: Any) -> list[str | None]:
    """Return the field for which a plan is refused, or the fields that it warns of."""
    try:
        return [warning.field for warning in plan(**changes).warnings]
    except RefusedError as error:
        return [error.field]


@pytest.mark.parametrize(
    "name", [m.name for m in METALS.values() if m.not_in_nitric_because is not None]
)
def test_metals_unfit_for_nitric_acid(name: str) -> None:
    """A metal that must not go into nitric acid is refused or warned of."""
    assert "metal" in named_fields(metal=name)


def test_short_growth_curve_refused() -> None:
    # 0.25 mm deep at etch factor 1.2 needs 0.208 mm of growth.
    assert named_fields(growth_mm2=((0.0, 500.0), (0.1, 600.0))) == ["growth_mm2"]


@pytest.mark.parametrize(
    ("field", "value"),
    [
        ("edge_mm", math.nan),
        ("edge_mm", math.inf),
        ("other_bare_mm2", math.nan),
        ("other_bare_mm2", math.inf),
        ("growth_mm2", ((0.0, 0.0), (1.0, 0.0))),
        ("growth_mm2", ((0.0, -5.0), (1.0, 5.0))),
        ("growth_mm2", ((0.0, math.nan), (1.0, 5.0))),
        ("growth_mm2", ((0.0, 5.0), (1.0, math.inf))),
    ],
)
def test_bad_numbers_refused_early(
    monkeypatch: pytest.MonkeyPatch, field: str, value: object
) -> None:
    """A bad number is refused before the depth table is made of it."""

    def reached(*_args: object) -> None:
        raise AssertionError("the depth table is made of it")

    monkeypatch.setattr("controller.planning.targets.depth_table", reached)
    assert named_fields(**{field: value}) == [field]


@pytest.mark.parametrize(
    "name",
    [pytest.param(m.name, marks=[]) for m in METALS.values()],
)
def test_table_reaches_past_ceiling(name: str) -> None:
    """The depth table reaches past the charge ceiling."""
    made = plan(metal=name)
    assert made.table.best[-1][0] >= made.max_charge_coulombs
