"""A slice of the film study: corrected films etched by the rehearsal's moving front."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from tests.proofs.film_study.artworks import hairlines, rings
from tests.proofs.film_study.study import DEPTH_MM, ETCH_FACTOR, WITHIN_MM, studied


def test_film_corrects_hairlines(tmp_path: Path) -> None:
    """All hairlines wash out as drawn and stay with the film; wide edges end where drawn."""
    row = studied(hairlines(), tmp_path)
    assert (row.lines, row.left_plain, row.left) == (7, 0, 7)
    assert row.film.lines_saved == 7
    assert len(row.errors_mm) > 1000
    assert np.abs(row.errors_mm).max() <= WITHIN_MM
    assert np.nanmedian(row.errors_plain_mm) == pytest.approx(DEPTH_MM / ETCH_FACTOR, abs=0.01)


@pytest.mark.parametrize("true_etch_factor", [0.7, 2.0])
def test_wrong_etch_factor(tmp_path: Path, true_etch_factor: float) -> None:
    """With another etch factor than the film's, wide edges are off by the difference."""
    row = studied(rings(), tmp_path, true_etch_factor)
    off_mm = DEPTH_MM / true_etch_factor - DEPTH_MM / ETCH_FACTOR
    if off_mm > 0.0:
        assert row.left == 0
    else:
        assert row.left == row.lines
        assert np.nanmedian(row.errors_mm) == pytest.approx(off_mm, abs=0.01)
