"""Metals and Faraday's law. The published figures are in test_published_values.py."""

from __future__ import annotations

from dataclasses import FrozenInstanceError

import periodictable
import pytest
from hypothesis import given
from hypothesis import strategies as st

from controller.errors import RefusedError
from controller.physics import faraday
from controller.physics.faraday import ATOMIC_WEIGHT_G_PER_MOL, METALS, Metal, metal_named

NAMES_FIXED = (
    "fine-silver",
    "sterling-silver",
    "britannia-silver",
    "copper",
    "copper-1",
    "brass-70-30",
)
KEPT_OUT = ("bronze", "nickel-silver", "zinc", "nickel", "steel", "stainless-304", "aluminium")
ONE_ELEMENT = [metal for metal in METALS.values() if len(metal.parts) == 1]


def test_the_names() -> None:
    assert tuple(METALS) == NAMES_FIXED + KEPT_OUT
    assert all(name == metal.name for name, metal in METALS.items())


@pytest.mark.parametrize("element", ATOMIC_WEIGHT_G_PER_MOL)
def test_atomic_weights(element: str) -> None:
    # Source: IUPAC standard atomic weights as carried by periodictable.
    assert ATOMIC_WEIGHT_G_PER_MOL[element] == pytest.approx(
        periodictable.elements.symbol(element).mass, rel=1e-6
    )


@pytest.mark.parametrize("metal", ONE_ELEMENT, ids=lambda metal: metal.name)
def test_densities_of_elements(metal: Metal) -> None:
    # Source: handbook densities as carried by periodictable.
    assert metal.density_g_per_cm3 == pytest.approx(
        periodictable.elements.symbol(metal.parts[0].element).density, rel=1e-6
    )


@pytest.mark.parametrize("metal", METALS.values(), ids=lambda metal: metal.name)
def test_metals_are_complete_and_sourced(metal: Metal) -> None:
    assert sum(part.mass_fraction for part in metal.parts) == pytest.approx(1.0, abs=1e-12)
    assert {part.element for part in metal.parts} <= set(ATOMIC_WEIGHT_G_PER_MOL)
    assert all(part.electrons in (1, 2, 3, 4) for part in metal.parts)
    assert metal.density_source
    for density_g_per_cm3, source in metal.other_densities_g_per_cm3:
        assert source
        assert density_g_per_cm3 != metal.density_g_per_cm3
        assert density_g_per_cm3 == pytest.approx(metal.density_g_per_cm3, rel=0.01), (
            "published densities differ by under 1 %"
        )
    # The rule of mixtures gives an alloy's density roughly. Brass is 2.4 % denser, and nothing here
    # is farther off.
    mixture_g_per_cm3 = 1.0 / sum(
        p.mass_fraction / periodictable.elements.symbol(p.element).density for p in metal.parts
    )
    assert metal.density_g_per_cm3 == pytest.approx(mixture_g_per_cm3, rel=0.03)


@pytest.mark.parametrize("name", KEPT_OUT)
def test_excluded_metals_give_a_reason(name: str) -> None:
    """A metal kept out of nitric acid gives the reason and refers to the safety data sheets."""
    reason = METALS[name].not_in_nitric_because
    assert reason is not None
    assert reason.endswith("Read the safety data sheets of the metal and of the acid first.")


def test_trade_metals_allow_nitric_acid() -> None:
    """Nothing keeps the metals of the trade out of nitric acid."""
    assert all(METALS[name].not_in_nitric_because is None for name in NAMES_FIXED)


@pytest.mark.parametrize(
    ("name", "bath_sd", "run_sd"),
    [("fine-silver", 0.10, 0.05), ("sterling-silver", 0.10, 0.05),
     ("britannia-silver", 0.10, 0.05), ("copper", 0.15, 0.07), ("copper-1", 0.15, 0.07),
     ("brass-70-30", 0.25, 0.10), ("zinc", 0.25, 0.10)],
)  # fmt: skip
def test_metal_priors(name: str, bath_sd: float, run_sd: float) -> None:
    # Common practice, no source.
    metal = METALS[name]
    assert (metal.bath_sd, metal.run_sd, metal.etch_factor, metal.etch_factor_sd) == (
        bath_sd,
        run_sd,
        1.2,
        0.35,
    )


def test_unknown_metal_is_refused() -> None:
    """An unknown metal is refused, and the message lists the known ones."""
    with pytest.raises(
        RefusedError, match=r"metal .gold. is not known. Choose one of fine-silver, .*aluminium"
    ) as caught:
        metal_named("gold")
    assert caught.value.field == "metal"


def test_own_figures_replace_ours() -> None:
    """The user's own figures replace ours and leave the table unchanged."""
    own = metal_named("copper", density_g_per_cm3=8.92, etch_factor=0.9)
    assert (own.density_g_per_cm3, own.density_source, own.etch_factor) == (
        8.92,
        "given by the user",
        0.9,
    )
    assert METALS["copper"].density_g_per_cm3 == 8.96
    assert METALS["copper"].etch_factor == 1.2
    assert metal_named("copper") is METALS["copper"]


@pytest.mark.parametrize(
    ("field", "value"),
    [("density_g_per_cm3", 0.0), ("density_g_per_cm3", float("nan")), ("etch_factor", -1.0)],
)
def test_figures_must_be_positive(field: str, value: float) -> None:
    with pytest.raises(RefusedError) as caught:
        metal_named("copper", **{field: value})
    assert caught.value.field == field


@given(
    metal=st.sampled_from(list(METALS.values())),
    charge_coulombs=st.floats(1e-3, 1e7),
    bite_factor=st.floats(0.2, 5.0),
)
def test_charge_mass_and_volume_agree(
    metal: Metal, charge_coulombs: float, bite_factor: float
) -> None:
    mass_g = faraday.removed_mass_g(charge_coulombs, metal, bite_factor)
    volume_mm3 = faraday.removed_volume_mm3(charge_coulombs, metal, bite_factor)
    assert mass_g == pytest.approx(volume_mm3 / 1000.0 * metal.density_g_per_cm3, rel=1e-12)
    # Faraday's second law, from the moles of electrons, without the module's own formulas.
    moles = charge_coulombs / 96485.33212
    atoms = {
        p.element: p.mass_fraction / periodictable.elements.symbol(p.element).mass
        for p in metal.parts
    }
    electrons = sum(p.electrons * atoms[p.element] for p in metal.parts)
    assert mass_g == pytest.approx(bite_factor * moles / electrons, rel=1e-6)


def test_attack_without_current() -> None:
    # Common practice, no source: a guess within a factor of four.
    silver = {"fine-silver", "sterling-silver", "britannia-silver"}
    assert {name: metal.soak_um_per_min for name, metal in METALS.items()} == {
        n: 0.05 if n in silver else 0.2 for n in METALS
    }


def test_metals_are_frozen() -> None:
    copper = METALS["copper"]
    with pytest.raises(FrozenInstanceError):
        copper.density_g_per_cm3 = 1.0  # type: ignore[misc]
    with pytest.raises(FrozenInstanceError):
        copper.parts[0].electrons = 1  # type: ignore[misc]
    assert not hasattr(copper, "__dict__")
    assert not hasattr(copper.parts[0], "__dict__")


def test_bite_factor_defaults_to_1() -> None:
    copper = METALS["copper"]
    for law in (faraday.removed_mass_g, faraday.removed_volume_mm3):
        assert law(3.0, copper) == law(3.0, copper, 1.0)
