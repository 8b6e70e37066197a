"""What a bath's card says about the attack of its acid, and how a coupon changes it. Pure."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from datetime import datetime

from controller.logbook.entries import BathSaved
from controller.physics.attack import AttackRate, expected_rate, sane_degc
from controller.physics.coupon import Coupon, rate_in_use
from controller.physics.faraday import Metal
from controller.physics.nitric_acid import acid_mol_per_l


@dataclass(frozen=True, slots=True)
class AcidCard:
    """The acid as a person enters it. Everything is optional.

    :param water_parts: parts of water to 1 part of acid, by volume.
    :param bottle_percent: share of acid on the bottle's label, by mass.
    """

    water_parts: float | None = None
    bottle_percent: float | None = None
    usual_degc: float | None = None

    def refuse_impossible(self) -> None:
        """Raise RefusedError for values that no bath has."""
        if self.water_parts is not None:
            acid_mol_per_l(self.water_parts, self.bottle_percent)
        elif self.bottle_percent is not None:
            acid_mol_per_l(1.0, self.bottle_percent)
        if self.usual_degc is not None:
            sane_degc(self.usual_degc)


NO_CARD = AcidCard()

_CARD = tuple(field.name for field in fields(AcidCard))
_COUPON = ("attack_um_per_min", "attack_sd_ln", "attack_degc", "attack_weighed_at_utc")


def with_card(bath: BathSaved, card: AcidCard, before: BathSaved | None) -> BathSaved:
    """Return a bath with its card, and with its earlier coupon if the acid is still the same.

    Fresh or other acid bites at another rate: then the coupon no longer counts.
    """
    bath = replace(bath, **{name: getattr(card, name) for name in _CARD})
    if before is None or _acid_of(before) != _acid_of(bath):
        return bath
    return replace(bath, **{name: getattr(before, name) for name in _COUPON})


def with_coupon(bath: BathSaved, coupon: Coupon, metal: Metal, at_utc: datetime) -> BathSaved:
    """Return a bath with the rate that a coupon showed. Raises: RefusedError."""
    rate = coupon.rate(metal)
    return replace(
        bath,
        attack_um_per_min=rate.um_per_min,
        attack_sd_ln=rate.sd_ln,
        attack_degc=coupon.degc,
        attack_weighed_at_utc=at_utc,
        saved_at_utc=at_utc,
    )


def strength_mol_per_l(bath: BathSaved) -> float | None:
    """Return the strength of a bath's acid, or None when its card does not say."""
    if bath.water_parts is None:
        return None
    return acid_mol_per_l(bath.water_parts, bath.bottle_percent)


def attack_in(bath: BathSaved, metal: Metal) -> AttackRate:
    """Return the rate of attack in a bath: by its coupon, else its strength, else the metal."""
    if bath.attack_um_per_min is not None and bath.attack_sd_ln is not None:
        weighed = AttackRate(bath.attack_um_per_min, bath.attack_sd_ln, "coupon")
        return rate_in_use(metal, weighed, bath.attack_degc, bath.usual_degc)
    return expected_rate(metal, strength_mol_per_l(bath), bath.usual_degc)


def _acid_of(bath: BathSaved) -> tuple[object, ...]:
    return bath.water_parts, bath.bottle_percent, bath.made_up_on
