"""Plates through the application: several artworks put together, planned, and what is refused.

The areas are those of the drawn shapes: pi r2 of a disc, width times height of a rectangle.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from tests.kits.api_client import Daemon, ask, assert_problem
from tests.kits.artwork.files import svg

REQUEST = {"metal": "fine-silver", "depth_mm": 0.25, "current_a": 3.0, "thickness_mm": 1.2}
SVG = {"content-type": "image/svg+xml"}
DISC_MM2 = math.pi * 25.0
BAR_MM2 = 20.0 * 6.0


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return tmp_path_factory.mktemp("plates")


@pytest.fixture(scope="module")
def daemon(folder: Path) -> Iterator[Daemon]:
    daemon = Daemon(folder)
    daemon.step()
    yield daemon
    daemon.close()


@pytest.fixture(scope="module")
def artworks(daemon: Daemon) -> dict[str, str]:
    """A disc of 5 mm radius and a bar of 20 x 6 mm, each on a page of 50 x 30 mm."""
    drawn = {
        "disc.svg": '<circle cx="25" cy="15" r="5"/>',
        "bar.svg": '<rect x="15" y="12" width="20" height="6"/>',
    }
    return {name: upload(daemon, name, drawing) for name, drawing in drawn.items()}


def upload(daemon: Daemon, name: str, drawing: str) -> str:
    answer = ask(
        daemon.app,
        "POST",
        "/api/artworks",
        content=svg(drawing),
        headers=SVG,
        params={"name": name},
    )
    artwork: str = answer.json()["artwork"]
    return artwork


def assemble(daemon: Daemon, **body: Any) -> httpx.Response:
    return ask(daemon.app, "POST", "/api/plates", json=body)


def assert_field(answer: httpx.Response, field: str) -> None:
    """Check that the answer refuses a field."""
    problem = assert_problem(answer, 422, "bad-value")
    assert [error["field"] for error in problem["errors"]] == [field]


def test_plate_becomes_artwork(daemon: Daemon, artworks: dict[str, str]) -> None:
    pieces = [
        {"artwork": artworks["disc.svg"], "x_mm": 5.0, "y_mm": 5.0},
        {"artwork": artworks["bar.svg"], "x_mm": 60.0, "y_mm": 5.0, "degrees": 90.0},
    ]
    answer = assemble(daemon, pieces=pieces, sheet_width_mm=100.0, sheet_height_mm=70.0, name="two")
    assert answer.status_code == 201, answer.text
    plate = answer.json()
    assert (plate["name"], plate["width_mm"], plate["height_mm"]) == ("two", 100.0, 70.0)
    assert plate["area_mm2"] == pytest.approx(DISC_MM2 + BAR_MM2, rel=1e-3)
    found = plate["measure"]["pieces"]
    assert [(it["name"], it["x_mm"], it["degrees"]) for it in found] == [
        ("disc.svg", 5.0, 0.0),
        ("bar.svg", 60.0, 90.0),
    ]
    assert found[1]["area_mm2"] == pytest.approx(BAR_MM2, rel=1e-3)
    assert answer.headers["location"] == f"/api/artworks/{plate['artwork']}"
    assert (
        assemble(daemon, pieces=pieces, sheet_width_mm=100.0, sheet_height_mm=70.0).status_code
        == 200
    ), "measured before"
    picture = ask(daemon.app, "GET", f"/api/artworks/{plate['artwork']}/preview.png")
    assert picture.headers["content-type"] == "image/png"


def test_plan_keeps_pieces(daemon: Daemon, artworks: dict[str, str]) -> None:
    """The plan of a plate lists its pieces, and its stored request gives the same plan again."""
    pieces = [{"artwork": artworks["disc.svg"]}, {"artwork": artworks["bar.svg"]}]
    plate = assemble(daemon, pieces=pieces).json()
    plan = ask(
        daemon.app, "POST", "/api/plan", json={**REQUEST, "artwork": plate["artwork"]}
    ).json()
    assert [piece["name"] for piece in plan["pieces"]] == ["disc.svg", "bar.svg"]
    shares = [piece["share_of_area"] for piece in plan["pieces"]]
    assert shares == pytest.approx(
        [DISC_MM2 / (DISC_MM2 + BAR_MM2), BAR_MM2 / (DISC_MM2 + BAR_MM2)], rel=1e-3
    )
    assert ask(daemon.app, "POST", "/api/plan", json=plan["request"]).json() == plan


def test_pieces_are_arranged(daemon: Daemon, artworks: dict[str, str]) -> None:
    """Four pages of 50 x 30 mm with 4 mm between them and 6 mm around them: two rows of two."""
    plate = assemble(
        daemon, pieces=[{"artwork": artworks["disc.svg"]}] * 4, spacing_mm=4.0, border_mm=6.0
    ).json()
    places = [(it["x_mm"], it["y_mm"]) for it in plate["measure"]["pieces"]]
    assert sorted(places) == [(6.0, 6.0), (6.0, 40.0), (60.0, 6.0), (60.0, 40.0)]
    assert (plate["width_mm"], plate["height_mm"]) == (116.0, 76.0)
    assert plate["area_mm2"] == pytest.approx(4 * DISC_MM2, rel=1e-3)


@pytest.mark.parametrize(
    ("more", "field"),
    [
        ({"sheet_width_mm": 60.0, "sheet_height_mm": 40.0}, "pieces"),
        ({"sheet_width_mm": 60.0}, "sheet_width_mm"),
        ({"spacing_mm": -1.0}, "spacing_mm"),
    ],
)
def test_refused_plates(
    daemon: Daemon, artworks: dict[str, str], more: dict[str, float], field: str
) -> None:
    pieces = [{"artwork": artworks["disc.svg"]}] * 2
    assert_field(assemble(daemon, pieces=pieces, **more), field)


def test_refused_places(daemon: Daemon, artworks: dict[str, str]) -> None:
    artwork = artworks["disc.svg"]
    first = {"artwork": artwork, "x_mm": 5.0, "y_mm": 5.0}
    near = {"artwork": artwork, "x_mm": 40.0, "y_mm": 10.0}
    answer = assemble(daemon, pieces=[first, near])
    assert_field(answer, "pieces")
    assert "overlap by 15.00 mm" in answer.text
    half = {"artwork": artwork, "x_mm": 5.0}
    assert_field(assemble(daemon, pieces=[half]), "pieces.0.x_mm")
    unknown = assemble(daemon, pieces=[{"artwork": "0" * 64}])
    assert_field(unknown, "artwork")


def test_nothing_left_behind(daemon: Daemon, folder: Path, artworks: dict[str, str]) -> None:
    place = {"artwork": artworks["bar.svg"], "x_mm": -9.0, "y_mm": 0.0}
    assert assemble(daemon, pieces=[place]).status_code == 422
    assert list((folder / "artworks").glob("incoming-*")) == []
