"""Where the project's files are, for tests and proofs."""

from __future__ import annotations

from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
"""The checkout."""

DATA = ROOT / "tests" / "data"
"""Recorded and published data that tests read."""
