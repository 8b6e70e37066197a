"""A logbook with a long run, and a bath with 300 readings."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path
from typing import Any

from api.main import rig_range_a
from controller.config import Settings
from controller.logbook.entries import BathSaved, ReadingKind, ReadingTaken
from controller.logbook.store import open_store
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from controller.planning.request import PlanRequest
from tests.proofs.benchmarks.logbook import BEGAN_UTC, entries, run_id

RUNS = 39
READINGS = 300
BATH = "bath-0"
LONGEST = run_id(100)
PLATE: dict[str, Any] = {
    "metal": "fine-silver",
    "area_mm2": 767.0,
    "edge_mm": 900.0,
    "depth_mm": 0.25,
    "current_a": 3.0,
    "thickness_mm": 1.2,
    "bath": BATH,
}
"""Ten minutes at 3 A. Source: common practice, no source."""


def write_book(path: Path) -> None:
    """Write the logbook."""
    settings = Settings()
    plan = plan_to_json(
        make_plan(PlanRequest(**{**PLATE, "bath": None}), settings, rig_range_a(settings))
    )
    store = open_store(path, "bench", lambda: False, should_check=False, busy_timeout_s=1.0)
    store.write([BathSaved(BATH, "fine-silver", "nitric acid", 1.0, None, "", False, BEGAN_UTC)])
    for number in (*range(1, RUNS + 1), 100):
        store.write(list(entries(number, plan, {})))
    for number in range(READINGS):
        run = number % RUNS + 1
        at_utc = BEGAN_UTC + timedelta(hours=2 * run + 1, minutes=number // RUNS)
        body = {
            "charge_coulombs": 1800.0,
            "spots_mm": [0.24 + 0.001 * (number % 20)],
            "place": "centre",
            "from_resist_top": False,
            "resolution_mm": 0.01,
            "film_mm": 0.05,
        }
        store.write(
            [ReadingTaken(f"r{number}", run_id(run), ReadingKind.GAUGE, at_utc, None, body)]
        )
    store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
    store.close()
