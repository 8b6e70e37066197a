"""A small slice of the study of worlds with other laws; ``tests/proofs/place_coverage`` by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tests.proofs.place_coverage.study import coverage
from tests.proofs.place_coverage.worlds import LAWS, Bath, Cell

BATH = Bath(60.0, 10)


def test_places_covered_by_other_laws() -> None:
    """Of 75 draws, 88 to 99 % of all depths; the whole study has 94 to 96 % of 2,000 by place."""
    counts = coverage(worlds=15, seed=3)
    drawn, covered = sum(counts.drawn.values()), sum(counts.covered.values())
    assert drawn >= 225
    assert 0.88 < covered / drawn < 0.995
    assert counts.share("widest-floor-middle") > 0.88


@pytest.mark.parametrize("law", LAWS)
def test_laws_hold_in_the_solution(law: str) -> None:
    """Much resistance makes any law uniform, none makes it ohmic, and charge is kept."""
    cell = Cell("field and lines", BATH)
    uniform, ohmic = cell.current(law, 1e4), cell.current(law, 0.05)
    assert uniform == pytest.approx(np.ones_like(uniform), abs=0.01)
    assert ohmic.mean() == pytest.approx(1.0)
    assert ohmic[cell.lines].mean() > 1.3 > 0.9 > ohmic[cell.middle]


def test_excess_is_met() -> None:
    cell = Cell("one field", BATH)
    for law in LAWS:
        assert cell.excess(cell.with_excess(law, 0.2)) == pytest.approx(0.2, abs=0.04)
