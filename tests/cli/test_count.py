"""``biteclock count``: charge and gaps for scripts and people, and with a plan's options the depth."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.kits.artwork_shapes import save, star
from tests.kits.cli_kit import Command
from tests.paths import DATA

EQCM = DATA / "silver_eqcm.csv"
PLATE = ("--metal", "fine-silver", "--area-cm2", "7.67", "--thickness-mm", "1.2")


COMMAND = Command("count")
call, json_of, refused = COMMAND.call, COMMAND.json_of, COMMAND.refused


@pytest.fixture
def run(tmp_path: Path) -> Path:
    """Ten minutes at 3 A and 3 V, one sample a second: common practice, a quarter of a millimetre."""
    path = tmp_path / "run.csv"
    path.write_text(
        "time_s,current_a,voltage_v\n" + "".join(f"{k},3.0,3.0\n" for k in range(601)),
        encoding="utf-8",
    )
    return path


@pytest.fixture
def broken(tmp_path: Path) -> Path:
    """The same with a minute missing."""
    path = tmp_path / "broken.csv"
    rows = "".join(f"{k},3.0\n" for k in range(601) if not 100 < k < 160)
    path.write_text("time_s,current_a\n" + rows, encoding="utf-8")
    return path


def test_the_fixed_keys(run: Path, broken: Path) -> None:
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


def test_a_plans_options_give_the_depth(run: Path, broken: Path) -> None:
    """1800 C of silver over 7.67 cm2: 0.25 mm, as the trade sees it (common practice, no source)."""
    told = json_of(run, *PLATE)
    assert told["depth_mm"] == pytest.approx(0.25, rel=2e-3)
    assert told["depth_low_mm"] < 0.25 < told["depth_high_mm"]
    assert told["target_depth_mm"] is None
    assert not any("brisk" in text for text in told["warnings"]), "the run is over"
    assert any("edge length is not known" in text for text in told["warnings"])
    gap = json_of(broken, *PLATE)
    assert gap["depth_mm"] == pytest.approx(0.225, rel=2e-3)
    sure = told["depth_high_mm"] / told["depth_mm"]
    assert gap["depth_high_mm"] > 1.05 * sure * gap["depth_mm"], (
        "what may have flowed in the gap counts to the upper bound"
    )
    assert json_of(run, *PLATE, "--depth-mm", 0.3)["target_depth_mm"] == 0.3
    assert "0.3 mm wanted" in call(run, *PLATE, "--depth-mm", 0.3).output


def test_an_artwork_gives_the_depth_too(run: Path, tmp_path: Path) -> None:
    shape = star(5, 4.0, 2.0, 5.0, 5.0, 0.3)
    path = save(tmp_path / "star.png", shape, 600)
    common = ("--metal", "fine-silver", "--thickness-mm", "1.2", "--pieces", "30")
    drawn = json_of(run, *common, "--artwork", path)
    typed = json_of(run, *common, "--area-cm2", shape.area / 100.0, "--edge-mm", shape.length)
    bare = json_of(run, *common, "--area-cm2", shape.area / 100.0)
    assert drawn["depth_mm"] == pytest.approx(typed["depth_mm"], rel=0.01)
    assert drawn["depth_mm"] < 0.97 * bare["depth_mm"], "the undercut takes its share"


def test_people_get_lines_with_units(run: Path, broken: Path) -> None:
    text = call(run, *PLATE).output
    assert "charge   1800 C\n" in text
    assert "energy   5.4 kJ" in text
    assert (
        "depth    0.2499 mm" in text or "depth    0.2500 mm" in text or "depth    0.2498 mm" in text
    )
    text = call(broken).output
    assert "charge   1620 C, and up to 180 C more in the gaps" in text
    assert "gap      60 s from 100 s to 160 s: between 0 and 180 C are not counted" in text


def test_current_backwards_is_refused_or_counted_with_its_sign() -> None:
    assert "Up to 1% of the largest" in refused(EQCM)
    assert json_of(EQCM, "--signed")["charge_coulombs"] == pytest.approx(-1.77e-5, rel=0.01)
    assert "a depth needs more than 0 C" in refused(EQCM, "--signed", *PLATE)


@pytest.mark.parametrize("encoding", ["utf-8", "utf-8-sig", "utf-16", "latin-1"])
def test_texts_of_other_machines(tmp_path: Path, encoding: str) -> None:
    path = tmp_path / "log.txt"
    path.write_bytes("time_s;current_a;T in °C\r\n0,0;1,5;20\r\n1,0;1,5;20\r\n".encode(encoding))
    assert json_of(path)["charge_coulombs"] == pytest.approx(1.5)


def test_many_gaps_are_counted_and_some_are_shown(tmp_path: Path) -> None:
    path = tmp_path / "log.csv"
    times = [t for k in range(15) for t in (20 * k, 20 * k + 1, 20 * k + 2, 20 * k + 3)]
    path.write_text("time_s,current_a\n" + "".join(f"{t},1\n" for t in times), encoding="utf-8")
    assert len(json_of(path)["gaps"]) == 14
    assert "gap      and 4 more" in call(path).output


@pytest.mark.parametrize(
    ("content", "more", "said"),
    [
        ("", (), "The log is empty"),
        ("a,b\n1,2\n", (), "no column time_s"),
        ("time_s,current_a\n0,1\n0,1\n", (), "Line 3: the time 0 s does not come after 0 s"),
        ("time_s,current_a\n0,1\n1,x\n", (), "Line 3: current_a is 'x', which is not a number"),
        (
            "time_s,current_a\n0,1\n1,1\n",
            ("--max-gap-s", "0"),
            "The longest gap is 0 s; it must be above 0 s.",
        ),
        ("time_s,current_a\n0,1\n1,1\n", ("--area-cm2", "2"), "area_mm2 is given without a metal"),
        (
            "time_s,current_a\n0,1\n1,1\n",
            ("--metal", "fine-silver"),
            "give either --area-cm2 (cm2) or --artwork FILE",
        ),
        (
            "time_s,current_a\n0,1\n1,1\n",
            ("--metal", "tin", "--area-cm2", "1"),
            "The metal 'tin' is not known",
        ),
        ("\0\0\0\rIHDR", (), "zero byte"),
    ],
)
def test_refusals_are_named(tmp_path: Path, content: str, more: tuple[str, ...], said: str) -> None:
    path = tmp_path / "log.csv"
    path.write_bytes(content.encode("latin-1"))
    assert said in refused(path, *more)
