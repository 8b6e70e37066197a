"""The options for a file, and refusals with the field, the value and the limit."""

from __future__ import annotations

import json
import math
from typing import Any

import pytest

from controller.artwork.limits import MAX_UNDERCUT_MM
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.physics.bath_field import BathField


@pytest.mark.parametrize(
    ("given", "field", "key"),
    [
        ({"dpi": 49.0}, "dpi", "outside_unit"),
        ({"dpi": 9601.0}, "dpi", "outside_unit"),
        ({"dpi": math.nan}, "dpi", "no_number"),
        ({"dpi": True}, "dpi", "no_number"),
        ({"dpi": "600"}, "dpi", "no_number"),
        ({"width_mm": 0.0}, "width_mm", "outside_unit"),
        ({"width_mm": 1001.0}, "width_mm", "outside_unit"),
        ({"dpi": 600.0, "width_mm": 50.0}, "dpi", "dpi_and_width"),
        ({"plate_width_mm": 50.0}, "plate_width_mm", "half_outline"),
        ({"plate_height_mm": 50.0}, "plate_width_mm", "half_outline"),
        (
            {"plate_width_mm": 50.0, "plate_height_mm": 50.0, "margin_mm": 1.0},
            "margin_mm",
            "outline_and_margin",
        ),
        ({"margin_mm": -1.0}, "margin_mm", "outside_unit"),
        ({"page": 0}, "page", "no_whole_number"),
        ({"page": 1.5}, "page", "no_whole_number"),
        ({"copies": 0}, "copies", "no_whole_number"),
        ({"copies": 10_001}, "copies", "no_whole_number"),
        ({"copies": True}, "copies", "no_whole_number"),
        ({"invert": 1}, "invert", "invert"),
        ({"depth_mm": 0.25}, "depth_mm", "half_undercut"),
        ({"etch_factor": 1.0}, "depth_mm", "half_undercut"),
        ({"depth_mm": 5.0, "etch_factor": 1.0}, "depth_mm", "undercut"),
        ({"depth_mm": math.inf, "etch_factor": 1.0}, "depth_mm", "no_number"),
        ({"depth_mm": 1.0, "etch_factor": 21.0}, "etch_factor", "outside"),
        ({"max_undercut_mm": MAX_UNDERCUT_MM + 0.1}, "max_undercut_mm", "outside_unit"),
    ],
)
def test_unusable_options_are_refused(given: dict[str, Any], field: str, key: str) -> None:
    """Each refusal names the option and the reason."""
    with pytest.raises(RefusedError) as refused:
        MeasureOptions(**given)
    assert refused.value.field == field
    assert refused.value.message.key == f"artwork.option.{key}"


@pytest.mark.parametrize(
    ("given", "limit"),
    [
        ({"dpi": 49.0}, "50-9600 dpi"),
        ({"etch_factor": 21.0, "depth_mm": 1.0}, "0.1-20"),
        ({"copies": 0}, "1-10000"),
        ({"depth_mm": 5.0, "etch_factor": 1.0}, "3 mm undercut"),
    ],
)
def test_limits_carry_their_unit(given: dict[str, Any], limit: str) -> None:
    """The limit is a separate field in the API's answer."""
    with pytest.raises(RefusedError) as refused:
        MeasureOptions(**given)
    assert refused.value.limit == limit


def test_undercut_sets_the_reach() -> None:
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
    with pytest.raises(RefusedError) as refused:
        MeasureOptions.from_dict({"colour": "red"})
    assert refused.value.field == "colour"
    assert refused.value.message.values["option"] == "colour"


def test_bath_goes_through_json() -> None:
    """A bath comes back from JSON as it was, and a damaged one is refused."""
    options = MeasureOptions(bath=BathField(50.0, 30.0, 20.0, (60.0, 40.0)), even_out_at=0.5)
    stored = json.loads(json.dumps(options.to_dict()))
    assert MeasureOptions.from_dict(stored) == options
    for bath in (7, {}, {**stored["bath"], "gap_mm": "wide"}, {**stored["bath"], "gap_mm": -1.0}):
        with pytest.raises(RefusedError):
            MeasureOptions.from_dict({**stored, "bath": bath})
    with pytest.raises(RefusedError):
        MeasureOptions(even_out_at=0.5)
