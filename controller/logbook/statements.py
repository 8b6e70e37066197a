"""The statements of the store. Those about figures follow from their declaration."""

from __future__ import annotations

from dataclasses import fields

from controller.figures import FIGURES_OF_A_SECOND
from controller.logbook.entries import Progress

PROGRESS = tuple(column.name for column in fields(Progress))
"""Columns of the table ``progress`` that hold a ``Progress``."""


INSERT_RUN = """
INSERT INTO runs (id, piece, metal, bath, started_at_utc, target_depth_mm, planned_current_a,
    plan, settings, search_text)
VALUES (:run_id, :piece, :metal, :bath, :started_at_utc, :target_depth_mm, :planned_current_a,
    :plan, :settings, :search_text)
ON CONFLICT (id) DO NOTHING
"""

INSERT_PROGRESS = """
INSERT INTO progress (run, state, boot, at_s, elapsed_s, on_time_s, charge_coulombs, uncertain_charge_coulombs)
VALUES (?, 'checking', ?, ?, 0.0, 0.0, 0.0, 0.0) ON CONFLICT (run) DO NOTHING
"""

UPDATE_PROGRESS = (
    "UPDATE progress SET "  # noqa: S608
    + ", ".join(f"{name} = :{name}" for name in ("boot", *PROGRESS))
    + " WHERE run = :run"
)

UPDATE_STATE = """
UPDATE progress SET state = ?, reason = ?, message = ?, ended_at_utc = CASE WHEN ? THEN coalesce(ended_at_utc, ?) END
WHERE run = ?
"""

KEEP_CHECKPOINT = "INSERT INTO checkpoints (run, body) VALUES (?, ?)"

DROP_CHECKPOINT = "DELETE FROM checkpoints WHERE run = ?"

INSERT_EVENT = """
INSERT INTO events (run, boot, at_s, at_utc, on_time_s, kind, text, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""

_MEANS = ("run", "elapsed_s", *(kept.column for kept in FIGURES_OF_A_SECOND.values()))

INSERT_MEAN = (
    f"INSERT OR REPLACE INTO means ({', '.join(_MEANS)})"  # noqa: S608
    f" VALUES ({', '.join(f':{column}' for column in _MEANS)})"
)

INSERT_BATH = """
INSERT INTO baths (name, metal, acid, volume_l, made_up_on, note, is_retired, saved_at_utc) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""

INSERT_READING = """
INSERT INTO readings (id, run, kind, at_utc, replaces, body) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING
"""

INSERT_RAW = """
INSERT OR REPLACE INTO raws (run, elapsed_us, current_ua, voltage_uv, saturated, averaged) VALUES (?, ?, ?, ?, ?, ?)
"""
