"""Published values, one by one, and the table of them in tests/README.md."""

from __future__ import annotations

import math

import periodictable
import pytest
import scipy.constants
from shapely.geometry import Polygon, box

from controller.physics.faraday import METALS
from controller.physics.relief import MeasuredGrowth, SteinerGrowth, removed_volume_mm3
from controller.units import FARADAY_COULOMBS_PER_MOL
from tests.paths import ROOT
from tests.proofs.published_values import (
    HALF_A_DIGIT,
    OURS,
    SAME_FORMULA,
    VALUES,
    PublishedValue,
    half_a_digit,
    render,
)

PUBLISHED = [entry for entry in VALUES if entry.is_published]
COMPUTED = [entry for entry in VALUES if not entry.is_published]


@pytest.mark.parametrize("entry", PUBLISHED, ids=lambda entry: entry.id)
def test_published_value(entry: PublishedValue) -> None:
    assert OURS[entry.id]() == pytest.approx(entry.value, abs=entry.allowed, rel=0.0), (
        f"{entry.source} ({entry.status}): {entry.because}"
    )


def test_computed_values() -> None:
    """Figures by the code's own formula: they hold arithmetic and constants only."""
    for entry in COMPUTED:
        expected = pytest.approx(entry.value, abs=entry.allowed, rel=0.0)
        assert OURS[entry.id]() == expected, entry.id


def test_every_figure_has_a_source() -> None:
    """And a reason for its tolerance. The two kinds are counted apart."""
    statuses = {
        "read in the source or a copy of it",
        "read in a secondary source only",
        "computed by a reference library",
        SAME_FORMULA,
        "from memory",
        "common practice, no source",
    }
    assert len({entry.id for entry in VALUES}) == len(VALUES)
    assert (len(PUBLISHED), len(COMPUTED)) == (78, 24)
    for entry in VALUES:
        assert entry.source
        assert entry.status in statuses
        assert (entry.because == HALF_A_DIGIT) == (entry.allowed == half_a_digit(entry.printed)), (
            entry.id
        )
        assert entry.allowed < 0.2 * entry.value
    assert [half_a_digit(printed) for printed in ("0.25", "600", "1.32e6")] == pytest.approx(
        [0.005, 0.5, 5e3]
    )


def test_faraday_constant() -> None:
    # Source: CODATA as carried by scipy.constants.
    assert scipy.constants.physical_constants["Faraday constant"][0] == pytest.approx(
        FARADAY_COULOMBS_PER_MOL, rel=5e-10
    )


@pytest.mark.parametrize("metal", METALS.values(), ids=lambda metal: metal.name)
def test_equivalent_weights(metal: object) -> None:
    # Source: ASTM G102, EW = 1 / sum(n f / W), with masses from periodictable.
    parts = metal.parts  # type: ignore[attr-defined]
    expected = 1.0 / sum(
        p.electrons * p.mass_fraction / periodictable.elements.symbol(p.element).mass for p in parts
    )
    found = metal.equivalent_weight_g_per_mol  # type: ignore[attr-defined]
    assert found == pytest.approx(expected, rel=1e-6)


SHAPES = {
    # shape, corners that turn outwards, corners that turn inwards
    "L": (Polygon([(0, 0), (10, 0), (10, 4), (4, 4), (4, 10), (0, 10)]), 5, 1),
    "ring": (box(0, 0, 10, 10).difference(box(3, 3, 7, 7)), 4, 4),
    "square": (box(0, 0, 10, 10), 4, 0),
}


@pytest.mark.parametrize("name", SHAPES)
@pytest.mark.parametrize("r_mm", [0.05, 0.25, 0.5])
def test_growth_of_nonconvex_shapes(name: str, r_mm: float) -> None:
    # Reference: shapely's buffer. A corner that turns outwards adds (pi/4) r^2, and one that turns
    # inwards subtracts r^2.
    shape, outwards, inwards = SHAPES[name]
    exact_mm2 = shape.area + shape.length * r_mm + (outwards * math.pi / 4.0 - inwards) * r_mm**2
    assert shape.buffer(r_mm, quad_segs=512).area == pytest.approx(exact_mm2, rel=1e-6)
    # The Steiner form with the Euler characteristic (openings less holes) is off by less than r^2 a
    # corner.
    holes = len(shape.interiors)
    steiner_mm2 = SteinerGrowth(shape.area, shape.length, 1 - holes).area_mm2(r_mm)
    assert abs(steiner_mm2 - exact_mm2) <= inwards * r_mm**2 + 1e-9
    assert steiner_mm2 == pytest.approx(exact_mm2, rel=5e-3)


def test_relief_of_l_shape() -> None:
    """The relief of a measured L shape against the closed form of its corners."""
    shape, outwards, inwards = SHAPES["L"]
    depth_mm = 0.25
    curve = MeasuredGrowth(
        tuple((s / 200.0, shape.buffer(s / 200.0, quad_segs=256).area) for s in range(101))
    )
    # A(s) = A + P s + k s^2 gives V = A d + (pi/4) P d^2 + (2/3) k d^3 at etch factor 1.
    k = outwards * math.pi / 4.0 - inwards
    expected = (
        shape.area * depth_mm
        + math.pi / 4.0 * shape.length * depth_mm**2
        + 2.0 / 3.0 * k * depth_mm**3
    )
    assert removed_volume_mm3(depth_mm, curve, 1.0) == pytest.approx(expected, rel=1e-5)


def test_table_is_rendered() -> None:
    """The table in tests/README.md is what published_values.py prints."""
    text = (ROOT / "tests" / "README.md").read_text(encoding="utf-8")
    begin, end = "<!-- published values -->\n", "\n<!-- /published values -->"
    assert text.count(begin) == text.count(end) == 1
    table = text[text.index(begin) + len(begin) : text.index(end)]
    assert table.strip() == render().strip(), "run: python -m tests.proofs.published_values"
