"""Places on the plate, and the scale of evenness."""

from __future__ import annotations

import json
import math

import pytest

from controller.errors import RefusedError
from controller.physics.bath_field import SCALE_MM, evenness_of, wagner_length_mm
from controller.physics.places import EVENNESS_GRID, Place
from controller.planning.json_form import request_from_json, request_to_json
from controller.planning.request import PlanRequest

PLACE = Place("widest-floor-middle", 10.0, 5.0, 0.4, tuple(1.0 - 0.5 * e for e in EVENNESS_GRID))


def test_ratio_between_values() -> None:
    assert PLACE.ratio(0.0) == 1.0
    assert PLACE.ratio(1.0) == 0.5
    assert PLACE.ratio(0.275) == pytest.approx(1.0 - 0.5 * 0.275)


@pytest.mark.parametrize("evenness", [-0.01, 1.01, math.nan])
def test_evenness_outside_refused(evenness: float) -> None:
    with pytest.raises(RefusedError):
        PLACE.ratio(evenness)
    with pytest.raises(RefusedError):
        wagner_length_mm(evenness)


@pytest.mark.parametrize("ratios", [(1.0,), (1.0,) * 10 + (0.0,), (1.0,) * 10 + (math.nan,)])
def test_unusable_ratios_refused(ratios: tuple[float, ...]) -> None:
    with pytest.raises(RefusedError):
        Place("widest-floor-middle", 0.0, 0.0, 1.0, ratios)


def test_evenness_scale() -> None:
    """Without surface resistance the bath alone decides; with a very large one all is uniform."""
    assert wagner_length_mm(1.0) == 0.0
    assert wagner_length_mm(0.0) == math.inf
    assert wagner_length_mm(0.5) == SCALE_MM
    for evenness in EVENNESS_GRID:
        assert evenness_of(wagner_length_mm(evenness)) == pytest.approx(evenness)


def test_places_kept_in_request() -> None:
    request = PlanRequest(metal="silver", area_mm2=100.0, depth_mm=0.25, places=(PLACE,))
    stored = json.loads(json.dumps(request_to_json(request)))
    assert request_from_json(stored) == request
