"""Chemical attack: what the acid dissolves by itself, with the current on or off. Pure.

With the current on, it adds to the depth (acid_bite.py). With the current off, it widens the upper
bound, unless a weighed coupon shows the rate: then it adds to the depth as well.

    rate = anchor * (strength / anchor strength)^order * exp(-E/R (1/T - 1/T_20))

ln(rate) is normal. Orders and activation energies are published; the anchors are trade figures.
Copper is autocatalytic: the acid bites faster as nitrous acid builds up. No published law holds
for a stirred bath with current, so this is part of the spread.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from statistics import NormalDist

from controller.errors import RefusedError
from controller.physics.faraday import Metal

UPPER_SIGMA = NormalDist().inv_cdf(0.975)
"""The upper bound is the 97.5 % point, in standard deviations of ln(rate)."""

UNKNOWN_SD_LN = 1.0
"""Standard deviation of ln(rate) while the strength is unknown: within a factor of seven either
way, from a weak bath to hand-etching strength. Source: common practice, no source."""

USUAL_DEGC = 20.0
UNKNOWN_SD_K = 5.0
"""Temperature of a studio's bath and its standard deviation, where it was not given. Source: common
practice, no source."""

KNOWN_SD_K = 2.0
"""Standard deviation of a bath's temperature around the given one. Source: as above."""

WEAK_MOL_PER_L = 1.315
"""1 part of usual acid in 10 of water, see nitric_acid.py."""

HAND_ETCHING_MOL_PER_L = 3.65
"""1 part of usual acid in 3 of water, see nitric_acid.py."""

COLDEST_DEGC, HOTTEST_DEGC = 0.0, 60.0

_GAS_J_PER_MOL_K = 8.314462618
"""Molar gas constant. Source: CODATA 2018."""
_ZERO_DEGC_K = 273.15
_CALORIE_J = 4.184


@dataclass(frozen=True, slots=True)
class RateLaw:
    """How the attack on a metal depends on strength and temperature.

    :param um_per_min: median rate at ``mol_per_l`` and 20 degC.
    :param order: order in acid up to ``break_mol_per_l``; above it, ``strong_order``.
    :param j_per_mol: activation energy.
    :param sd_ln: standard deviation of ln(rate) while strength and temperature are known.
    """

    um_per_min: float
    mol_per_l: float
    order: float
    break_mol_per_l: float
    strong_order: float
    j_per_mol: float
    sd_ln: float

    def at(self, mol_per_l: float, degc: float) -> float:
        """Return the median rate, um/min."""
        return self.um_per_min * math.exp(
            self._ln_strength(mol_per_l)
            - self._ln_strength(self.mol_per_l)
            + warming_ln(self, USUAL_DEGC, degc)
        )

    def _ln_strength(self, mol_per_l: float) -> float:
        weak, strong = min(mol_per_l, self.break_mol_per_l), max(mol_per_l, self.break_mol_per_l)
        return self.order * math.log(weak) + self.strong_order * math.log(strong)


COPPER_LAW = RateLaw(math.sqrt(5.0), HAND_ETCHING_MOL_PER_L, 2.71, 100.0, 0.0, 41_430.0, 0.7)
"""Order and activation energy: a rotating copper disc in nitric acid (semi-empirical model with
C^2.71 and 41.43 kJ/mol, abstract read; its constant cannot be used, as the abstract's units do not
fit). Anchor: hand etching in 1 part acid to 3 of water takes 1 to 5 um/min (from memory, trade).
The law then gives 0.14 um/min in a weak bath, where the trade has 0.05 to 0.2 (from memory). Spread
within a factor of four: common practice, no source."""

SILVER_LAW = RateLaw(0.05, WEAK_MOL_PER_L, 2.0, 4.0, 1.0, 12.1 * 1000.0 * _CALORIE_J, 1.0)
"""Order two in acid, one above 4 mol/L; 12.1 kcal/mol. Source: Martinez et al., Metallurgical
Transactions B 24 (1993) 827-837, abstract read. Anchor: 0.05 um/min in a weak bath (common
practice, no source). Hand-etching strength gives 0.39 um/min, less than the trade's 1 to 5, which
names no metal: hence the wide spread."""


@dataclass(frozen=True, slots=True)
class AttackRate:
    """The rate of attack as a log-normal.

    :param um_per_min: median.
    :param sd_ln: standard deviation of its logarithm.
    :param source: "metal" for the bare prior, "strength" for the bath's card, "coupon" when a
        coupon was weighed.
    """

    um_per_min: float
    sd_ln: float
    source: str = "metal"

    def at_sigma(self, sigma: float) -> float:
        """Return the rate this many standard deviations from the median, um/min."""
        return self.um_per_min * math.exp(sigma * self.sd_ln)


def law_of(metal: Metal) -> RateLaw:
    """Return silver's law for a sheet that is mostly silver, and copper's for every other.

    Of the other metals, only brass may be etched in nitric acid; the plan warns of the rest.
    """
    main = max(metal.parts, key=lambda part: part.mass_fraction)
    return SILVER_LAW if main.element == "Ag" else COPPER_LAW


def warming_ln(law: RateLaw, from_degc: float, to_degc: float) -> float:
    """Return ln(rate at one temperature / rate at another). Source: Arrhenius' law."""
    inverse = 1.0 / (from_degc + _ZERO_DEGC_K) - 1.0 / (to_degc + _ZERO_DEGC_K)
    return law.j_per_mol / _GAS_J_PER_MOL_K * inverse


def expected_rate(
    metal: Metal, mol_per_l: float | None = None, degc: float | None = None
) -> AttackRate:
    """Return what is known of the attack before a coupon is weighed.

    :param mol_per_l: strength of the acid, or None when unknown.
    :param degc: usual temperature of the bath, or None when unknown.
    Raises: RefusedError for a temperature that no bath has.
    """
    law = law_of(metal)
    known_degc = USUAL_DEGC if degc is None else sane_degc(degc)
    sd_k = UNKNOWN_SD_K if degc is None else KNOWN_SD_K
    thermal_sd = warming_ln(law, known_degc, known_degc + sd_k)
    if mol_per_l is None:
        # The temperature's share is small beside that of the strength, which includes it.
        warming = warming_ln(law, USUAL_DEGC, known_degc)
        return AttackRate(metal.soak_um_per_min * math.exp(warming), UNKNOWN_SD_LN)
    return AttackRate(law.at(mol_per_l, known_degc), math.hypot(law.sd_ln, thermal_sd), "strength")


def sane_degc(degc: float, field: str = "usual_degc") -> float:
    """Return a bath's temperature. Raises: RefusedError for one that no bath has."""
    if not COLDEST_DEGC <= degc <= HOTTEST_DEGC:
        raise RefusedError(
            "physics.acid.temperature",
            field=field,
            temperature_degc=degc,
            coldest_degc=COLDEST_DEGC,
            hottest_degc=HOTTEST_DEGC,
        )
    return degc


@dataclass(slots=True)
class Soak:
    """Time in the bath without current.

    :param upper_um_per_min: greatest rate of attack, see AttackRate.
    :param total_s: total of the earlier stays.
    :param since_s: monotonic time at which the present stay began, or None when the plate is out
        or etching.
    :param is_known: False when the plate was in the bath for a further, unknown time.
    """

    upper_um_per_min: float
    total_s: float = 0.0
    since_s: float | None = None
    is_known: bool = True

    def begin(self, now_s: float) -> None:
        """Begin a stay: the current is off, and nobody has reported that the plate is out."""
        if self.since_s is None:
            self.since_s = now_s

    def end(self, now_s: float) -> None:
        """End the stay: the plate is out, or the current is on again."""
        if self.since_s is not None:
            self.total_s += now_s - self.since_s
            self.since_s = None

    def seconds(self, now_s: float) -> float:
        """Return the time in the bath without current up to now, s."""
        return self.total_s + (0.0 if self.since_s is None else now_s - self.since_s)

    def upper_mm(self, now_s: float) -> float:
        """Return the greatest depth that the bath may have etched without current, mm."""
        return self.upper_um_per_min / 1000.0 * self.seconds(now_s) / 60.0
