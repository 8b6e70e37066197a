"""Where a reading was taken: by a point of the plate or a name of the plan's list."""

from __future__ import annotations

import math
from dataclasses import asdict
from types import SimpleNamespace
from typing import Any

import pytest

from api.http.models.reading_request import AtBody, GaugeBody
from api.http.reading_requests import place_of
from controller.errors import RefusedError
from controller.logbook.entries import ReadingKind
from controller.logbook.stored_readings import body_of, reading_of
from controller.physics.places import EVENNESS_GRID, Place

FLOOR = Place("widest-floor-middle", 18.0, 20.0, 0.1, (1.0,) * len(EVENNESS_GRID))
LINE = Place("tapped", 4.0, 5.0, 0.0, tuple(1.0 + 0.5 * e for e in EVENNESS_GRID))


def context(**request: Any) -> Any:
    """Return a context with one run, whose artwork has a line everywhere."""
    run = SimpleNamespace(plan={"request": request})
    field = SimpleNamespace(
        place_at=lambda x_mm, y_mm: Place("tapped", x_mm, y_mm, 0.0, LINE.ratios)
    )
    return SimpleNamespace(
        book=SimpleNamespace(run=lambda _: run),
        artworks=SimpleNamespace(reliefs=SimpleNamespace(field=lambda _: field)),
    )


def test_point_gets_its_ratios() -> None:
    found = place_of(context(artwork="a"), "r1", AtBody(x_mm=4.0, y_mm=5.0))
    assert found == LINE


def test_name_is_looked_up() -> None:
    """The place's ratios are those of the plan, as JSON has them."""
    stored = {**asdict(FLOOR), "ratios": list(FLOOR.ratios)}
    found = place_of(context(places=[stored]), "r1", AtBody(name=FLOOR.name))
    assert found == FLOOR


@pytest.mark.parametrize(
    ("request_values", "at"),
    [
        ({"artwork": "a"}, AtBody(x_mm=4.0)),
        ({}, AtBody(x_mm=4.0, y_mm=5.0)),
        ({"places": []}, AtBody(name="widest-floor-middle")),
    ],
)
def test_unknown_place_refused(request_values: dict[str, Any], at: AtBody) -> None:
    with pytest.raises(RefusedError):
        place_of(context(**request_values), "r1", at)


def test_reading_keeps_its_place() -> None:
    """A stored reading has place, person and gauge, and the same depth when it is read again."""
    sent = {"kind": "gauge", "spots_mm": [0.3], "person": "M", "gauge": "dial gauge"}
    body = GaugeBody.model_validate(sent)
    reading = body.draft(LINE).complete(1000.0, 0.045)
    again = reading_of(ReadingKind.GAUGE, body_of(reading))
    assert again == reading
    assert again.at == LINE
    assert (again.person, again.gauge) == ("M", "dial gauge")


def test_place_divides_the_depth() -> None:
    """A line at 1.5 times the mean depth is read as the mean depth. By hand: 0.3 / 1.5 = 0.2."""
    reading = GaugeBody(kind="gauge", spots_mm=(0.3,)).draft(LINE).complete(1000.0, 0.045)
    assert math.isclose(reading.mean_depth(1.0)[0], 0.2, rel_tol=1e-12)
    assert math.isclose(reading.mean_depth(0.0)[0], 0.3, rel_tol=1e-12)


def test_old_reading_kept_unchanged() -> None:
    """Without a place a reading has the fields that it always had."""
    body = body_of(GaugeBody(kind="gauge", spots_mm=(0.3,)).draft().complete(1000.0, 0.045))
    assert not {"at", "ratios", "person", "gauge"} & set(body)
    assert reading_of(ReadingKind.GAUGE, body).at is None
