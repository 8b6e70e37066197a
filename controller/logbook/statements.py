"""What the store says to SQLite."""

from __future__ import annotations

INSERT_RUN = """
INSERT INTO runs (id, piece, metal, bath, started_at_utc, target_depth_mm, planned_current_a, plan, settings, search_text)
VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING
"""

INSERT_PROGRESS = """
INSERT INTO progress (run, state, boot, at_s, elapsed_s, on_time_s, charge_coulombs, uncertain_charge_coulombs)
VALUES (?, 'checking', ?, ?, 0.0, 0.0, 0.0, 0.0) ON CONFLICT (run) DO NOTHING
"""

UPDATE_PROGRESS = """
UPDATE progress SET boot = ?, at_s = ?, elapsed_s = ?, on_time_s = ?, charge_coulombs = ?, uncertain_charge_coulombs = ?,
    current_a = ?, depth_mm = ?, depth_low_mm = ?, depth_high_mm = ?
WHERE run = ?
"""

UPDATE_STATE = """
UPDATE progress SET state = ?, reason = ?, message = ?, ended_at_utc = CASE WHEN ? THEN coalesce(ended_at_utc, ?) END
WHERE run = ?
"""

KEEP_CHECKPOINT = "INSERT INTO checkpoints (run, body) VALUES (?, ?)"

DROP_CHECKPOINT = "DELETE FROM checkpoints WHERE run = ?"

INSERT_EVENT = """
INSERT INTO events (run, boot, at_s, at_utc, on_time_s, kind, text, data) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""

INSERT_MEAN = """
INSERT OR REPLACE INTO means
    (run, elapsed_s, on_time_ms, current_ua, voltage_uv, charge_mc, depth_nm, bath_mdegc)
VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""

INSERT_BATH = """
INSERT INTO baths (name, metal, acid, volume_l, made_up_on, note, is_retired, saved_at_utc) VALUES (?, ?, ?, ?, ?, ?, ?, ?)
"""

INSERT_READING = """
INSERT INTO readings (id, run, kind, at_utc, replaces, body) VALUES (?, ?, ?, ?, ?, ?) ON CONFLICT (id) DO NOTHING
"""

INSERT_RAW = """
INSERT OR REPLACE INTO raws (run, elapsed_us, current_ua, voltage_uv, saturated, averaged) VALUES (?, ?, ?, ?, ?, ?)
"""
