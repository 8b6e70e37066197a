"""The SQL statements of the logbook. The columns of figures come from their declaration."""

from __future__ import annotations

from dataclasses import fields

from controller.figures import FIGURES_OF_A_SECOND, Kept
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
INSERT INTO progress (run, state, boot, at_s, elapsed_s, on_time_s, charge_coulombs,
    uncertain_charge_coulombs)
VALUES (?, 'checking', ?, ?, 0.0, 0.0, 0.0, 0.0) ON CONFLICT (run) DO NOTHING
"""

UPDATE_PROGRESS = (
    "UPDATE progress SET "  # noqa: S608
    + ", ".join(f"{name} = :{name}" for name in ("boot", *PROGRESS))
    + " WHERE run = :run"
)

UPDATE_STATE = """
UPDATE progress SET state = ?, reason = ?, message = ?,
    ended_at_utc = CASE WHEN ? THEN coalesce(ended_at_utc, ?) END
WHERE run = ?
"""

KEEP_CHECKPOINT = "INSERT INTO checkpoints (run, body) VALUES (?, ?)"

DROP_CHECKPOINT = "DELETE FROM checkpoints WHERE run = ?"

INSERT_EVENT = """
INSERT INTO events (run, boot, at_s, at_utc, on_time_s, kind, text, data)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""

_MEANS = ("run", "elapsed_s", *(kept.column for kept in FIGURES_OF_A_SECOND.values()))

INSERT_MEAN = (
    f"INSERT OR REPLACE INTO means ({', '.join(_MEANS)})"  # noqa: S608
    f" VALUES ({', '.join(f':{column}' for column in _MEANS)})"
)

INSERT_BATH = """
INSERT INTO baths (name, metal, acid, volume_l, made_up_on, note, is_retired, saved_at_utc,
    water_parts, bottle_percent, usual_degc, attack_um_per_min, attack_sd_ln, attack_degc,
    attack_weighed_at_utc)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)
"""

INSERT_BATH_EVENT = """
INSERT INTO bath_events (id, bath, kind, at_utc, after_run, body)
VALUES (?, ?, ?, ?, (SELECT coalesce(max(number), 0) FROM runs), ?) ON CONFLICT (id) DO NOTHING
"""

INSERT_READING = """
INSERT INTO readings (id, run, kind, at_utc, replaces, body)
VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING
"""

INSERT_RAW = """
INSERT OR REPLACE INTO raws (run, elapsed_us, current_ua, voltage_uv, saturated, averaged)
VALUES (?, ?, ?, ?, ?, ?)
"""

SELECT_SUMMARIES = f"""
SELECT r.id AS run_id, r.number, r.piece, r.metal, r.bath, r.started_at_utc, p.ended_at_utc,
    p.state, p.reason, p.message, r.target_depth_mm, r.planned_current_a, b.boot_id,
    {", ".join(f"p.{name}" for name in PROGRESS)}
FROM runs r JOIN progress p ON p.run = r.number JOIN boots b ON b.number = p.boot
"""  # noqa: S608

SELECT_PAPERS = """
SELECT plan.body AS plan, settings.body AS settings FROM runs r
JOIN papers plan ON plan.number = r.plan JOIN papers settings ON settings.number = r.settings
WHERE r.number = ?
"""

SELECT_CHECKPOINT = "SELECT body FROM checkpoints WHERE run = ?"

SELECT_EVENTS = """
SELECT number, at_utc, on_time_s, kind, text, data FROM events
WHERE run IS (SELECT number FROM runs WHERE id = ?) AND number > ? ORDER BY number LIMIT ?
"""


def _in_units(name: str, kept: Kept) -> str:
    """Return the column of a figure in its unit."""
    share = "" if kept.parts is None else f" / {kept.parts}"
    return f"{kept.column}{share} AS {name}"


_SECONDS = ", ".join(("elapsed_s", *(_in_units(*item) for item in FIGURES_OF_A_SECOND.items())))

SELECT_SECONDS = f"""
SELECT {_SECONDS} FROM means
WHERE run = (SELECT number FROM runs WHERE id = ?) AND elapsed_s > ? ORDER BY elapsed_s LIMIT ?
"""  # noqa: S608

SELECT_CURVE = """
SELECT min(elapsed_s) AS elapsed_s, max(on_time_s) AS on_time_s,
    avg(current_a) AS current_mean_a, min(current_a) AS current_min_a,
    max(current_a) AS current_max_a, avg(voltage_v) AS voltage_mean_v,
    min(voltage_v) AS voltage_min_v, max(voltage_v) AS voltage_max_v,
    max(charge_coulombs) AS charge_coulombs, min(depth_mm) AS depth_min_mm,
    max(depth_mm) AS depth_max_mm, min(bath_degc) AS bath_min_degc,
    max(bath_degc) AS bath_max_degc
FROM (SELECT *, ntile(?) OVER (ORDER BY elapsed_s) AS part FROM samples
    WHERE run = (SELECT number FROM runs WHERE id = ?))
GROUP BY part ORDER BY part
"""

SELECT_RAWS = """
SELECT elapsed_us, elapsed_us / 1e6 AS elapsed_s, current_ua / 1e6 AS current_a,
    voltage_uv / 1e6 AS voltage_v, saturated, averaged
FROM raws
WHERE run = (SELECT number FROM runs WHERE id = ?) AND elapsed_us > ? ORDER BY elapsed_us LIMIT ?
"""
