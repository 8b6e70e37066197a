"""A slice of the soak (tests/soak.py): nothing grows with the runs but the logbook."""

from __future__ import annotations

from itertools import pairwise
from pathlib import Path
from statistics import median

from tests.soak import soaked


def test_ten_runs_leave_nothing_behind_but_their_records(tmp_path: Path) -> None:
    sizes = soaked(tmp_path / "state", 0.25, 10, samples=5)
    first, last = sizes[1], sizes[-1]
    assert last.runs - first.runs >= 5
    assert last.threads <= first.threads + 2, "the pool of the server may still be filling"
    filling = max(0, last.threads - first.threads)
    assert last.files <= first.files + 4 + 4 * filling, "a thread of the pool has a connection to the logbook of its own"
    # A day of 500 runs adds 845 (by hand). The median leaves out the one step in which the pool fills.
    assert median(after.objects - before.objects for before, after in pairwise(sizes)) < 120, "objects in two runs"
    assert last.memory_kb - first.memory_kb < 8000
    assert last.book_kb - first.book_kb < 200 * (last.runs - first.runs)
