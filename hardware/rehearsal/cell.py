"""The model of the cell: voltage for a current, heat, and the metal removed."""

from __future__ import annotations

from itertools import pairwise
from math import asinh, exp, log, nan, sqrt

from controller.errors import RefusedError
from controller.units import FARADAY_COULOMBS_PER_MOL, MM3_PER_CM3
from hardware.rehearsal.front import Front

GAS_CONSTANT = 8.31446261815324
"""J/(mol K). Source: CODATA 2018 and 2022 (exact)."""
ZERO_DEGC_K = 273.15

HEAT_CAPACITY_J_PER_MM3_K = 4.18e-3
"""Of the bath, J/(mm3 K): that of water. Source: textbook value 4.18 J/(g K) at 1 g/cm3."""

NITRIC_ACID_S_PER_CM = ((0.005, 0.0284), (0.01, 0.0561), (0.02, 0.108), (0.05, 0.255))
"""Conductivity at 20 degC in S/cm over the acid's mass fraction. Source: CRC Handbook, Electrical
Conductivity of Aqueous Solutions (0.5, 1 and 2 %); the value at 5 % is extrapolated from their
molar conductivity, 0.245 to 0.265."""
CONDUCTIVITY_PER_K = 0.0133
"""Rise per K, as a share of the value at 25 degC. Source: Landolt-Boernstein, 1.017 mol/L nitric
acid, cited in a maker's manual."""

ANODE_EXCHANGE_A_PER_MM2 = 2e-4
CATHODE_EXCHANGE_A_PER_MM2 = 2e-6
"""Exchange current densities, A/mm2: a fast metal-ion electrode and a slow gas or nitrate
electrode. Orders of magnitude from textbooks, from memory. The transfer coefficient is 0.5 with
one electron: a Tafel slope of 2.303 R T/(0.5 F), 118 mV per decade at 25 degC (textbook)."""

DEPOLARISE_S = 0.5
"""Time constant with which the polarisation decays after the current stops, s. Order of magnitude,
no source."""
_LINEAR_FROM = 0.99


def nitric_acid_s_per_cm(acid_fraction: float, bath_degc: float) -> float:
    """Return the conductivity of nitric acid in S/cm.

    :param acid_fraction: mass fraction of the acid, 0.005 to 0.05.

    Raises: RefusedError outside 0.005 to 0.05.
    """
    table = NITRIC_ACID_S_PER_CM
    for (low, low_s_per_cm), (high, high_s_per_cm) in pairwise(table):
        if low <= acid_fraction <= high:
            at_20 = low_s_per_cm + (high_s_per_cm - low_s_per_cm) * (acid_fraction - low) / (
                high - low
            )
            return (
                at_20
                * (1.0 + CONDUCTIVITY_PER_K * (bath_degc - 25.0))
                / (1.0 - 5.0 * CONDUCTIVITY_PER_K)
            )
    raise RefusedError(
        "hardware.cell.acid",
        field="acid_fraction",
        acid_fraction=acid_fraction,
        low=table[0][0],
        high=table[-1][0],
    )


class Cell:
    """Plate, bath and cathode.

    The solution's resistance is that of a frustum between the open area and the cathode,
    gap / (kappa sqrt(A1 A2)), so it falls with the root of the open area. Both electrodes follow
    Butler and Volmer with a transfer coefficient of 1/2, which is an asinh. The concentration term
    is (R T/F) ln(1 - i/i_lim); from 99 % of the limiting current on it follows its tangent, because
    another reaction takes over there.

    :param front: the surface that is etched.
    :param bite_factor: metal really removed over what Faraday predicts.
    :param equivalent_g_per_mol: equivalent weight of the metal, g per mol of electrons.
    :param cathode_area_mm2: wetted area of the minus plate.
    :param lead_ohm: leads and clips behind the sensor.
    :param attack_um_per_min: depth that the acid alone takes from all open metal, current or not.
    :param rest_v: voltage without current.
    :param limiting_a_per_dm2: limiting current density at the plate. Stirring raises it.
    :param heat_loss_w_per_k: heat that the bath loses to the room per K.

    Faults set ``leak_mm2`` (bare metal beside the artwork), ``active_fraction`` (share of the
    artwork that has contact), ``film_ohm_mm2`` (a film on the plate, ohm times its area),
    ``heater_w``, ``lead_ohm`` and ``limiting_a_per_dm2``.
    """

    def __init__(
        self,
        front: Front,
        *,
        bite_factor: float,
        equivalent_g_per_mol: float,
        density_g_per_cm3: float,
        acid_fraction: float,
        gap_mm: float,
        cathode_area_mm2: float,
        lead_ohm: float,
        rest_v: float,
        limiting_a_per_dm2: float,
        bath_volume_mm3: float,
        bath_degc: float,
        room_degc: float,
        heat_loss_w_per_k: float,
        attack_um_per_min: float = 0.0,
    ) -> None:
        self.front = front
        self.bath_degc = bath_degc
        self.volume_mm3 = 0.0
        self.attacked_mm = 0.0
        self.charge_coulombs = 0.0
        self.heat_j = 0.0
        self.lead_ohm = lead_ohm
        self.limiting_a_per_dm2 = limiting_a_per_dm2
        self.leak_mm2 = 0.0
        self.active_fraction = 1.0
        self.film_ohm_mm2 = 0.0
        self.heater_w = 0.0
        self._mm3_per_coulomb = (
            bite_factor
            * equivalent_g_per_mol
            / (FARADAY_COULOMBS_PER_MOL * density_g_per_cm3)
            * MM3_PER_CM3
        )
        self._attack_mm_per_s = attack_um_per_min / 60_000.0
        self._kappa_s_per_cm = nitric_acid_s_per_cm(acid_fraction, 25.0)
        self._gap_mm = gap_mm
        self._cathode_area_mm2 = cathode_area_mm2
        self._rest_v = rest_v
        self._heat_capacity_j_per_k = bath_volume_mm3 * HEAT_CAPACITY_J_PER_MM3_K
        self._room_degc = room_degc
        self._heat_loss_w_per_k = heat_loss_w_per_k
        self._polarisation_v = 0.0
        # The current of the overvoltage below; nan after a change of anything that it depends on.
        self._newest_a = nan
        self._newest_overvoltage_v = 0.0
        self._settle()

    @property
    def open_voltage_v(self) -> float:
        """Voltage without current: rest voltage and remaining polarisation, V."""
        return self._rest_v + self._polarisation_v

    def depth_mm(self, ratio: float) -> float:
        """Return the depth of a place, mm.

        :param ratio: what the current etches there over its mean. The attack is the same anywhere.
        """
        return self.attacked_mm + ratio * (self.front.depth_mm - self.attacked_mm)

    def voltage_v(self, current_a: float) -> float:
        """Return the voltage behind the sensor while a current in A flows, V."""
        return self._rest_v + self._ohm * current_a + self._overvoltage_v(current_a)

    def slope_ohm(self, current_a: float) -> float:
        """Return the derivative of the voltage by the current, ohm."""
        share = min(abs(current_a) / self._limiting_a, _LINEAR_FROM)
        return self.ripple_ohm(current_a) + self._thermal_v / (self._limiting_a * (1.0 - share))

    def ripple_ohm(self, current_a: float) -> float:
        """Return the resistance for a ripple of 100 Hz around a current in A, ohm.

        It has no part of the diffusion layer. That layer takes d^2/D, 2.5 s for 50 um and 1e-9
        m2/s, so that at 100 Hz a fortieth of its resistance is left, by Warburg's impedance of a
        finite layer, tanh(sqrt(j w t))/sqrt(j w t). Source: textbooks, from memory. The tangent
        beyond 99 % of the limiting current is left out too. That is an assumption, because the
        reaction that takes over there is not known.
        """
        thermal_v = self._thermal_v
        anode_a, cathode_a = self._anode_a, self._cathode_a
        ohms = self._ohm
        ohms += 2.0 * thermal_v / sqrt(current_a * current_a + anode_a * anode_a)
        return ohms + 2.0 * thermal_v / sqrt(current_a * current_a + cathode_a * cathode_a)

    def advance(
        self, seconds: float, current_a: float, charge_coulombs: float, heat_j: float
    ) -> None:
        """Let time pass.

        :param current_a: mean current of the step, 0 for an open circuit.
        :param charge_coulombs: charge through the plate in the step. Negative charge removes no
            metal.
        :param heat_j: electrical energy that went in.
        """
        self.charge_coulombs += charge_coulombs
        if charge_coulombs > 0.0:
            volume_mm3 = self._mm3_per_coulomb * charge_coulombs
            self.volume_mm3 += volume_mm3
            # Pieces without contact leave their share to the others. A leak etches beside the
            # artwork.
            active_mm2 = self.active_fraction * self.front.exposed_area_mm2
            self.front.remove(
                volume_mm3 / (self.active_fraction * (1.0 + self.leak_mm2 / active_mm2))
            )
        if self._attack_mm_per_s > 0.0:
            self._attack(self._attack_mm_per_s * seconds)
        self.heat_j += heat_j
        gained_j = (
            heat_j
            + (self.heater_w - self._heat_loss_w_per_k * (self.bath_degc - self._room_degc))
            * seconds
        )
        self.bath_degc += gained_j / self._heat_capacity_j_per_k
        if current_a:
            # For the conditions in which the current flowed.
            self._polarisation_v = self._overvoltage_v(current_a)
        else:
            self._polarisation_v *= exp(-seconds / DEPOLARISE_S)
        self._settle()

    def _attack(self, depth_mm: float) -> None:
        """Let the acid take a depth from all open metal, also where no current flows."""
        open_mm2 = self.front.exposed_area_mm2
        self.front.remove(depth_mm * open_mm2)
        self.volume_mm3 += depth_mm * (open_mm2 + self.leak_mm2)
        self.attacked_mm += depth_mm

    def _overvoltage_v(self, current_a: float) -> float:
        """Return the polarisation of both electrodes and of the diffusion layer, V.

        It has the sign of the current.
        """
        if current_a == self._newest_a:
            return self._newest_overvoltage_v
        thermal_v = self._thermal_v
        share = abs(current_a) / self._limiting_a
        concentration = (
            -log(1.0 - share)
            if share < _LINEAR_FROM
            else -log(1.0 - _LINEAR_FROM) + (share - _LINEAR_FROM) / (1.0 - _LINEAR_FROM)
        )
        self._newest_a = current_a
        self._newest_overvoltage_v = thermal_v * (
            2.0 * (asinh(current_a / self._anode_a) + asinh(current_a / self._cathode_a))
            + (concentration if current_a >= 0.0 else -concentration)
        )
        return self._newest_overvoltage_v

    def _settle(self) -> None:
        """Compute the values that depend on temperature and open area."""
        area_mm2 = self.active_fraction * self.front.exposed_area_mm2 + self.leak_mm2
        kappa_s_per_mm = (
            self._kappa_s_per_cm * (1.0 + CONDUCTIVITY_PER_K * (self.bath_degc - 25.0)) / 10.0
        )
        self._ohm = (
            self.lead_ohm
            + self._gap_mm / (kappa_s_per_mm * sqrt(area_mm2 * self._cathode_area_mm2))
            + self.film_ohm_mm2 / area_mm2
        )
        self._thermal_v = GAS_CONSTANT * (self.bath_degc + ZERO_DEGC_K) / FARADAY_COULOMBS_PER_MOL
        self._anode_a = 2.0 * ANODE_EXCHANGE_A_PER_MM2 * area_mm2
        self._cathode_a = 2.0 * CATHODE_EXCHANGE_A_PER_MM2 * self._cathode_area_mm2
        self._limiting_a = self.limiting_a_per_dm2 / 1e4 * area_mm2
        self._newest_a = nan
