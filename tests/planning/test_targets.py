"""What the target depth means: place, finishing allowance, metal left."""

from __future__ import annotations

from dataclasses import replace

import pytest

from controller.config import Settings
from controller.errors import RefusedError
from controller.planning.json_form import plan_for_logbook, plan_from_logbook, plan_to_json
from controller.planning.plan import learned, make_plan
from controller.planning.run_plan import RunPlan
from controller.texts import CATALOGUE
from tests.kits.doubles import PLACES, silver_request

SETTINGS = Settings()


def plan(**changes: object) -> RunPlan:
    return make_plan(silver_request(**{"places": PLACES, **changes}), SETTINGS, 16.0)


def test_target_is_the_floor_middle() -> None:
    """The middle of the widest floor is shallower than the mean, so the charge is larger."""
    made = plan()
    assert made.target_place == "widest-floor-middle"
    stop = made.charge_coulombs, made.acid_s_at_stop
    reached = made.expected_at(made.target_place, *stop)
    mean = made.expected_at(None, *stop)
    assert reached is not None
    assert mean is not None
    assert reached.best_mm == pytest.approx(0.25, rel=1e-4)
    mean_mm = mean.best_mm
    # The prior's median evenness is 0.3; the place's ratio there is 0.91.
    assert 0.25 / 0.96 < mean_mm < 0.25 / 0.86
    assert made.charge_coulombs / plan(target_place="mean").charge_coulombs == pytest.approx(
        mean_mm / 0.25, rel=0.01
    )
    assert made.mean_depth_mm(0.25) == pytest.approx(mean_mm, rel=1e-6)


def test_mean_stays_without_places() -> None:
    """A typed area is planned as before, and a target that is the mean gives the same charge."""
    typed, mean = plan(places=()), plan(target_place="mean")
    assert typed.target_place is None
    assert typed.places == ()
    assert typed.charge_coulombs == mean.charge_coulombs
    assert typed.target_table is typed.table
    assert typed.metal_left_mm(typed.charge_coulombs) is None
    assert typed.mean_depth_mm(0.2) == 0.2


def test_never_deeper_uses_the_place() -> None:
    made = plan(stop_policy="never-deeper")
    assert made.depth_high_mm == pytest.approx(0.25, rel=1e-6)
    assert made.expected_at("widest-floor-middle", made.charge_coulombs) == made.target_table.at(
        made.charge_coulombs
    )


def test_finishing_is_etched_on_top() -> None:
    """Polishing the raised ground makes the relief shallower: the bath etches deeper."""
    made = plan(finishing_mm=0.04)
    assert made.request.depth_mm == 0.25
    assert made.target_depth_mm == pytest.approx(0.29)
    assert made.charge_coulombs == pytest.approx(plan(depth_mm=0.29).charge_coulombs)
    assert plan(places=(), finishing_mm=0.04).target_depth_mm == pytest.approx(0.29)
    later = learned(made, made.learner)
    assert later.target_depth_mm == made.target_depth_mm, "not added twice"
    assert later.charge_coulombs == pytest.approx(made.charge_coulombs, rel=1e-4)


@pytest.mark.parametrize("finishing_mm", [-0.01, 0.51, float("nan")])
def test_impossible_finishing_refused(finishing_mm: float) -> None:
    with pytest.raises(RefusedError) as caught:
        plan(finishing_mm=finishing_mm)
    assert caught.value.field == "finishing_mm"


def test_unknown_target_place_refused() -> None:
    with pytest.raises(RefusedError) as caught:
        plan(target_place="deepest-twentieth")
    assert caught.value.field == "target_place"


def test_metal_left_under_deepest() -> None:
    """Thickness less the upper end at the deepest place, for each etched side."""
    made, both = plan(), plan(sides=2)
    deepest = made.expected_at("deepest-twentieth", made.charge_coulombs)
    assert deepest is not None
    left_mm = made.metal_left_mm(made.charge_coulombs)
    assert left_mm == pytest.approx(1.2 - deepest.high_mm, abs=2e-3)
    deepest = both.expected_at("deepest-twentieth", both.charge_coulombs)
    assert deepest is not None
    left_mm = both.metal_left_mm(both.charge_coulombs)
    assert left_mm == pytest.approx(1.2 - 2 * deepest.high_mm, abs=4e-3)
    assert made.least_metal_mm == pytest.approx(0.6)
    assert made.max_mean_depth_mm is None, "one of the two guards, not both"


def test_plan_warns_of_thin_metal() -> None:
    """The warning comes exactly when the guard would end the run before its target."""
    for thickness_mm in (0.5, 0.6, 0.7, 0.8, 0.9, 1.0, 1.1, 1.2):
        made = plan(thickness_mm=thickness_mm)
        left_mm = made.likely_metal_left_mm(made.charge_coulombs, made.acid_s_at_stop)
        least_mm = made.least_metal_mm
        assert left_mm is not None
        assert least_mm is not None
        warned = [it for it in made.warnings if it.message.key == "plan.warning.metal_left"]
        assert bool(warned) == (left_mm <= least_mm), thickness_mm
    keys = {
        thickness_mm: [it.message.key for it in plan(thickness_mm=thickness_mm).warnings]
        for thickness_mm in (0.5, 1.2)
    }
    assert "plan.warning.metal_left" in keys[0.5]
    assert not {"plan.warning.metal_left", "plan.warning.may_break_through"} & set(keys[1.2])


def test_plan_warns_of_a_hole() -> None:
    """The upper end reaches the back where the best estimate leaves more than the limit."""
    limits = SETTINGS.limits.model_copy(update={"depth_of_thickness_fraction": 0.8})
    settings = SETTINGS.model_copy(update={"limits": limits})
    for thickness_mm, is_warned in ((0.4, False), (0.5, True), (0.55, True), (0.7, False)):
        request = silver_request(places=PLACES, thickness_mm=thickness_mm)
        made = make_plan(request, settings, 16.0)
        stop = made.charge_coulombs, made.acid_s_at_stop
        likely_mm, thinnest_mm = made.likely_metal_left_mm(*stop), made.metal_left_mm(*stop)
        assert likely_mm is not None
        assert thinnest_mm is not None
        warned = "plan.warning.may_break_through" in [it.message.key for it in made.warnings]
        assert warned == (likely_mm > made.least_metal_mm and thinnest_mm <= 0.0), thickness_mm
        assert warned == is_warned


def test_places_in_json() -> None:
    """Scripts rely on these names."""
    made = plan()
    rows = plan_to_json(made)["places"]
    assert [row["name"] for row in rows] == [place.name for place in PLACES]
    assert set(rows[0]) == {
        "name", "x_mm", "y_mm", "share_of_area", "depth_mm", "depth_low_mm", "depth_high_mm",
    }  # fmt: skip
    assert rows[0]["depth_mm"] == pytest.approx(0.25, rel=1e-6)
    assert rows[0]["depth_low_mm"] == made.depth_low_mm
    assert rows[2]["depth_mm"] > rows[1]["depth_mm"] > rows[0]["depth_mm"]
    assert plan_to_json(plan(places=()))["places"] == []


def test_stored_plan_keeps_places() -> None:
    made = plan(finishing_mm=0.03)
    back = plan_from_logbook(plan_for_logbook(made), sure_a=made.sure_a, drivable_a=made.drivable_a)
    assert replace(back, warnings=()) == replace(made, warnings=())


def test_every_place_has_words() -> None:
    titles = CATALOGUE.part("places")
    assert all(f"name.{place.name}" in titles for place in PLACES)


def test_cautious_run_has_time_for_a_good_reading() -> None:
    """A reading may move the cautious stop to the best one: the ceiling on time allows for that."""
    copper = {"metal": "copper", "current_a": 0.8, "depth_mm": 0.1, "places": ()}
    best = make_plan(silver_request(**copper), SETTINGS, 16.0)
    cautious = make_plan(silver_request(**copper, stop_policy="never-deeper"), SETTINGS, 16.0)
    assert 1.5 * cautious.duration_s < best.duration_s, "slow copper: the acid widens the range"
    assert cautious.max_on_time_s == pytest.approx(best.max_on_time_s, rel=1e-6)
    assert cautious.max_charge_coulombs == pytest.approx(best.max_charge_coulombs, rel=1e-6)
