"""``plan`` and ``rehearse`` with ``--artwork``: planned from the measured artwork, rehearsed on a front over its pixels.

The plate of the rehearsal is the level set's, which knows neither the growth curve nor the plan's formula.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest
from PIL import Image, ImageDraw

from api.cli.command_line import options as cli_options
from hardware.rehearsal import plate
from tests.kits.artwork_files import svg
from tests.kits.artwork_shapes import rows_of_bars, save, star
from tests.kits.cli_kit import Command

STAR = star(5, 4.0, 2.0, 5.0, 5.0, 0.3)
LINES = rows_of_bars(0.2, 0.5, 9, 5.0, 5.0, 0.2)
RUN = (
    "--metal",
    "fine-silver",
    "--depth-mm",
    "0.25",
    "--current-a",
    "1",
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
    """Measure each file, and follow each front, once for the whole module.

    Both are asked for again with the very same arguments by most tests, in a process that starts,
    works and ends; the first time they are the shipped functions.
    """
    with pytest.MonkeyPatch.context() as patched:
        patched.setattr(cli_options, "measure", remembering(cli_options.measure))
        patched.setattr(plate, "solve_in_process", remembering(plate.solve_in_process))
        yield


def remembering(function: Callable[..., Any]) -> Callable[..., Any]:
    """Return a function that calls another one once for the same arguments."""
    answers: dict[str, Any] = {}

    def ask(*arguments: Any, **named: Any) -> Any:
        key = f"{arguments} {named}"
        if key not in answers:
            answers[key] = function(*arguments, **named)
        return answers[key]

    return ask


def test_a_plan_takes_area_edge_and_lines_from_the_artwork(files: dict[str, Path]) -> None:
    made = json_of("plan", *RUN, "--artwork", files["star"])
    assert made["total_area_mm2"] == pytest.approx(8.0 * STAR.area, rel=2e-3)
    typed = json_of("plan", *RUN, "--area-cm2", STAR.area / 100.0, "--edge-mm", STAR.length)
    assert made["charge_coulombs"] == pytest.approx(typed["charge_coulombs"], rel=0.01)
    bare = json_of("plan", *RUN, "--area-cm2", STAR.area / 100.0)
    assert made["charge_coulombs"] > 1.05 * bare["charge_coulombs"], "the undercut costs charge"
    assert any("edge length is not known" in warning["text"] for warning in bare["warnings"])
    lines = json_of("plan", *RUN, "--artwork", files["lines"])
    assert any("wash out: 0.30 mm wide" in warning["text"] for warning in lines["warnings"])
    assert "star.png" in Command("plan").call(*RUN, "--artwork", files["star"]).output


@pytest.mark.parametrize("name", ["star", "lines", "signet"])
@pytest.mark.parametrize(
    ("etch_factor", "bite_factor"), [("1.2", "1.0"), ("0.8", "0.95"), ("1.8", "1.05")]
)
def test_the_interval_covers_the_truth_of_the_front(
    files: dict[str, Path], name: str, etch_factor: str, bite_factor: str
) -> None:
    """Truths within the priors of common practice: etch factor 0.6 to 2.4 and bite factor 0.8 to 1.25 hold 95 %."""
    done = json_of(
        "rehearse",
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
    if etch_factor == "1.2":
        # The plan's own belief is the truth here: what is left is formula against front, reading, counting.
        assert done["true_depth_mm"] == pytest.approx(0.25, rel=0.01)
    else:
        assert abs(done["true_depth_mm"] / 0.25 - 1.0) > 0.01, "the truth really differs"


def test_crowding_shows_in_the_deepest_place(files: dict[str, Path]) -> None:
    plain = json_of("rehearse", *RUN, "--artwork", files["star"], "--true-etch-factor", "1.2")
    crowded = json_of(
        "rehearse",
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
    text = (
        Command("rehearse")
        .call(*RUN, "--artwork", files["star"], "--true-etch-factor", "1.2", "--crowding", "0.3")
        .output
    )
    assert f"deepest {crowded['true_deepest_mm']:.4f} mm true" in text


def test_gauge_stops_are_reached_in_order_and_told_with_the_truth(files: dict[str, Path]) -> None:
    stops = ("--gauge-stop-mm", "0.2", "--gauge-stop-mm", "0.1")
    done = json_of("rehearse", *RUN, "--artwork", files["star"], *stops)
    assert [stop["stop_mm"] for stop in done["gauge_stops"]] == [0.1, 0.2]
    for stop in done["gauge_stops"]:
        assert stop["depth_mm"] == pytest.approx(stop["stop_mm"], rel=5e-3)
        assert stop["true_depth_mm"] == pytest.approx(stop["stop_mm"], rel=0.02)
    assert done["outcome"] == "finished"
    held = json_of(
        "rehearse", *RUN, "--artwork", files["star"], *stops, "--stop-at-gauge", status=3
    )
    assert (held["outcome"], len(held["gauge_stops"])) == ("paused", 1)
    assert held["true_depth_mm"] == pytest.approx(0.1, rel=0.02)


def test_pieces_sides_and_bare_metal_hang_in_the_same_bath(files: dict[str, Path]) -> None:
    """Four copies on two sides are eight; bare metal takes its share, and the floor comes out as deep."""
    thick = ("--thickness-mm", "2.5")
    two = json_of(
        "rehearse",
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
    eight = json_of("rehearse", *RUN, "--artwork", files["star"], *thick)
    assert two["true_depth_mm"] == pytest.approx(eight["true_depth_mm"], rel=3e-3)
    bare_coulombs = 100.0 * 0.25 * 10.49e-3 / 1.118e-3
    assert two["charge_coulombs"] - eight["charge_coulombs"] == pytest.approx(
        bare_coulombs, rel=0.02
    )


def test_reading_options_reach_both_the_plan_and_the_truth(tmp_path: Path) -> None:
    """A white disc on black, at twice its size: inverted, by --artwork-width-mm. pi r^2 and 2 pi r of a disc of 5 mm radius."""
    path = tmp_path / "disc.svg"
    path.write_bytes(
        svg('<rect width="50" height="30"/><circle cx="25" cy="15" r="2.5" fill="white"/>')
    )
    options = ("--artwork", path, "--artwork-invert", "--artwork-width-mm", "100")
    run = ("--metal", "copper", "--depth-mm", "0.2", "--current-a", "1", "--thickness-mm", "1.5")
    made = json_of("plan", *run, *options)
    assert made["total_area_mm2"] == pytest.approx(math.pi * 25.0, rel=2e-3)
    done = json_of("rehearse", *run, *options)
    assert done["true_depth_mm"] == pytest.approx(0.2, rel=0.01)


@pytest.mark.parametrize(
    ("more", "said"),
    [
        (("--area-cm2", "1"), "--artwork and --area-cm2 are both given"),
        (("--edge-mm", "1"), "--artwork and --edge-mm are both given"),
        (("--artwork-page", "0"), "page is 0"),
        (("--artwork-dpi", "600", "--artwork-width-mm", "9"), "dpi and width_mm are both given"),
    ],
)
def test_contradictions_are_refused(
    files: dict[str, Path], more: tuple[str, ...], said: str
) -> None:
    for command in ("plan", "rehearse"):
        result = Command(command).call(*RUN, "--artwork", files["star"], *more)
        assert result.exit_code == 2
        assert said in " ".join(result.output.split())


def test_what_needs_an_artwork_is_refused_without_one(tmp_path: Path) -> None:
    for command, more, said in (
        ("rehearse", ("--area-cm2", "1", "--crowding", "0.2"), "only edges of an artwork can show"),
        ("plan", ("--area-cm2", "1", "--artwork-dpi", "600"), "given without --artwork FILE"),
        ("plan", (), "give either --area-cm2 (cm2) or --artwork FILE"),
        ("plan", ("--artwork", str(tmp_path / "none.png")), "does not exist"),
    ):
        result = Command(command).call(*RUN, *more)
        assert result.exit_code == 2, result.output
        assert said in " ".join(result.output.split())


def test_a_truth_beyond_what_the_front_can_do_is_refused(files: dict[str, Path]) -> None:
    result = Command("rehearse").call(*RUN, "--artwork", files["star"], "--crowding", "1.5")
    assert result.exit_code == 2
    assert "crowding is 1.5, it must be 0 to 1" in result.output
    result = Command("rehearse").call(*RUN, "--artwork", files["star"], "--true-etch-factor", "0.1")
    assert result.exit_code == 2
    assert "rehearse with area and edge length instead" in " ".join(result.output.split())


def test_other_options_of_a_plan_reach_it(files: dict[str, Path]) -> None:
    made = json_of(
        "plan", *RUN[:4], "--density-a-per-dm2", "10", "--thickness-mm", "1.2", "--sheet-cm2", "4", "--film-mm", "0.1",
        "--bath-volume-l", "0.003", "--supply-mode", "constant-voltage", "--stop-policy", "never-deeper",
        "--expected-voltage-v", "2.5", "--artwork", files["lines"],
    )  # fmt: skip
    best = json_of("plan", *RUN[:4], "--density-a-per-dm2", "10", "--artwork", files["lines"])
    assert made["charge_coulombs"] < 0.9 * best["charge_coulombs"], (
        "stops when the upper bound reaches the target"
    )
    assert made["current_a"] == pytest.approx(0.1 * LINES.area / 100.0, rel=2e-3)
    told = " ".join(warning["text"] for warning in made["warnings"])
    assert "the narrowest opening is 0.2" in told
    assert "warm the bath by up to" in told
