"""Every declared figure is in the API and in the CSV table, and the page asks for no other."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.http.models.base import unit_of
from api.http.models.runs import RunListed, SecondTold
from api.http.models.status import Status
from api.http.tables.csv_export import csv_lines
from controller.figures import FIGURES, FIGURES_OF_A_SECOND
from controller.logbook.entries import Checkpoint, Progress
from controller.logbook.reader import LogbookReader
from controller.logbook.statements import PROGRESS
from tests.kits.api_client import Daemon, ask
from tests.kits.logbook_kit import ManualLogbook, mean
from tests.paths import ROOT
from tests.recording.test_recorder import snap
from tests.web.test_live import HEALTH

VALUES = {name: 10.5 + index for index, name in enumerate(PROGRESS)}


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    manual.write(Checkpoint("r1", Progress(**VALUES)), mean(3))
    yield manual
    manual.logbook.finish()


@pytest.fixture
def app(manual: ManualLogbook, tmp_path: Path) -> Any:
    return Daemon(tmp_path / "elsewhere", book=LogbookReader(manual.path)).app


def test_runs_carry_all_figures(app: Any) -> None:
    """List and single run give each figure the value that the logbook has."""
    listed = ask(app, "GET", "/api/runs").json()["runs"][0]
    assert listed == ask(app, "GET", "/api/runs/r1").json()["run"]
    for name in FIGURES:
        assert listed[name] == VALUES[name], name


def test_status_carries_all_figures() -> None:
    """The live status gives each figure the value of the snapshot."""
    figures = {name: VALUES[name] for name in FIGURES}
    live = snap("running", 1.0, **KNOWN, **figures)  # type: ignore[arg-type]
    shown = Status.of(live, HEALTH, "rehearsal", "1")
    reported = json.loads(shown.model_dump_json())
    assert {name: reported[name] for name in FIGURES} == figures


KNOWN: dict[str, Any] = {
    "sequence": 1, "first_look_due": False, "in_bath_without_current": False, "relay_on": True,
    "relay_welded": False, "weld_latched": False, "thermometer_silent": False,
    "clock_set": True, "warnings": (), "places": (),
}  # fmt: skip


def test_table_has_all_figures(app: Any) -> None:
    """CSV and JSON of the seconds have the same columns in the same order."""
    names = ["elapsed_s", *FIGURES_OF_A_SECOND]
    table = ask(app, "GET", "/api/runs/r1/samples?format=csv").text.splitlines()
    (second,) = ask(app, "GET", "/api/runs/r1/samples").json()["samples"]
    assert table[0].split(",") == list(second) == names == list(SecondTold.model_fields)
    assert "".join(csv_lines(())).strip().split(",") == names


@pytest.mark.parametrize("model", [RunListed, Status, SecondTold])
def test_figures_are_described(model: Any) -> None:
    """Description, unit and example come from the declaration."""
    declared = FIGURES_OF_A_SECOND if model is SecondTold else FIGURES
    for name, about in declared.items():
        text = model.model_fields[name].description
        assert text == f"{about.description} Unit: {unit_of(name)}."  # type: ignore[attr-defined]


def test_published_order_stays() -> None:
    """Scripts may rely on the columns: a new figure comes after those of the first version."""
    assert list(FIGURES_OF_A_SECOND)[:6] == [
        "on_time_s", "current_a", "voltage_v", "charge_coulombs", "depth_mm", "bath_degc",
    ]  # fmt: skip
    assert list(FIGURES)[:7] == [
        "on_time_s", "charge_coulombs", "uncertain_charge_coulombs", "current_a", "depth_mm",
        "depth_low_mm", "depth_high_mm",
    ]  # fmt: skip


def test_page_asks_for_figures() -> None:
    """The page's record of a run shows figures by their names; a wrong one would be a dash."""
    source = (ROOT / "api/page/js/records/run_record.js").read_text(encoding="utf-8")
    table = source.split("export const FIGURES = {")[1].split("\n};")[0]
    shown = re.findall(r"^  (\w+):", table, re.MULTILINE)
    assert len(shown) >= 3
    assert set(shown) <= set(FIGURES)
