"""The places of a plate: where they are, how wide, and how deep against the mean."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from PIL import Image
from scipy.ndimage import binary_opening, distance_transform_edt

from controller.artwork.distribution.currents import current_ratios
from controller.artwork.distribution.plate_map import PlateMap
from controller.artwork.distribution.remedies import remedies
from controller.artwork.distribution.widths import opened, rim_distance, width_at
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure
from controller.physics.bath_field import BathField
from controller.physics.places import EVENNESS_GRID, Place

BATH = BathField(gap_mm=20.0, margin_mm=10.0)
PX_MM = 25.4 / 600


def plate(folder: Path, *boxes: tuple[float, float, float, float], size_mm: float = 30.0) -> Path:
    """Save a sheet with black boxes: left, top, width, height in mm."""
    side = round(size_mm / PX_MM)
    sheet = np.full((side, side), 255, np.uint8)
    for box in boxes:
        left, top, width, height = (round(length / PX_MM) for length in box)
        sheet[top : top + height, left : left + width] = 0
    Image.fromarray(sheet).save(folder / "a.png", dpi=(600, 600))
    return folder / "a.png"


FIELD, LINE, BAR = (3.0, 4.0, 10.0, 12.0), (17.0, 4.0, 0.2, 20.0), (20.0, 4.0, 2.0, 8.0)
THIN_BAR = (25.0, 4.0, 0.6, 20.0)


@pytest.fixture(scope="module")
def measured(tmp_path_factory: pytest.TempPathFactory) -> ArtworkMeasure:
    path = plate(tmp_path_factory.mktemp("plate"), FIELD, LINE, BAR, THIN_BAR)
    return measure_file(path, MeasureOptions(bath=BATH))


@pytest.fixture
def places(measured: ArtworkMeasure) -> dict[str, Place]:
    return {place.name: place for place in measured.places}


def test_floor_has_its_middle(places: dict[str, Place]) -> None:
    """The widest floor is the field of 10 mm, and the gauge stands on its middle line."""
    middle = places["widest-floor-middle"]
    assert middle.x_mm == pytest.approx(8.0, abs=0.3)
    assert 7.0 < middle.y_mm < 13.0
    assert middle.width_mm == pytest.approx(10.0, abs=0.3)
    assert middle.ratio(1.0) < 0.8


def test_floor_has_its_edge(places: dict[str, Place]) -> None:
    """At the edge, a tip of 1 mm just clears the resist, and it is deeper there."""
    edge = places["widest-floor-edge"]
    off = min(edge.x_mm - 3.0, 13.0 - edge.x_mm, edge.y_mm - 4.0, 16.0 - edge.y_mm)
    assert 0.4 < off < 0.8
    assert edge.ratio(0.8) > 1.15 * places["widest-floor-middle"].ratio(0.8)


def test_classes_share_the_area(places: dict[str, Place]) -> None:
    """Each box is in the class of its width, and the classes together are the open area."""
    area = {
        name: width * height
        for name, (_, _, width, height) in {
            "lines-under-0.3-mm": LINE,
            "lines-0.3-to-1-mm": THIN_BAR,
            "lines-1-to-3-mm": BAR,
            "wider-than-3-mm": FIELD,
        }.items()
    }
    whole = sum(area.values())
    for name, mm2 in area.items():
        assert places[name].share_of_area == pytest.approx(mm2 / whole, rel=0.12, abs=0.004), name
    line = places["lines-under-0.3-mm"]
    assert (17.0 - 0.1) < line.x_mm < 17.3
    assert line.ratio(0.9) > places["wider-than-3-mm"].ratio(0.9)


def test_classes_make_the_mean(places: dict[str, Place]) -> None:
    """The classes' ratios, by their shares, have the mean 1 at any evenness."""
    kinds = [place for name, place in places.items() if "floor" not in name and "twen" not in name]
    for evenness in EVENNESS_GRID:
        mean = sum(place.share_of_area * place.ratio(evenness) for place in kinds)
        assert mean == pytest.approx(1.0, abs=0.01)


def test_deepest_twentieth_is_deepest(places: dict[str, Place]) -> None:
    """A twentieth of the area, deeper than every class, and uniform at evenness 0."""
    deepest = places["deepest-twentieth"]
    assert deepest.share_of_area == pytest.approx(0.05, abs=0.003)
    for place in places.values():
        assert deepest.ratio(0.5) >= place.ratio(0.5) - 1e-9
        assert place.ratios[0] == 1.0


def test_absent_classes_are_left_out(tmp_path: Path) -> None:
    """A plate with one wide field has no lines."""
    found = measure_file(plate(tmp_path, FIELD), MeasureOptions(bath=BATH))
    names = [place.name for place in found.places]
    assert not [name for name in names if name.startswith("lines")]
    assert "wider-than-3-mm" in names


def test_nobody_asked(tmp_path: Path) -> None:
    """Without a bath there are no places and no resistance."""
    found = measure_file(plate(tmp_path, FIELD), MeasureOptions())
    assert found.places == ()
    assert found.bath_resistance_ohm == ()


def test_open_sheet_has_slab_resistance(tmp_path: Path) -> None:
    """A sheet that is open all over has H / (sigma A), and copies share it."""
    side = 240 * PX_MM
    path = plate(tmp_path, (0.0, 0.0, side, side), size_mm=side)
    bath = BathField(gap_mm=20.0, margin_mm=0.0, conductivity_s_per_m=25.0)
    one = measure_file(path, MeasureOptions(bath=bath)).bath_resistance_ohm
    assert one == pytest.approx(
        [0.020 / (25.0 * (side * 1e-3) ** 2)] * len(EVENNESS_GRID), rel=2e-3
    )
    two = measure_file(path, MeasureOptions(bath=bath, copies=2)).bath_resistance_ohm
    assert two == pytest.approx([ohm / 2 for ohm in one])


def test_larger_outline_keeps_places(tmp_path: Path) -> None:
    """Places count from the artwork's corner, whatever the plate's outline."""
    path = plate(tmp_path, FIELD, LINE)
    alone = measure_file(path, MeasureOptions(bath=BATH)).places[0]
    options = MeasureOptions(bath=BATH, plate_width_mm=60.0, plate_height_mm=50.0)
    wider = measure_file(path, options).places[0]
    assert (wider.x_mm, wider.y_mm) == pytest.approx((alone.x_mm, alone.y_mm), abs=0.6)


def test_opening_agrees_with_scipy() -> None:
    """Openings by a disc, and distances to the rim, against scipy.ndimage."""
    random = np.random.default_rng(5)
    is_open = np.kron(random.random((20, 30)) < 0.6, np.ones((5, 4), np.bool_))
    for size in (2, 3, 4, 7, 12):
        row, column = np.indices((size, size)) - (size - 1) / 2
        inside = row**2 + column**2 <= (size / 2) ** 2
        at_least = binary_opening(np.pad(is_open, 20), inside)[20:-20, 20:-20]
        # The disc's rounded chords may be a pixel longer or shorter than those of the circle.
        assert np.mean(opened(is_open, size) != at_least) < 0.03, size
    exact = distance_transform_edt(np.pad(is_open, 1))[1:-1, 1:-1] - 0.5
    assert np.abs(rim_distance(is_open) - np.where(is_open, exact, 0.0)).max() < 1e-6


@pytest.mark.parametrize("width", [1, 2, 5, 6, 11])
def test_bars_have_their_width(width: int) -> None:
    """A bar is as wide as it is, to the pixel."""
    is_open = np.zeros((60, 60), np.bool_)
    is_open[10:50, 20 : 20 + width] = True
    assert width_at(is_open, 30, 20 + width // 2, 30) == width
    assert np.array_equal(opened(is_open, width), is_open) == (width < 5)
    assert not opened(is_open, width + 1).any()


def test_remedies_even_out() -> None:
    """What the trade recommends evens a field out: bare border, thief, less current. Common
    practice, no source; a thief takes the current of the rim, as in Wagner, J. Electrochem. Soc. 98
    (1951) 116.
    """
    share = np.zeros((80, 80))
    share[20:60, 20:60] = 1.0
    found = {
        remedy.name: remedy.depth_ratio
        for remedy in remedies(PlateMap(share, share * 0, 0.5, (0.0, 0.0)), BATH, 0.7)
    }
    before = found.pop("as-planned")
    assert found.pop("turned-at-half-depth") == before
    for name in ("bare-waste-border", "thief-strip", "half-the-current"):
        assert 1.0 <= found[name] < 0.97 * before, name
    ratios = current_ratios(share, 0.5, BATH, 0.7)
    order = np.sort(ratios[share > 0])[::-1]
    assert before == pytest.approx(
        order[: math.ceil(80)].mean() / ratios[39:41, 39:41].mean(), rel=0.02
    )
