"""``biteclock learn``: a notebook in, figures and predictions out; ``--into`` keeps the rows."""

from __future__ import annotations

import math
import random
from pathlib import Path

import pytest

from controller.logbook.bath_reader import BathReader
from controller.physics.faraday import METALS
from controller.planning.notebook.lessons import runs_of
from controller.planning.notebook.table import read_notebook
from tests.kits.cli_kit import Command
from tests.recording.test_baths import Studio

HEADER = "bath,metal,date,area_cm2,edge_mm,charge_coulombs,depth_mm,lost_g,fresh_acid\n"
ROW = "tank 1,fine-silver,2031-03-0{day},7.67,0,1800,{depth} {depth},,\n"

COMMAND = Command("learn")
call, json_of = COMMAND.call, COMMAND.json_of


def notebook(tmp_path: Path, text: str, name: str = "notes.csv") -> Path:
    path = tmp_path / name
    path.write_bytes(text.encode())
    return path


def rows(*depths: str) -> str:
    return HEADER + "".join(ROW.format(day=k + 1, depth=d) for k, d in enumerate(depths))


def test_figures_and_rows(tmp_path: Path) -> None:
    """Twenty runs at a bite factor of 0.9 with a spread of 4 %, weighed.

    1.118 mg/C (electrochemical equivalent of silver, a textbook value).
    """
    rng = random.Random(2)
    per_coulomb = METALS["fine-silver"].mm3_per_coulomb
    text = "bath;metal;area_cm2;edge_mm;current_a;minutes;depth_mm;lost_g\n"
    for _ in range(20):
        bite = 0.9 * math.exp(0.04 * rng.gauss(0, 1))
        depth = f"{bite * per_coulomb * 1800 / 767:.3f}".replace(".", ",")
        lost = f"{bite * 1800 * 1.118e-3:.2f}".replace(".", ",")
        text += f"tank 1;Fine silver;7,67;0;3;10;{depth} {depth};{lost}\n"
    values = json_of(notebook(tmp_path, text))
    for name, true in (("bite_factor", 0.9), ("spread", 0.04)):
        assert values[f"{name}_low"] < true < values[f"{name}_high"]
    assert values["bite_factor"] == pytest.approx(0.9, abs=0.03)
    assert values["etch_factor_low"] < values["etch_factor"] < values["etch_factor_high"]
    first, last = values["rows"][0], values["rows"][-1]
    assert first["predicted_mm"] == pytest.approx(1800 * per_coulomb / 767, rel=0.01)
    assert last["predicted_mm"] == pytest.approx(0.9 * first["predicted_mm"], rel=0.04)
    for row in values["rows"]:
        assert row["predicted_low_mm"] < row["predicted_mm"] < row["predicted_high_mm"]
        assert row["charge_coulombs"] == pytest.approx(1800.0)
    assert last["predicted_high_mm"] - last["predicted_low_mm"] < 0.7 * (
        first["predicted_high_mm"] - first["predicted_low_mm"]
    )


def test_row_does_not_predict_itself(tmp_path: Path) -> None:
    one = json_of(notebook(tmp_path, rows("0.25", "0.20")))["rows"]
    other = json_of(notebook(tmp_path, rows("0.25", "0.30")))["rows"]
    assert [one[k]["predicted_mm"] for k in (0, 1)] == [other[k]["predicted_mm"] for k in (0, 1)]
    assert one[1]["bite_factor_after"] < other[1]["bite_factor_after"]


def test_baths_apart_but_pooled(tmp_path: Path) -> None:
    """A second bath of the metal begins nearer to the first one; another metal does not."""
    text = rows("0.19", "0.19", "0.19", "0.19")
    text += "tank 2,fine-silver,2031-03-08,7.67,0,1800,0.25,,\n"
    text += "tank 3,copper,2031-03-09,7.67,0,1800,0.2,,\n"
    values = json_of(notebook(tmp_path, text))
    assert [bath["bath"] for bath in values["baths"]] == ["tank 1", "tank 2", "tank 3"]
    assert values["bath"] == "tank 3"
    first, *_, fourth, second_bath, copper = values["rows"]
    assert fourth["predicted_mm"] < second_bath["predicted_mm"] < first["predicted_mm"]
    assert copper["bite_factor_before"] == pytest.approx(1.0)


def test_fresh_acid_in_notebook(tmp_path: Path) -> None:
    worn = rows("0.19", "0.19", "0.19", "0.19")
    row = "tank 1,fine-silver,2031-03-08,7.67,0,1800,0.25,,{}\n"
    told, untold = (
        json_of(notebook(tmp_path, worn + row.format(fresh)))["rows"][-1]["predicted_mm"]
        for fresh in ("yes", "")
    )
    assert told > 1.05 * untold


def test_table_in_words(tmp_path: Path) -> None:
    text = "\ufeff" + rows("0.25", "0.25", "0.25", "0.25", "0.25", "0.60").replace("date", "Date")
    output = call(notebook(tmp_path, text)).output
    assert output.count("tank 1") == 7
    assert [line for line in output.splitlines() if line.endswith("0.600 ?")]
    assert "run-to-run spread" in output


def test_unknown_columns_and_blank_lines(tmp_path: Path) -> None:
    text = "metal,area_cm2,charge_coulombs,depth_mm,weather\n\n,,,,\ncopper,5,900,0.2,rain\n"
    values = json_of(notebook(tmp_path, text))
    assert values["ignored_columns"] == ["weather"]
    assert [row["line"] for row in values["rows"]] == [4]


@pytest.mark.parametrize(
    ("old", "new", "expected"),
    [
        ("1800", "18OO", "Line 2: charge_coulombs is '18OO', which is not a number"),
        ("1800", "-5", "Line 2: charge_coulombs is '-5'; it must be above 0 C"),
        ("1800", "", "Line 2: no charge. Give charge_coulombs"),
        ("7.67", "", "Line 2: area_cm2 is empty"),
        ("fine-silver", "fine-sliver", "'fine-sliver', which is not known. Use one of fine-silver"),
        ("2031-03-01", "1.3.31", "Line 2: date is '1.3.31'. Write it as year-month-day"),
        ("0.25 0.25", "250 245", "the spot '250'; a spot must be above 0 and up to 10 mm"),
        ("0.25 0.25,,\n", "0.25 0.25,,maybe\n", "fresh_acid is 'maybe'. Write yes"),
        ("0.25 0.25,,\n", "0.25,0.25,,,\n", "Line 2 has 11 columns, but the header has 9"),
        ("depth_mm", "depht_mm", "the header names 'depht_mm'. Is it depth_mm?"),
        ("metal", "stuff", "the header has no column metal"),
        ("edge_mm", "date", "the header names date more than once"),
        ("0.25 0.25,,\n", ",300,\n", "Line 2: The reading does not fit this run at all"),
    ],
)
def test_bad_rows_are_refused(tmp_path: Path, old: str, new: str, expected: str) -> None:
    text = rows("0.25")
    assert old in text
    assert expected in COMMAND.usage_error(notebook(tmp_path, text.replace(old, new, 1)))


def test_two_metals_in_a_bath(tmp_path: Path) -> None:
    text = rows("0.25") + "tank 1,copper,2031-03-02,7.67,0,1800,0.2,,\n"
    assert "etches copper here, but fine-silver in line 2" in COMMAND.usage_error(
        notebook(tmp_path, text)
    )
    assert "has no rows" in COMMAND.usage_error(notebook(tmp_path, HEADER))


# --- into the logbook -----------------------------------------------------------------------------


@pytest.fixture
def state(tmp_path: Path) -> Path:
    """A state directory with a silver bath named tank 1, and no daemon."""
    directory = tmp_path / "state"
    directory.mkdir()
    studio = Studio(directory / "biteclock.sqlite")
    studio.save()
    studio.save("copper tank", "copper")
    studio.manual.logbook.work()
    studio.manual.logbook.finish()
    return directory


def again(state: Path) -> Studio:
    return Studio(state / "biteclock.sqlite")


def test_notebook_becomes_the_past(state: Path, tmp_path: Path) -> None:
    """The bath believes what the notebook teaches, and a notebook may grow at its end."""
    file = notebook(tmp_path, rows("0.19", "0.19", "0.19"))
    values = json_of(file, "--into", "tank 1", "--state-directory", state)
    assert values["taken_over"] == 3
    studio = again(state)
    known = studio.shelf.state("tank 1")
    assert (known.runs, known.readings) == (3, 3)
    assert known.charge_ah == pytest.approx(1.5)
    assert known.bite_factor < 0.9
    (event,) = (event for event, _ in BathReader(studio.manual.reader).events("tank 1"))
    expected = read_notebook(file.read_text().splitlines()).rows
    assert len(runs_of(expected)) == len(event.body["rows"])
    studio.manual.logbook.finish()
    into = ("--into", "tank 1", "--state-directory", state)
    assert "already has these 3 rows" in COMMAND.usage_error(file, *into)
    grown = notebook(tmp_path, rows("0.19", "0.19", "0.19", "0.2"))
    assert json_of(grown, *into)["taken_over"] == 1
    changed = notebook(tmp_path, rows("0.18", "0.19"))
    assert "already has the row in line 3" in COMMAND.usage_error(changed, *into)
    studio = again(state)
    assert studio.shelf.state("tank 1").runs == 4
    studio.manual.logbook.finish()


def test_rows_that_do_not_fit(state: Path, tmp_path: Path) -> None:
    file = notebook(tmp_path, rows("0.25"))
    where = ("--state-directory", state)
    assert "There is no bath 'tank 9'" in COMMAND.usage_error(file, "--into", "tank 9", *where)
    wrong = COMMAND.usage_error(file, "--into", "copper tank", *where)
    assert "the bath 'copper tank' is for copper" in wrong
    nowhere = ("--into", "tank 1", "--state-directory", tmp_path / "nowhere")
    assert "There is no logbook" in COMMAND.usage_error(file, *nowhere)
    studio = again(state)
    assert studio.shelf.state("tank 1").runs == 0
    text = COMMAND.usage_error(file, "--into", "tank 1", *where)
    assert "biteclock.sqlite" in text, "another process has the logbook"
    studio.manual.logbook.finish()
