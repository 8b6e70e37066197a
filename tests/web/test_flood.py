"""Hundreds of clients that send little or too much.

Streams are bounded, Stop is always taken, and memory stays bounded.
"""

from __future__ import annotations

from pathlib import Path

from api.http.live import STREAMS as MOST
from tests.proofs.flood import STOPS, STREAMS, flooded


def test_stop_and_loop_survive_flood(tmp_path: Path) -> None:
    """The times under the flood are measured by hand: a busy machine is slow for other reasons."""
    seen = flooded(tmp_path / "state")
    assert len(seen.stop_s) == STOPS
    assert seen.streams == MOST.guests
    assert seen.refused == STREAMS - MOST.guests
    assert len(seen.late_s) > 10, "the loop went on"
    assert seen.grown_kb < 100_000
