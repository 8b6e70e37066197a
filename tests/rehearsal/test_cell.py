"""The rehearsal's cell and front against textbook electrochemistry and hand formulas."""

import cmath
from math import log10, pi

import numpy as np
import pytest

from controller.errors import RefusedError
from hardware.rehearsal.cell import Cell, nitric_acid_s_per_cm
from hardware.rehearsal.front import SteinerFront
from tests.kits.message_kit import raises_message

FARADAY = 96485.33212  # C/mol, CODATA 2022
SILVER = {
    "equivalent_g_per_mol": 107.8682,
    "density_g_per_cm3": 10.49,
}  # IUPAC standard atomic weight; handbook density


def make_cell(area_mm2=767.0, edge_mm=0.0, etch_factor=1.2, **changes):
    parameters = {
        "bite_factor": 1.0,
        **SILVER,
        "acid_fraction": 0.05,
        "gap_mm": 40.0,
        "cathode_area_mm2": 6000.0,
        "lead_ohm": 0.03,
        "rest_v": 0.25,
        "limiting_a_per_dm2": 100.0,
        "bath_volume_mm3": 1e6,
        "bath_degc": 25.0,
        "room_degc": 25.0,
        "heat_loss_w_per_k": 0.5,
        **changes,
    }
    return Cell(SteinerFront(area_mm2, edge_mm, etch_factor), **parameters)


def steiner_volume_mm3(depth_mm, area_mm2, edge_mm, etch_factor):
    """Floor plus a quarter-elliptic undercut of width x = d/k along the edge and around its outward
    corners.

    Area under the quarter ellipse (pi/4) x d along P; the corners' share is 2 pi int_0^x s d
    sqrt(1-(s/x)^2) ds = 2 pi x^2 d/3.
    """
    x = depth_mm / etch_factor
    return area_mm2 * depth_mm + pi / 4 * edge_mm * x * depth_mm + 2 * pi / 3 * x**2 * depth_mm


@pytest.mark.parametrize(("fraction", "ms_per_cm"), [(0.005, 28.4), (0.01, 56.1), (0.02, 108.0)])
def test_conductivity_at_the_published_points(fraction, ms_per_cm):
    """CRC Handbook, Electrical Conductivity of Aqueous Solutions: nitric acid at 20 degC."""
    assert nitric_acid_s_per_cm(fraction, 20.0) == pytest.approx(ms_per_cm * 1e-3, rel=1e-9)


def test_conductivity_at_five_percent():
    """From the CRC points the molar conductivity at 0.5, 1, 2 % is 358, 352, 337 S cm2/mol, so 300
    to 320 at 5 % (0.81 mol/L).
    """
    assert 300.0 * 0.81e-3 < nitric_acid_s_per_cm(0.05, 20.0) < 320.0 * 0.82e-3


def test_conductivity_rises_with_the_temperature():
    """1.33 % per K of the value at 25 degC (Landolt-Boernstein)."""
    assert nitric_acid_s_per_cm(0.05, 35.0) / nitric_acid_s_per_cm(0.05, 25.0) == pytest.approx(
        1.133
    )


@pytest.mark.parametrize("fraction", [0.0, 0.004, 0.06, float("nan")])
def test_unknown_acid_is_refused(fraction):
    with raises_message(RefusedError, "hardware.cell.acid", low=0.005, high=0.05) as refused:
        nitric_acid_s_per_cm(fraction, 20.0)
    assert refused.value.limit == "0.005 to 0.05"


def test_common_practice_near_3_v():
    """7.67 cm2 at 3 A: near 3 V (common practice, no source)."""
    assert make_cell(bath_degc=20.0).voltage_v(3.0) == pytest.approx(3.0, abs=0.15)


def test_larger_areas_need_less_voltage():
    voltages_v = [
        make_cell(area_mm2=area_mm2).voltage_v(3.0) for area_mm2 in (300.0, 767.0, 2000.0, 5000.0)
    ]
    assert voltages_v == sorted(voltages_v, reverse=True)
    assert voltages_v[0] > 1.5 * voltages_v[2]


def test_tafel_slope_of_one_electrode():
    """2.303 R T/(alpha F) is 118.3 mV per decade at 25 degC for alpha 1/2, one electron (textbook);
    two electrodes, ohms off.
    """
    ohmless = {"gap_mm": 1e-9, "lead_ohm": 0.0, "limiting_a_per_dm2": 1e9}
    cell = make_cell(area_mm2=1.0, cathode_area_mm2=1.0, **ohmless)
    decade_v = cell.voltage_v(100.0) - cell.voltage_v(10.0)
    assert decade_v == pytest.approx(2 * 0.1183, rel=1e-3)


def test_tafel_line_at_exchange_current():
    """Extrapolated to no overvoltage the Tafel lines meet at the exchange current density, here
    2e-4 and 2e-6 A/mm2.
    """
    cell = make_cell(
        area_mm2=1.0, cathode_area_mm2=1.0, gap_mm=1e-9, lead_ohm=0.0, limiting_a_per_dm2=1e9
    )
    overvoltage_v = cell.voltage_v(10.0) - 0.25
    assert overvoltage_v == pytest.approx(
        0.1183 * (log10(10.0 / 2e-4) + log10(10.0 / 2e-6)), rel=1e-3
    )


def test_concentration_term_at_half_limit():
    """(R T/F) ln 2 is 17.81 mV at 25 degC (textbook)."""
    free, limited = (
        make_cell(limiting_a_per_dm2=1e9),
        make_cell(limiting_a_per_dm2=2 * 3.0 / 0.0767),
    )
    assert limited.voltage_v(3.0) - free.voltage_v(3.0) == pytest.approx(0.01781, rel=1e-3)


@pytest.mark.parametrize("current_a", [-8.0, -1.0, 0.0, 0.1, 3.0, 7.5, 7.6, 9.0, 15.0])
def test_slope_is_the_derivative(current_a):
    """Slope is the derivative and positive."""
    cell = make_cell()
    step_a = 1e-6
    slope_ohm = (cell.voltage_v(current_a + step_a) - cell.voltage_v(current_a - step_a)) / (
        2 * step_a
    )
    assert cell.slope_ohm(current_a) == pytest.approx(slope_ohm, rel=1e-4)
    assert slope_ohm > 0.0


@pytest.mark.parametrize("current_a", [1.0, 3.835, 7.5])
def test_ripple_skips_diffusion_layer(current_a):
    """A steady current feels R T/F over what is left to the limiting current (textbook: 25.69 mV at
    25 degC), a ripple does not.

    With what 100 Hz leave of a finite layer's Warburg impedance, tanh(z)/z, z = sqrt(j w d^2/D), 50
    um and 1e-9 m2/s (textbook, from memory), the whole impedance is within 1 % of what the model
    takes.
    """
    cell = make_cell()  # 7.67 A at most
    diffusion_ohm = 0.02569 / (7.67 - current_a)
    assert cell.slope_ohm(current_a) - cell.ripple_ohm(current_a) == pytest.approx(
        diffusion_ohm, rel=1e-3
    )
    z = cmath.sqrt(2j * pi * 100.0 * (50e-6) ** 2 / 1e-9)
    steady_ohm = (cell.voltage_v(current_a + 1e-6) - cell.voltage_v(current_a - 1e-6)) / 2e-6
    whole_ohm = abs(steady_ohm - diffusion_ohm + diffusion_ohm * cmath.tanh(z) / z)
    assert cell.ripple_ohm(current_a) == pytest.approx(whole_ohm, rel=0.01)


def test_no_step_at_limiting_current():
    """No step where the other reaction takes over."""
    cell = make_cell()
    edge_a = 0.99 * 7.67
    assert cell.voltage_v(edge_a + 1e-9) - cell.voltage_v(edge_a - 1e-9) < 1e-8


def test_polarisation_fades():
    """Polarisation fades after the current has stopped."""
    cell = make_cell()
    cell.advance(0.07, 3.0, 0.21, 0.6)
    assert 0.5 < cell.open_voltage_v < 1.0  # a cell alone stays below 1 V
    cell.advance(0.5, 0.0, 0.0, 0.0)
    cell.advance(5.0, 0.0, 0.0, 0.0)
    assert cell.open_voltage_v == pytest.approx(0.25, abs=1e-4)


def test_faraday_depth_of_trade_example():
    """1800 C over 7.67 cm2 of fine silver: 1.118 mg/C (Faraday's law) give 2.012 g, 0.2501 mm at
    10.49 g/cm3.
    """
    cell = make_cell()
    for _ in range(6000):
        cell.advance(0.1, 3.0, 0.3, 0.0)
    assert cell.charge_coulombs == pytest.approx(1800.0)
    assert cell.volume_mm3 * 10.49e-3 == pytest.approx(1800.0 * 1.118e-3, rel=1e-4)
    assert cell.front.depth_mm == pytest.approx(0.2501, rel=1e-3)


def test_bite_factor_scales_the_metal():
    full, half = make_cell(), make_cell(bite_factor=0.5)
    for cell in (full, half):
        cell.advance(1.0, 3.0, 3.0, 0.0)
    assert half.volume_mm3 == pytest.approx(0.5 * full.volume_mm3)


def test_copper_dissolves_with_two_electrons():
    """1.18549 g/(A h), from 63.546 g/mol and n = 2."""
    cell = make_cell(equivalent_g_per_mol=31.773, density_g_per_cm3=8.96)
    cell.advance(1.0, 1.0, 3600.0, 0.0)
    assert cell.volume_mm3 * 8.96e-3 == pytest.approx(1.18549, rel=1e-4)


def test_reverse_charge_removes_nothing():
    """Charge against the etch takes no metal."""
    cell = make_cell()
    cell.advance(1.0, -3.0, -3.0, 0.0)
    assert (cell.volume_mm3, cell.front.depth_mm) == (0.0, 0.0)
    assert cell.charge_coulombs == -3.0


@pytest.mark.parametrize("edge_mm", [0.0, 110.0, 1500.0])
@pytest.mark.parametrize("etch_factor", [0.7, 1.0, 1.2, 2.5])
def test_depth_against_the_volume_formula(edge_mm, etch_factor):
    """Outside: the root of the closed cubic, by numpy, against the steps of a run."""
    cell = make_cell(edge_mm=edge_mm, etch_factor=etch_factor)
    for _ in range(9000):
        cell.advance(0.0667, 3.0, 0.2, 0.0)
    corner = 2 * pi / 3 / etch_factor**2 if edge_mm else 0.0
    roots = np.roots([corner, pi / 4 * edge_mm / etch_factor, 767.0, -cell.volume_mm3])
    depth_mm = min(root.real for root in roots if abs(root.imag) < 1e-9 and root.real > 0)
    assert cell.front.depth_mm == pytest.approx(depth_mm, rel=1e-7)
    if edge_mm:
        assert steiner_volume_mm3(
            cell.front.depth_mm, 767.0, edge_mm, etch_factor
        ) == pytest.approx(cell.volume_mm3, rel=1e-7)


def test_resistance_falls_with_area():
    """Open area grows and the resistance falls."""
    cell = make_cell(edge_mm=1500.0)
    before_v = cell.voltage_v(3.0)
    for _ in range(600):
        cell.advance(1.0, 3.0, 3.0, 0.0)
    assert cell.front.exposed_area_mm2 > 1.3 * 767.0
    assert cell.voltage_v(3.0) < before_v - 0.2


def test_heat_warms_a_litre():
    """9 W for 600 s into 1 L of water (4.18 J/(g K)): 1.29 K by hand, without loss to the room."""
    cell = make_cell(heat_loss_w_per_k=0.0)
    for _ in range(600):
        cell.advance(1.0, 3.0, 3.0, 9.0)
    assert cell.heat_j == pytest.approx(5400.0)
    assert cell.bath_degc - 25.0 == pytest.approx(5400.0 / 4180.0, rel=1e-9)


def test_bath_cools_with_time_constant():
    """Newton's law of cooling: 4180 J/K over 0.5 W/K is 8360 s."""
    cell = make_cell(bath_degc=45.0)
    for _ in range(8360):
        cell.advance(1.0, 0.0, 0.0, 0.0)
    assert cell.bath_degc - 25.0 == pytest.approx(20.0 / np.e, rel=1e-3)


def test_warming_lowers_the_voltage():
    assert make_cell(bath_degc=35.0).voltage_v(3.0) < make_cell(bath_degc=20.0).voltage_v(3.0) - 0.2


@pytest.mark.parametrize(
    ("area_mm2", "edge_mm", "etch_factor", "field"),
    [
        (0.0, 1.0, 1.0, "area_mm2"),
        (1.0, -1.0, 1.0, "edge_mm"),
        (1.0, 1.0, 0.0, "etch_factor"),
        (1.0, float("nan"), 1.0, "edge_mm"),
    ],
)
def test_front_refuses_impossible_openings(area_mm2, edge_mm, etch_factor, field):
    """Front refuses what is no opening."""
    with pytest.raises(RefusedError) as caught:
        SteinerFront(area_mm2, edge_mm, etch_factor)
    assert caught.value.field == field


def test_overvoltage_follows_the_area():
    """Twice the area halves the density: 118 mV per decade (textbook Tafel slope at 25 degC) less
    at the plate, and less gap.
    """
    cell = make_cell(limiting_a_per_dm2=1e9)
    ohms = cell.slope_ohm(3.0)
    before_v = cell.voltage_v(3.0)
    cell.leak_mm2 = 767.0
    cell.advance(0.0, 3.0, 0.0, 0.0)
    after_v = cell.voltage_v(3.0)
    grown = make_cell(area_mm2=2 * 767.0, limiting_a_per_dm2=1e9)
    assert after_v == pytest.approx(grown.voltage_v(3.0), rel=1e-12)
    assert grown.slope_ohm(3.0) < ohms
    assert before_v - after_v > 0.118 * log10(2.0)
