"""The properties of the rehearsal rig, hidden from the controller, and the truth of a run."""

from __future__ import annotations

from dataclasses import dataclass
from math import pi
from random import Random

from hardware.rehearsal.cell import Cell
from hardware.rehearsal.front import Front, SteinerFront
from hardware.rehearsal.front_table import FrontTable, TabulatedFront
from hardware.rehearsal.sensor_chip import SensorChip
from hardware.rehearsal.supply import Supply
from hardware.sensor_kinds import SENSOR_KINDS

MAX_CLOCK_ERROR_FRACTION = 0.05
"""Largest error of the chip's clock that the seed draws. By the data sheet, the longest conversion
time is 10 % over the typical one."""


GAP_MM = 40.0
"""Between plate and minus plate, mm. Common practice, no source."""


@dataclass(frozen=True, slots=True)
class RehearsalSpec:
    """The properties of a rehearsal rig and its plate.

    Defaults: fine silver, 7.67 cm2, 3 A from a current-limited supply, near 3 V at the cell. They
    are common practice without a source, unless one is named.

    :param equivalent_g_per_mol: equivalent weight of the metal, g per mol of electrons.
    :param bite_factor: metal really removed over Faraday's.
    :param fields: number of openings.
    :param front_table: etching of the whole plate; replaces area, edge, fields and etch factor.
    :param supply_v: set point, or compliance under a current limit.
    :param supply_limit_a: current limit; None makes a plain voltage source.
    :param ripple_fraction: amplitude of the current's ripple over its DC.
    :param ramp_s: time over which the supply is turned up after each closing of the contact.
    :param contact_ohm: relay contact and wires in front of the sensor.
    :param lead_ohm: wires behind it.
    :param attack_um_per_min: chemical attack on all open metal, current or not, um/min.
    :param acid_fraction: mass fraction of nitric acid.
    :param limiting_a_per_dm2: limiting current density of the stirred bath.
    :param heat_loss_w_per_k: from the bath to the room; 0.5 gives 1 L a time constant of 2.3 h.
    :param sensor: name of the sensor, as in the configuration.
    :param i2c_hz: clock rate of the bus; the default is that of a Raspberry Pi.
    :param real_transfers: each transfer on the bus also takes its time in real time, without the
        interpreter's lock, as on a Pi. For measuring the pace of the control loop.
    :param chip_noise_v: see Ina219Chip.
    :param seed: sets the ripple's phase and the noise. Where they are None, it also sets the chip's
        clock (within 5 %) and its offset (within the typical offset).
    """

    equivalent_g_per_mol: float = 107.8682
    density_g_per_cm3: float = 10.49
    bite_factor: float = 1.0
    area_mm2: float = 767.0
    edge_mm: float = 0.0
    fields: int = 1
    etch_factor: float = 1.2
    front_table: FrontTable | None = None
    supply_v: float = 5.0
    supply_limit_a: float | None = 3.0
    supply_internal_ohm: float = 0.05
    ripple_fraction: float = 0.03
    ripple_hz: float = 100.0
    ramp_s: float = 0.0
    shunt_ohm: float = 0.02
    contact_ohm: float = 0.01
    contact_delay_s: float = 0.008
    lead_ohm: float = 0.03
    attack_um_per_min: float = 0.0
    acid_fraction: float = 0.05
    gap_mm: float = GAP_MM
    cathode_area_mm2: float = 6000.0
    rest_v: float = 0.25
    limiting_a_per_dm2: float = 100.0
    bath_volume_mm3: float = 1e6
    bath_degc: float = 20.0
    room_degc: float = 20.0
    heat_loss_w_per_k: float = 0.5
    relay_pin: str = "GPIO17"
    sensor: str = "ina219"
    i2c_address: int = 0x40
    i2c_hz: float = 100_000.0
    real_transfers: bool = False
    chip_clock_error_fraction: float | None = None
    chip_offset_share_fraction: float | None = None
    chip_gain_error_fraction: float = 0.0
    chip_noise_v: float = 10e-6
    chip_bus_noise_v: float = 1e-3
    seed: int = 1

    def make_supply(self, now_s: float) -> Supply:
        """Return the supply.

        The seed draws the phase of its ripple at the clock's time ``now_s``.
        """
        return Supply(
            voltage_v=self.supply_v,
            limit_a=self.supply_limit_a,
            internal_ohm=self.supply_internal_ohm,
            ripple_fraction=self.ripple_fraction,
            ripple_hz=self.ripple_hz,
            ripple_phase_rad=self._draw("ripple").uniform(0.0, 2.0 * pi)
            - 2.0 * pi * self.ripple_hz * now_s,
            ramp_s=self.ramp_s,
        )

    def set_point_v(self, current_a: float) -> float:
        """Return the set point in V that drives a current through the fresh plate."""
        series_ohm = self.supply_internal_ohm + self.contact_ohm + self.shunt_ohm
        return self.make_cell().voltage_v(current_a) + series_ohm * current_a

    def make_cell(self) -> Cell:
        """Return the cell with its plate not yet etched."""
        return Cell(
            self._make_front(),
            bite_factor=self.bite_factor,
            equivalent_g_per_mol=self.equivalent_g_per_mol,
            density_g_per_cm3=self.density_g_per_cm3,
            acid_fraction=self.acid_fraction,
            gap_mm=self.gap_mm,
            cathode_area_mm2=self.cathode_area_mm2,
            lead_ohm=self.lead_ohm,
            rest_v=self.rest_v,
            limiting_a_per_dm2=self.limiting_a_per_dm2,
            bath_volume_mm3=self.bath_volume_mm3,
            bath_degc=self.bath_degc,
            room_degc=self.room_degc,
            heat_loss_w_per_k=self.heat_loss_w_per_k,
            attack_um_per_min=self.attack_um_per_min,
        )

    def _make_front(self) -> Front:
        if self.front_table is not None:
            return TabulatedFront(self.front_table)
        return SteinerFront(self.area_mm2, self.edge_mm, self.etch_factor, self.fields)

    def make_chip(self) -> SensorChip:
        """Return the sensor chip. The seed draws clock and offset unless they are given."""
        clock_error_fraction = self.chip_clock_error_fraction
        if clock_error_fraction is None:
            clock_error_fraction = self._draw("clock").uniform(
                -MAX_CLOCK_ERROR_FRACTION, MAX_CLOCK_ERROR_FRACTION
            )
        offset_share_fraction = self.chip_offset_share_fraction
        if offset_share_fraction is None:
            offset_share_fraction = self._draw("offset").uniform(-1.0, 1.0)
        return SENSOR_KINDS[self.sensor].make_chip(
            clock_error_fraction=clock_error_fraction,
            offset_share_fraction=offset_share_fraction,
            gain_error_fraction=self.chip_gain_error_fraction,
            noise_v=self.chip_noise_v,
            bus_noise_v=self.chip_bus_noise_v,
            seed=self.seed,
        )

    def _draw(self, purpose: str) -> Random:
        """Return random numbers for one purpose. A given number does not change those of others."""
        return Random(f"{self.seed} {purpose}")  # noqa: S311 numbers of a model


@dataclass(frozen=True, slots=True)
class RehearsalTruth:
    """What really happened to the present plate. For tests and the summary of a rehearsal only.

    :param charge_coulombs: charge through the shunt.
    :param cell_charge_coulombs: the part of it that went through the plate.
    :param depth_mm: mean depth of the etched floor.
    :param deepest_mm: depth of its deepest place.
    :param mass_g: metal removed.
    :param heat_j: electrical energy that went into the bath.
    :param relay_on: whether the relay's coil is energised.
    :param contact_closed: whether current can flow.
    :param first_on_at_s: clock time at which the relay's coil was first energised, or None.
    :param fault_at_s: clock time of the first fault, or None without one. For a fault from the
        start, it is the time of turning on.
    :param off_after_fault_s: time from then until the contact broke, or None.
    """

    charge_coulombs: float
    cell_charge_coulombs: float
    depth_mm: float
    deepest_mm: float
    volume_mm3: float
    mass_g: float
    heat_j: float
    bath_degc: float
    relay_on: bool
    contact_closed: bool
    first_on_at_s: float | None
    fault_at_s: float | None
    off_after_fault_s: float | None
