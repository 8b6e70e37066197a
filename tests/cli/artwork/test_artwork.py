"""``plan`` and ``rehearse`` with ``--artwork``.

The plan uses the measured artwork; the rehearsal etches a level set over its pixels, which uses
neither the growth curve nor the plan's formula.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageDraw

from controller.artwork import client
from hardware.rehearsal import plate
from tests.kits.artwork.files import svg
from tests.kits.artwork.shapes import rows_of_bars, save, star
from tests.kits.cli_kit import Command

STAR = star(5, 4.0, 2.0, 5.0, 5.0, 0.3)
LINES = rows_of_bars(0.2, 0.5, 9, 5.0, 5.0, 0.2)
EVEN = ("--true-evenness", "0")
"""The plate etches alike everywhere, for what is exact without a current distribution."""

RUN = (
    "--target-place",
    "mean",
    "--metal",
    "fine-silver",
    "--depth-mm",
    "0.25",
    "--current-a",
    "2",
    "--thickness-mm",
    "1.2",
    "--pieces",
    "8",
)


def json_of(command: str, *arguments: object, status: int = 0) -> dict[str, Any]:
    return Command(command).json_of(*arguments, status=status)


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    folder = tmp_path_factory.mktemp("artwork")
    drawn = {
        name: save(folder / f"{name}.png", shape, 600)
        for name, shape in {"star": STAR, "lines": LINES}.items()
    }
    picture = Image.new("L", (240, 180), 255)
    draw = ImageDraw.Draw(picture)
    draw.rounded_rectangle((20, 20, 220, 160), 30, fill=0)
    draw.ellipse((70, 50, 150, 130), fill=255)
    drawn["signet"] = folder / "signet.tif"
    picture.save(drawn["signet"], dpi=(600, 600))
    return drawn


@pytest.fixture(scope="module", autouse=True)
def _worked_out_once() -> Iterator[None]:
    """Measure each file and work out each front once for the whole module.

    Most tests need both with the same arguments, and each takes a process. The first call is one
    of the shipped function.
    """
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(client, "measure", remembering(client.measure))
        patched.setattr(plate, "solve_in_process", remembering(plate.solve_in_process))
        yield


def remembering(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function that calls the given one once for each set of arguments."""
    answers: dict[str, Any] = {}

    def ask(*arguments: Any, **named: Any) -> Any:
        key = f"{arguments} {named}"
        if key not in answers:
            answers[key] = function(*arguments, **named)
        return answers[key]

    return ask


def test_plan_from_artwork(files: dict[str, Path]) -> None:
    made = json_of("plan", *RUN, "--artwork", files["star"])
    assert made["total_area_mm2"] == pytest.approx(8.0 * STAR.area, rel=2e-3)
    typed = json_of("plan", *RUN, "--area-cm2", STAR.area / 100.0, "--edge-mm", STAR.length)
    assert made["charge_coulombs"] == pytest.approx(typed["charge_coulombs"], rel=0.01)
    bare = json_of("plan", *RUN, "--area-cm2", STAR.area / 100.0)
    assert made["charge_coulombs"] > 1.05 * bare["charge_coulombs"], "the undercut costs charge"
    assert "edge_mm" in [warning["field"] for warning in bare["warnings"]]
    lines = json_of("plan", *RUN, "--artwork", files["lines"])
    assert any("0.30 mm wide" in warning["text"] for warning in lines["warnings"])
    assert "star.png" in Command("plan").call(*RUN, "--artwork", files["star"]).output


@pytest.mark.parametrize(
    ("name", "etch_factor", "bite_factor"),
    [
        ("star", "1.2", "1.0"),
        ("lines", "1.2", "1.0"),
        ("signet", "1.2", "1.0"),
        ("star", "1.2", "1.05"),
        ("lines", "0.8", "0.95"),
        ("signet", "1.8", "1.0"),
    ],
)
def test_interval_covers_front(
    files: dict[str, Path], name: str, etch_factor: str, bite_factor: str
) -> None:
    """The truths are inside the 95 % priors: etch factor 0.6 to 2.4, bite factor 0.8 to 1.25.

    The priors are common practice, no source.
    """
    done = json_of(
        "rehearse",
        *EVEN,
        *RUN,
        "--artwork",
        files[name],
        "--true-etch-factor",
        etch_factor,
        "--bite-factor",
        bite_factor,
    )
    assert done["outcome"] == "finished"
    assert done["depth_mm"] == pytest.approx(0.25, rel=2e-3)
    assert done["depth_low_mm"] < done["true_depth_mm"] < done["depth_high_mm"]
    if (etch_factor, bite_factor) == ("1.2", "1.0"):
        # The plan assumes the true factors: only formula, reading and counting differ.
        assert done["true_depth_mm"] == pytest.approx(0.25, rel=0.01)
    else:
        assert abs(done["true_depth_mm"] / 0.25 - 1.0) > 0.01, "the truth really differs"


def test_crowding_deepens_edges(files: dict[str, Path]) -> None:
    edges = ("--true-etch-factor", "1.2", "--crowding", "0.3")
    plain = json_of(
        "rehearse", *EVEN, *RUN, "--artwork", files["star"], "--true-etch-factor", "1.2"
    )
    crowded = json_of(
        "rehearse",
        *EVEN,
        *RUN,
        "--artwork",
        files["star"],
        "--true-etch-factor",
        "1.2",
        "--crowding",
        "0.3",
    )
    assert plain["true_deepest_mm"] == pytest.approx(plain["true_depth_mm"], rel=2e-3)
    assert crowded["true_deepest_mm"] > 1.15 * crowded["true_depth_mm"]
    assert crowded["true_depth_mm"] < plain["true_depth_mm"], "edges take charge from the floor"
    assert crowded["depth_low_mm"] < crowded["true_depth_mm"] < crowded["depth_high_mm"]
    text = Command("rehearse").call(*EVEN, *RUN, "--artwork", files["star"], *edges).output
    assert f"deepest {crowded['true_deepest_mm']:.2f} mm true" in text


def test_places_have_true_depths(files: dict[str, Path]) -> None:
    """Without --true-evenness a plausible one; with it, that one. Attack deepens every place."""
    run = ("rehearse", *RUN[2:], "--artwork", files["signet"], "--true-etch-factor", "1.2")
    plain, even, attacked = (
        json_of(*run, *more)
        for more in ((), EVEN, ("--true-attack-um-per-min", "2", "--true-evenness", "0.3"))
    )
    places = {place["name"]: place for place in plain["places"]}
    middle = places["widest-floor-middle"]["true_depth_mm"]
    assert plain["true_depth_mm"] == middle
    assert places["deepest-twentieth"]["true_depth_mm"] > 1.03 * middle
    assert plain["true_mean_depth_mm"] > 1.005 * middle
    alike = [place["true_depth_mm"] for place in even["places"]]
    assert alike == pytest.approx([even["true_mean_depth_mm"]] * len(alike), rel=2e-3)
    minutes = plain["elapsed_s"] / 60.0
    for place in attacked["places"]:
        more_mm = place["true_depth_mm"] - places[place["name"]]["true_depth_mm"]
        # A little less: the wider openings get less of the current.
        assert 0.8 * 2e-3 * minutes < more_mm < 1.01 * 2e-3 * minutes


def test_gauge_stops_in_order(files: dict[str, Path]) -> None:
    stops = ("--gauge-stop-mm", "0.2", "--gauge-stop-mm", "0.1")
    done = json_of("rehearse", *EVEN, *RUN, "--artwork", files["star"], *stops)
    assert [stop["stop_mm"] for stop in done["gauge_stops"]] == [0.1, 0.2]
    for stop in done["gauge_stops"]:
        assert stop["depth_mm"] == pytest.approx(stop["stop_mm"], rel=5e-3)
        assert stop["true_depth_mm"] == pytest.approx(stop["stop_mm"], rel=0.02)
    assert done["outcome"] == "finished"
    held = json_of(
        "rehearse", *EVEN, *RUN, "--artwork", files["star"], *stops, "--stop-at-gauge", status=3
    )
    assert (held["outcome"], len(held["gauge_stops"])) == ("paused", 1)
    assert held["true_depth_mm"] == pytest.approx(0.1, rel=0.02)


def test_pieces_sides_bare_metal(files: dict[str, Path]) -> None:
    """Four copies on two sides etch like eight on one; bare metal adds its own charge."""
    thick = ("--thickness-mm", "2.5")
    two = json_of(
        "rehearse",
        *EVEN,
        *RUN[:-2],
        "--artwork",
        files["star"],
        "--pieces",
        "4",
        "--sides",
        "2",
        "--other-bare-cm2",
        "1",
        *thick,
    )
    eight = json_of("rehearse", *EVEN, *RUN, "--artwork", files["star"], *thick)
    assert two["true_depth_mm"] == pytest.approx(eight["true_depth_mm"], rel=3e-3)
    bare_coulombs = 100.0 * 0.25 * 10.49e-3 / 1.118e-3
    assert two["charge_coulombs"] - eight["charge_coulombs"] == pytest.approx(
        bare_coulombs, rel=0.02
    )


def test_reading_options(tmp_path: Path) -> None:
    """A white disc on black, inverted and at twice its size: pi r^2 of a disc of 5 mm radius."""
    path = tmp_path / "disc.svg"
    path.write_bytes(
        svg('<rect width="50" height="30"/><circle cx="25" cy="15" r="2.5" fill="white"/>')
    )
    options = ("--artwork", path, "--artwork-invert", "--artwork-width-mm", "100")
    run = ("--metal", "copper", "--depth-mm", "0.2", "--current-a", "1", "--thickness-mm", "1.5")
    run = (*run, "--target-place", "mean")
    made = json_of("plan", *run, *options)
    assert made["total_area_mm2"] == pytest.approx(math.pi * 25.0, rel=2e-3)
    done = json_of("rehearse", *run, *options, *EVEN)
    assert done["true_depth_mm"] == pytest.approx(0.2, rel=0.01)


@pytest.mark.parametrize("command", ["plan", "rehearse"])
@pytest.mark.parametrize(
    ("more", "field"),
    [
        (("--area-cm2", "1"), "area_mm2"),
        (("--edge-mm", "1"), "edge_mm"),
        (("--artwork-page", "0"), "page"),
        (("--artwork-dpi", "600", "--artwork-width-mm", "9"), "dpi"),
    ],
)
def test_contradictory_options(
    files: dict[str, Path], command: str, more: tuple[str, ...], field: str
) -> None:
    run = (*RUN, "--artwork", files["star"])
    assert Command(command).refused_field(*run, *more) == field


@pytest.mark.parametrize(
    ("command", "more", "field"),
    [
        ("rehearse", ("--area-cm2", "1", "--crowding", "0.2"), "crowding"),
        ("rehearse", ("--area-cm2", "1", "--true-evenness", "0.2"), "evenness"),
        ("plan", ("--area-cm2", "1", "--artwork-dpi", "600"), "artwork"),
        ("plan", (), "area_cm2"),
    ],
)
def test_missing_artwork(command: str, more: tuple[str, ...], field: str) -> None:
    assert Command(command).refused_field(*RUN, *more) == field


def test_artwork_file_missing(tmp_path: Path) -> None:
    shown = Command("plan").usage_error(*RUN, "--artwork", tmp_path / "none.png")
    assert "does not exist" in shown


def test_impossible_front(files: dict[str, Path]) -> None:
    run = (*RUN, "--artwork", files["star"])
    rehearse = Command("rehearse")
    assert rehearse.refused_field(*run, "--crowding", "1.5") == "crowding"
    assert rehearse.refused_field(*run, "--true-etch-factor", "0.1") == "depth_mm"
    assert rehearse.refused_field(*run, "--true-evenness", "1.5") == "evenness"
    assert rehearse.refused_field(*run, "--true-attack-um-per-min", "-1") == "attack_um_per_min"


def test_other_plan_options(files: dict[str, Path]) -> None:
    options = (
        *("--thickness-mm", "1.2", "--sheet-cm2", "4", "--film-mm", "0.1"),
        *("--bath-volume-l", "0.003", "--supply-mode", "constant-voltage"),
        *("--stop-policy", "never-deeper", "--expected-voltage-v", "2.5"),
    )
    run = (*RUN[:6], "--density-a-per-dm2", "10", "--artwork", files["lines"])
    made = json_of("plan", *run, *options)
    best = json_of("plan", *run)
    assert made["charge_coulombs"] < 0.9 * best["charge_coulombs"], (
        "stops when the upper bound reaches the target"
    )
    assert made["current_a"] == pytest.approx(0.1 * LINES.area / 100.0, rel=2e-3)
    fields = [warning["field"] for warning in made["warnings"]]
    assert "artwork" in fields, "the narrowest opening is hardly wider than the resist is thick"
    assert "bath_volume_l" in fields, "so little bath warms up"
