"""``biteclock count``: charge, gaps, and the depth when a plan is given."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kits.artwork.shapes import save, star
from tests.kits.cli_kit import Command
from tests.paths import DATA

EQCM = DATA / "silver_eqcm.csv"
PLATE = ("--metal", "fine-silver", "--area-cm2", "7.67", "--thickness-mm", "1.2")


COMMAND = Command("count")
call, json_of = COMMAND.call, COMMAND.json_of


@pytest.fixture
def run(tmp_path: Path) -> Path:
    """Ten minutes at 3 A and 3 V, one sample a second: 0.25 mm (common practice, no source)."""
    path = tmp_path / "run.csv"
    path.write_text(
        "time_s,current_a,voltage_v\n" + "".join(f"{k},3.0,3.0\n" for k in range(601)),
        encoding="utf-8",
    )
    return path


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    """The same run with one minute missing."""
    path = tmp_path / "broken.csv"
    rows = "".join(f"{k},3.0\n" for k in range(601) if not 100 < k < 160)
    path.write_text("time_s,current_a\n" + rows, encoding="utf-8")
    return path


def test_json_keys(run: Path, broken: Path) -> None:
    whole = json_of(run)
    assert whole["charge_coulombs"] == pytest.approx(1800.0)
    assert whole["gaps"] == []
    assert whole["energy_j"] == pytest.approx(5400.0)
    assert (whole["file"], whole["samples"], whole["depth_mm"]) == ("run.csv", 601, None)
    cut = json_of(broken)
    assert cut["charge_coulombs"] == pytest.approx(1620.0)
    assert cut["gaps"] == [
        {
            "from_s": 100.0,
            "to_s": 160.0,
            "length_s": 60.0,
            "low_coulombs": 0.0,
            "high_coulombs": 180.0,
        }
    ]
    assert (cut["charge_low_coulombs"], cut["charge_high_coulombs"]) == pytest.approx(
        (1620.0, 1800.0)
    )
    assert cut["energy_j"] is None
    assert json_of(broken, "--max-gap-s", 60)["charge_coulombs"] == pytest.approx(1800.0)


def test_depth_from_plan(run: Path, broken: Path) -> None:
    """1800 C of silver over 7.67 cm2: 0.25 mm (common practice, no source)."""
    whole = json_of(run, *PLATE)
    assert whole["depth_mm"] == pytest.approx(0.25, rel=2e-3)
    assert whole["depth_low_mm"] < 0.25 < whole["depth_high_mm"]
    assert whole["target_depth_mm"] is None
    assert len(whole["warnings"]) == 1, "the edges are unknown; the brisk current is past"
    gap = json_of(broken, *PLATE)
    assert gap["depth_mm"] == pytest.approx(0.225, rel=2e-3)
    spread = whole["depth_high_mm"] / whole["depth_mm"]
    assert gap["depth_high_mm"] > 1.05 * spread * gap["depth_mm"], "the gap raises the upper bound"
    assert json_of(run, *PLATE, "--depth-mm", 0.3)["target_depth_mm"] == 0.3
    assert "0.30 mm wanted" in call(run, *PLATE, "--depth-mm", 0.3).output


def test_depth_from_artwork(run: Path, tmp_path: Path) -> None:
    shape = star(5, 4.0, 2.0, 5.0, 5.0, 0.3)
    path = save(tmp_path / "star.png", shape, 600)
    common = ("--metal", "fine-silver", "--thickness-mm", "1.2", "--pieces", "30")
    drawn = json_of(run, *common, "--artwork", path)
    typed = json_of(run, *common, "--area-cm2", shape.area / 100.0, "--edge-mm", shape.length)
    bare = json_of(run, *common, "--area-cm2", shape.area / 100.0)
    assert drawn["depth_mm"] == pytest.approx(typed["depth_mm"], rel=0.01)
    assert drawn["depth_mm"] < 0.97 * bare["depth_mm"], "the undercut takes its share"


def test_lines_with_units(run: Path, broken: Path) -> None:
    text = call(run, *PLATE).output
    assert "charge   1800 C, give or take 0 C between the samples\n" in text
    assert "energy   5.4 kJ" in text
    assert "depth    0.25 mm" in text
    text = call(broken).output
    assert "C between the samples, and up to 180 C more in the gaps" in text
    assert "gap      60 s from 100 s to 160 s: 0 to 180 C are not counted" in text


def test_reversed_current() -> None:
    assert COMMAND.refused_field(EQCM) == "current_a"
    assert json_of(EQCM, "--signed")["charge_coulombs"] == pytest.approx(-1.77e-5, rel=0.01)
    refused = COMMAND.refused(EQCM, "--signed", *PLATE)
    assert refused.message.key == "command_line.count.no_charge"


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_encodings_of_log(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "log.txt"
    path.write_bytes("time_s;current_a;T in °C\r\n0,0;1,5;20\r\n1,0;1,5;20\r\n".encode(encoding))
    assert json_of(path)["charge_coulombs"] == pytest.approx(1.5)


def test_many_gaps(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    times = [t for k in range(15) for t in (20 * k, 20 * k + 1, 20 * k + 2, 20 * k + 3)]
    path.write_text("time_s,current_a\n" + "".join(f"{t},1\n" for t in times), encoding="utf-8")
    assert len(json_of(path)["gaps"]) == 14
    assert "gap      and 4 more" in call(path).output


LOG = "time_s,current_a\n0,1\n1,1\n"


@pytest.mark.parametrize(
    ("content", "more", "field"),
    [
        ("", (), "file"),
        ("a,b\n1,2\n", (), "file"),
        ("time_s,current_a\n0,1\n0,1\n", (), "file"),
        ("time_s,current_a\n0,1\n1,x\n", (), "file"),
        ("\0\0\0\rIHDR", (), "file"),
        (LOG, ("--max-gap-s", "0"), "max_gap_s"),
        (LOG, ("--metal", "tin", "--area-cm2", "1"), "metal"),
    ],
)
def test_refusal_names_field(
    tmp_path: Path, content: str, more: tuple[str, ...], field: str
) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content.encode("latin-1"))
    assert COMMAND.refused_field(path, *more) == field


@pytest.mark.parametrize(
    ("more", "key"),
    [
        (("--area-cm2", "2"), "command_line.plan.no_metal"),
        (("--metal", "fine-silver"), "command_line.plan.no_area"),
    ],
)
def test_incomplete_plan(tmp_path: Path, more: tuple[str, ...], key: str) -> None:
    path = tmp_path / "log.csv"
    path.write_text(LOG, encoding="utf-8")
    assert COMMAND.refused_key(path, *more) == key


def test_sampling_is_stated(tmp_path: Path) -> None:
    """A log every 30 s whose supply is turned up over 45 s: 3 A, 1732.5 C by hand.

    The trapezoid is off, and the stated figure covers it.
    """
    path = tmp_path / "coarse.csv"
    rows = [f"{t},{3.0 * min(1.0, t / 45.0)}" for t in range(0, 601, 30)]
    path.write_text("\n".join(["time_s,current_a", *rows]))
    counted = json_of(path)
    error = abs(counted["charge_coulombs"] - 3.0 * (600.0 - 22.5))
    assert error > 1.0
    assert error < counted["sampling_coulombs"] < 60.0
    assert counted["charge_low_coulombs"] < 1732.5 < counted["charge_high_coulombs"]
    assert counted["uncertain_coulombs"] == 0.0
