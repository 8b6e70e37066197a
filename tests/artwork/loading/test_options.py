"""What a person may say about a file, and what is refused with the field, the value and the limit."""

from __future__ import annotations

import math
from typing import Any

import pytest

from controller.artwork.limits import MAX_UNDERCUT_MM
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError


@pytest.mark.parametrize(
    ("given", "field"),
    [
        ({"dpi": 49.0}, "dpi"),
        ({"dpi": 9601.0}, "dpi"),
        ({"dpi": math.nan}, "dpi"),
        ({"dpi": True}, "dpi"),
        ({"dpi": "600"}, "dpi"),
        ({"width_mm": 0.0}, "width_mm"),
        ({"width_mm": 1001.0}, "width_mm"),
        ({"dpi": 600.0, "width_mm": 50.0}, "dpi"),
        ({"plate_width_mm": 50.0}, "plate_width_mm"),
        ({"plate_height_mm": 50.0}, "plate_width_mm"),
        ({"plate_width_mm": 50.0, "plate_height_mm": 50.0, "margin_mm": 1.0}, "margin_mm"),
        ({"margin_mm": -1.0}, "margin_mm"),
        ({"page": 0}, "page"),
        ({"page": 1.5}, "page"),
        ({"copies": 0}, "copies"),
        ({"copies": 10_001}, "copies"),
        ({"copies": True}, "copies"),
        ({"invert": 1}, "invert"),
        ({"depth_mm": 0.25}, "depth_mm"),
        ({"etch_factor": 1.0}, "depth_mm"),
        ({"depth_mm": 5.0, "etch_factor": 1.0}, "depth_mm"),
        ({"depth_mm": math.inf, "etch_factor": 1.0}, "depth_mm"),
        ({"max_undercut_mm": MAX_UNDERCUT_MM + 0.1}, "max_undercut_mm"),
    ],
)
def test_unusable_options_are_refused_by_name(given: dict[str, Any], field: str) -> None:
    with pytest.raises(RefusedError) as refused:
        MeasureOptions(**given)
    assert refused.value.field == field
    assert (
        field in str(refused.value)
        or "given" in str(refused.value)
        or "undercut" in str(refused.value)
    )


def test_undercut_is_depth_over_etch_factor_and_sets_the_reach() -> None:
    """Source: etch factor = depth / undercut per side, the trade's definition."""
    options = MeasureOptions(depth_mm=0.25, etch_factor=1.25)
    assert options.undercut_mm == pytest.approx(0.2)
    assert options.reach_mm == 1.0
    assert MeasureOptions(depth_mm=2.4, etch_factor=1.2).reach_mm == pytest.approx(2.0)
    assert MeasureOptions(max_undercut_mm=1.7).reach_mm == 1.7
    assert MeasureOptions().undercut_mm is None


def test_options_travel_as_json_types() -> None:
    options = MeasureOptions(width_mm=50.0, copies=3, invert=True)
    assert MeasureOptions.from_dict(options.to_dict()) == options
    with pytest.raises(RefusedError, match="colour") as refused:
        MeasureOptions.from_dict({"colour": "red"})
    assert refused.value.field == "colour"
