"""``plan`` and ``rehearse`` with several artworks on one plate."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from shapely.geometry import box

from tests.kits.artwork.shapes import disc, save
from tests.kits.cli_kit import Command

DISC, BAR = disc(3.0), box(2.0, 3.0, 8.0, 6.0)
RUN = (
    *("--metal", "fine-silver"),
    *("--depth-mm", "0.25"),
    *("--current-a", "0.3"),
    *("--thickness-mm", "1.2"),
)


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("plates")
    save(folder / "disc.png", DISC, 600)
    save(folder / "bar@2x.png", BAR, 600)
    return folder


def test_explicit_places(folder: Path) -> None:
    """A name with @ in it is a name: only numbers behind the last @ are a place."""
    saved = folder / "both.zip"
    files = ("--artwork", f"{folder}/disc.png@5,6", "--artwork", f"{folder}/bar@2x.png@20,6.5,17")
    made = Command("plan").json_of(*RUN, *files, "--sheet-mm", "40x30", "--save-plate", saved)
    assert [(it["name"], it["x_mm"], it["y_mm"], it["degrees"]) for it in made["pieces"]] == [
        ("disc.png", 5.0, 6.0, 0.0),
        ("bar@2x.png", 20.0, 6.5, 17.0),
    ]
    shares = [it["share_of_area"] for it in made["pieces"]]
    assert shares[0] == pytest.approx(DISC.area / (DISC.area + BAR.area), rel=1e-3)
    assert made["total_area_mm2"] == pytest.approx(DISC.area + BAR.area, rel=1e-3)
    measured = Command("measure").json_of(saved)
    assert measured["area_mm2"] == pytest.approx(made["total_area_mm2"], rel=1e-9)
    assert (measured["width_mm"], measured["height_mm"]) == (40.0, 30.0)
    again = Command("plan").json_of(*RUN, "--artwork", saved)
    assert again["charge_coulombs"] == pytest.approx(made["charge_coulombs"], rel=1e-9)
    assert again["pieces"] == made["pieces"]


def test_arranged_places_are_said(folder: Path) -> None:
    """Pages of 9.99 mm side by side: 3 x 9.99 mm, 2 x 2 mm between, 2 x 4 mm around."""
    files = ("--artwork", folder / "disc.png") * 2 + ("--artwork", folder / "bar@2x.png")
    layout = ("--spacing-mm", "2", "--border-mm", "4", "--sheet-mm", "42x20")
    shown = Command("plan").call(*RUN, *files, *layout).output
    assert "sheet        42 x 20 mm, pieces: 3" in shown
    for place in ("disc.png at 4, 4 mm", "disc.png at 15.99, 4 mm", "bar@2x.png at 27.98, 4 mm"):
        assert place in shown


def test_front_etches_plate(folder: Path) -> None:
    """The rehearsal's front etches the pixels of the plate, and the plan's interval covers it."""
    files = ("--artwork", f"{folder}/disc.png@5,5", "--artwork", f"{folder}/bar@2x.png@20,5,30")
    done = Command("rehearse").json_of(*RUN, *files)
    assert done["outcome"] == "finished"
    assert done["depth_low_mm"] < done["true_depth_mm"] < done["depth_high_mm"]


def test_one_file_as_before(folder: Path) -> None:
    made = Command("plan").json_of(*RUN, "--artwork", folder / "bar@2x.png")
    assert made["pieces"] == []
    assert made["request"]["pieces_on_plate"] == []
    shown = Command("plan").call(*RUN, "--artwork", folder / "bar@2x.png").output
    assert "artwork      bar@2x.png" in shown


def test_file_named_like_place(tmp_path: Path) -> None:
    """A file whose whole name looks like a place is that file, unless the shorter name exists."""
    path = save(tmp_path / "ring@5,5", DISC, 600)
    made = Command("plan").json_of(*RUN, "--artwork", path)
    assert made["pieces"] == []
    save(tmp_path / "ring", BAR, 600)
    made = Command("plan").json_of(*RUN, "--artwork", path)
    assert [(it["name"], it["x_mm"]) for it in made["pieces"]] == [("ring", 5.0)]


@pytest.mark.parametrize(
    ("places", "more", "words"),
    [
        (("@5,5", "@10,5"), (), "overlap by 4.99 mm. The limit is 0 mm"),
        (("@5,5", "@35,5"), ("--sheet-mm", "40x30"), "4.99 mm beyond the sheet of 40 x 30 mm"),
        (("@5,5", ""), (), "bar@2x.png has none"),
        (("", ""), ("--sheet-mm", "30x15"), "Give a larger sheet"),
        (("", ""), ("--pieces", "2"), "repeat --artwork for each copy"),
    ],
)
def test_refused_plates(
    folder: Path, places: tuple[str, str], more: tuple[str, ...], words: str
) -> None:
    names = ("disc.png", "bar@2x.png")
    files = [
        part
        for name, place in zip(names, places, strict=True)
        for part in ("--artwork", f"{folder}/{name}{place}")
    ]
    assert words in str(Command("plan").refused(*RUN, *files, *more))


def test_sizes_are_read(folder: Path) -> None:
    files = ("--artwork", folder / "disc.png")
    assert "no size" in Command("plan").usage_error(*RUN, *files, "--sheet-mm", "wide")
    assert "does not exist" in Command("plan").usage_error(
        *RUN, "--artwork", f"{folder}/none.png@5,5"
    )
    made = json.loads(Command("plan").call(*RUN, *files, "--sheet-mm", "30X20", "--json").stdout)
    assert len(made["pieces"]) == 1
