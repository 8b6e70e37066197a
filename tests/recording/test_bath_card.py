"""The bath's card: acid strength and a weighed coupon, and what plans make of them."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.config import Settings
from controller.errors import RefusedError
from controller.physics.coupon import Coupon
from controller.planning.attacked import bite_to_json
from controller.planning.json_form import plan_for_logbook, plan_from_logbook
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from controller.planning.run_plan import RunPlan
from controller.recording.bath_card import AcidCard
from tests.recording.test_baths import Studio

COPPER_PLATE = PlanRequest(
    "copper", 2000.0, depth_mm=0.25, density_a_per_dm2=5.0, edge_mm=1000.0, bath="tank 1"
)
WEAK = AcidCard(water_parts=10.0, bottle_percent=65.0, usual_degc=20.0)
COUPON = Coupon(area_cm2=20.0, minutes=60.0, lost_g=0.215, degc=20.0)


@pytest.fixture
def studio(tmp_path: Path) -> Iterator[Studio]:
    studio = Studio(tmp_path / "log.sqlite")
    yield studio
    studio.manual.logbook.finish()


def planned(studio: Studio) -> RunPlan:
    return make_plan(COPPER_PLATE, Settings(), 16.0, studio.shelf.knowledge(COPPER_PLATE))


def attack_keys(plan: RunPlan) -> list[str]:
    return [it.message.key for it in plan.warnings if "attack" in it.message.key]


def test_card_reaches_the_plan(studio: Studio) -> None:
    """Each step of knowledge changes the plan for slow copper, and the plan says so."""
    studio.save(metal="copper")
    unknown = planned(studio)
    studio.save(metal="copper", card=WEAK)
    known = planned(studio)
    state = studio.shelf.state("tank 1")
    assert state.acid_mol_per_l == pytest.approx(1.32, rel=0.01)
    studio.shelf.weigh_coupon("tank 1", COUPON)
    weighed = planned(studio)
    plans = (unknown, known, weighed)
    assert [plan.acid_bite.rate.source for plan in plans] == ["metal", "strength", "coupon"]
    widths = [plan.depth_high_mm - plan.depth_low_mm for plan in plans]
    assert widths == sorted(widths, reverse=True)
    assert [attack_keys(plan) for plan in plans] == [
        ["plan.warning.attack_metal"],
        ["plan.warning.attack_strength"],
        ["plan.warning.attack_coupon"],
    ]
    assert weighed.acid_bite.rate.um_per_min == pytest.approx(0.2, rel=0.01)
    for plan in plans:
        text = str(next(it.message for it in plan.warnings if "attack" in it.message.key))
        assert "The acid also bites by itself" in text


def test_stronger_acid_needs_less_charge(studio: Studio) -> None:
    studio.save(metal="copper", card=WEAK)
    weak = planned(studio)
    studio.save(metal="copper", card=AcidCard(5.0, 65.0, 20.0))
    assert planned(studio).charge_coulombs < 0.9 * weak.charge_coulombs


def test_coupon_belongs_to_its_acid(studio: Studio) -> None:
    """A note keeps the coupon; other or fresh acid discards it; a restart keeps it."""
    studio.save(metal="copper", card=WEAK)
    studio.shelf.weigh_coupon("tank 1", COUPON)
    studio.save(metal="copper", card=WEAK, note="stirred by hand")
    assert studio.shelf.state("tank 1").attack_rate.source == "coupon"
    studio.manual.logbook.work()
    assert studio.shelf.bath("tank 1").attack_um_per_min == pytest.approx(0.2, rel=0.01)
    studio.save(metal="copper", card=WEAK, made_up_on="2031-03-20")
    assert studio.shelf.state("tank 1").attack_rate.source == "strength"
    studio.shelf.weigh_coupon("tank 1", COUPON)
    studio.save(metal="copper", card=AcidCard(8.0), made_up_on="2031-03-20")
    assert studio.shelf.state("tank 1").attack_rate.source == "strength"


def test_impossible_cards_refused(studio: Studio) -> None:
    for card in (AcidCard(0.0), AcidCard(None, 2.0), AcidCard(10.0, 65.0, 90.0)):
        with pytest.raises(RefusedError):
            studio.save(metal="copper", card=card)
    with pytest.raises(RefusedError, match="Describe it first"):
        studio.shelf.weigh_coupon("tank 9", COUPON)
    assert studio.shelf.baths() == ()


def test_plan_keeps_the_attack(studio: Studio) -> None:
    """A restart restores the attack of the start; a plan of an older version has none."""
    studio.save(metal="copper", card=WEAK)
    plan = planned(studio)
    stored = plan_for_logbook(plan)
    again = plan_from_logbook(stored, sure_a=13.6, drivable_a=200.0)
    assert again.acid_bite == plan.acid_bite
    assert bite_to_json(again.acid_bite)["rate"]["source"] == "strength"
    del stored["acid_bite"]
    older = plan_from_logbook(stored, sure_a=13.6, drivable_a=200.0)
    assert older.acid_bite.equivalent_a == 0.0
