"""Fields of a plan request: filled from an artwork, overridden by the body, or refused."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from api.http.artworks.artwork_shelf import ArtworkShelf, UnknownArtworkError
from api.http.models.plan_request import PlanRequestBody
from api.http.plan_requests import request_of
from controller.artwork.options import MeasureOptions
from controller.artwork.planned import request_fields
from controller.errors import RefusedError
from controller.texts import Message
from hardware.clock import VirtualClock
from tests.kits.artwork.double import PNG, Measuring, measured

BODY = {"metal": "fine-silver", "depth_mm": 0.25, "current_a": 3.0}


@pytest.fixture
def shelf(tmp_path: Path) -> ArtworkShelf:
    return ArtworkShelf(tmp_path, VirtualClock(), measure=Measuring())


@pytest.fixture
def artwork(shelf: ArtworkShelf) -> str:
    file = shelf.new_file("image/png", 10)
    file.write_bytes(PNG)
    found, _ = shelf.put(
        file, "fern.png", "image/png", MeasureOptions(dpi=600.0, depth_mm=1.0, etch_factor=1.0)
    )
    return found.artwork


def request(shelf: ArtworkShelf, **body: Any) -> Any:
    return request_of(PlanRequestBody.model_validate({**BODY, **body}), shelf)


def test_artwork_fills_request(shelf: ArtworkShelf, artwork: str) -> None:
    made = request(shelf, artwork=artwork)
    known = request_fields(measured())
    assert {name: getattr(made, name) for name in known if name != "artwork"} == {
        name: value for name, value in known.items() if name != "artwork"
    }
    assert made.artwork == artwork, "the name on the shelf, which knows how the file was read"
    assert (made.area_mm2, made.narrowest_open_mm, len(made.narrow_lines)) == (314.0, 0.3, 2)


def test_given_values_override(shelf: ArtworkShelf, artwork: str) -> None:
    made = request(shelf, artwork=artwork, area_uncertainty_fraction=0.1, narrowest_open_mm=0.9)
    assert (made.area_uncertainty_fraction, made.narrowest_open_mm) == (0.1, 0.9)
    assert made.area_mm2 == 314.0


@pytest.mark.parametrize(
    ("name", "value"),
    [("area_uncertainty_fraction", 0.03), ("edge_mm", 0.0), ("narrow_lines", ())],
)
def test_explicit_defaults_override(
    shelf: ArtworkShelf, artwork: str, name: str, value: Any
) -> None:
    """A value that is given counts, also when it equals the default and the artwork differs."""
    assert PlanRequestBody.model_fields[name].default == value
    filled = getattr(request(shelf, artwork=artwork), name)
    given = getattr(request(shelf, artwork=artwork, **{name: value}), name)
    assert filled != value, "the artwork says otherwise"
    assert given == value


def test_null_counts_as_left_out(shelf: ArtworkShelf, artwork: str) -> None:
    """Null means not known, so the artwork fills it."""
    made = request(shelf, artwork=artwork, area_mm2=None, growth_mm2=None, narrowest_open_mm=None)
    assert (made.area_mm2, made.narrowest_open_mm) == (314.0, 0.3)
    assert made.growth_mm2 is not None


def test_different_area_is_refused(shelf: ArtworkShelf, artwork: str) -> None:
    with pytest.raises(RefusedError) as caught:
        request(shelf, artwork=artwork, area_mm2=300.0)
    assert (caught.value.field, caught.value.limit) == ("area_mm2", "314 mm2")
    assert caught.value.message == Message(
        "http.plan.area_differs", {"area_mm2": 300.0, "growth_area_mm2": 314.0}
    )
    assert request(shelf, artwork=artwork, area_mm2=314.0).area_mm2 == 314.0


def test_area_without_artwork(shelf: ArtworkShelf) -> None:
    """Without an artwork nothing is filled, and an area is needed."""
    assert request(shelf, area_mm2=767.0).growth_mm2 is None
    assert request(shelf, growth_mm2=[[0.0, 700.0], [1.0, 800.0]]).area_mm2 == 700.0
    with pytest.raises(RefusedError) as caught:
        request(shelf)
    assert caught.value.field == "area_mm2"
    assert caught.value.message.key == "http.plan.area_missing"


def test_unknown_artwork(shelf: ArtworkShelf, artwork: str) -> None:
    """An unknown artwork is refused unless the body has a growth curve."""
    with pytest.raises(UnknownArtworkError) as caught:
        request(shelf, artwork="3f" * 32, area_mm2=314.0)
    assert caught.value.field == "artwork"
    stored = request(shelf, artwork=artwork)
    stored_body = PlanRequestBody.model_validate(
        {**PlanRequestBody(**BODY).model_dump(), **_json(stored), "artwork": "3f" * 32}
    )
    again = request_of(stored_body, shelf)
    assert again.growth_mm2 == stored.growth_mm2
    assert again.narrow_lines == stored.narrow_lines


def test_stored_request_is_unchanged(shelf: ArtworkShelf, artwork: str) -> None:
    stored = request(
        shelf, artwork=artwork, piece="fern", gauge_stops_mm=[0.1], stop_policy="never-deeper"
    )
    assert request_of(PlanRequestBody.model_validate(_json(stored)), shelf) == stored


def _json(stored: Any) -> Any:
    import json

    from controller.planning.json_form import request_to_json

    return json.loads(json.dumps(request_to_json(stored)))
