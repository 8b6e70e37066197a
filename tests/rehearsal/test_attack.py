"""Chemical attack in the rehearsal: depth by time alone, and where the removed metal comes from.

Faraday's law with silver: 107.8682 g/mol, one electron, 10.49 g/cm3 (CIAAW, CRC Handbook).
"""

from __future__ import annotations

import pytest

from hardware.rehearsal.cell import Cell
from hardware.rehearsal.front_table import FrontTable, Spot, TabulatedFront, growth_table
from hardware.rehearsal.spec import RehearsalSpec
from tests.kits.rehearsal_rig import Rig

SILVER_MM3_PER_COULOMB = 107.8682 / (96485.33212 * 10.49e-3)
LINE, MIDDLE = Spot("line", 1.0, 1.0), Spot("middle", 5.0, 5.0)
TABLE = FrontTable(
    growth_table([(0.0, 200.0), (1.0, 400.0)], 1.0, 0.4).rows, ((LINE, 1.3), (MIDDLE, 0.9))
)


def cell(rate_um_per_min: float, **changes: object) -> Cell:
    spec = RehearsalSpec(attack_um_per_min=rate_um_per_min, **changes)  # type: ignore[arg-type]
    return spec.make_cell()


@pytest.mark.parametrize("current_a", [0.0, 3.0])
def test_attack_needs_no_current(current_a: float) -> None:
    """2 um/min over ten minutes take 20 um more than the current does, with it or without."""
    with_attack, without = cell(2.0), cell(0.0)
    for each in (with_attack, without):
        for _ in range(600):
            each.advance(1.0, current_a, current_a, 0.0)
    more_mm = with_attack.front.depth_mm - without.front.depth_mm
    assert more_mm == pytest.approx(0.020, rel=1e-3)
    assert with_attack.attacked_mm == pytest.approx(0.020, rel=1e-9)


def test_metal_balance_with_distribution() -> None:
    """Removed volume = bite factor x Q x EW / (F rho), and the attack's depth over the metal open.

    The open area is 200 mm2 at first and grows with the undercut.
    """
    bath = cell(1.0, front_table=TABLE, bite_factor=0.9)
    attacked_mm3 = 0.0
    for _ in range(400):
        attacked_mm3 += 1e-3 / 60.0 * bath.front.exposed_area_mm2
        bath.advance(1.0, 1.0, 1.0, 0.0)
    assert bath.volume_mm3 == pytest.approx(
        0.9 * 400.0 * SILVER_MM3_PER_COULOMB + attacked_mm3, rel=1e-4
    )
    again = TabulatedFront(TABLE)
    again.remove(bath.volume_mm3)
    assert bath.front.depth_mm == pytest.approx(again.depth_mm, rel=1e-9), "none is lost"


def test_leak_and_idle_piece_are_attacked() -> None:
    """The acid takes metal from a leak, and from a piece without contact, too."""
    bath = cell(6.0)
    bath.leak_mm2, bath.active_fraction = 100.0, 0.5
    bath.advance(600.0, 0.0, 0.0, 0.0)
    assert bath.front.depth_mm == pytest.approx(0.060)
    assert bath.volume_mm3 == pytest.approx(0.060 * (767.0 + 100.0))


def test_places_share_the_attack() -> None:
    """The distribution shapes what the current takes; the attack is the same everywhere."""
    rig = Rig(RehearsalSpec(front_table=TABLE, attack_um_per_min=3.0, supply_limit_a=1.0))
    rig.relay.on()
    rig.poll_for(300.0)
    truth = rig.model.truth()
    attacked_mm = 300.0 / 60.0 * 3e-3
    by_current_mm = truth.depth_mm - attacked_mm
    assert by_current_mm > 0.05
    line_mm = rig.model.depth_of_place_mm("line", 1.0, 1.0)
    middle_mm = rig.model.depth_of_place_mm("middle", 5.0, 5.0)
    assert line_mm == pytest.approx(attacked_mm + 1.3 * by_current_mm, rel=1e-3)
    assert middle_mm == pytest.approx(attacked_mm + 0.9 * by_current_mm, rel=1e-3)
    assert rig.model.depth_of_place_mm("elsewhere", 1.0, 1.0) is None
    rig.relay.off()
    rig.poll_for(120.0)
    later_mm = rig.model.depth_of_place_mm("line", 1.0, 1.0)
    assert later_mm is not None
    assert line_mm is not None
    assert later_mm - line_mm == pytest.approx(0.006, rel=0.02), "off, the acid goes on"


def test_no_attack_by_default() -> None:
    bath = cell(0.0)
    bath.advance(3600.0, 0.0, 0.0, 0.0)
    assert (bath.volume_mm3, bath.front.depth_mm) == (0.0, 0.0)
