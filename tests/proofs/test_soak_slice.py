"""A slice of the soak (tests/proofs/soak.py) in a separate process: nothing grows with the runs
but the logbook.
"""

from __future__ import annotations

import json
import subprocess
import sys
from itertools import groupby
from pathlib import Path

from tests.paths import ROOT
from tests.proofs.soak import Size, growth

SLICE = """
import json, sys
from dataclasses import asdict
from pathlib import Path
from tests.proofs.soak import soaked
print(json.dumps([asdict(size) for size in soaked(Path(sys.argv[1]), 0.5, 20, samples=10)]))
"""


def test_twenty_runs(tmp_path: Path) -> None:
    """They leave nothing but their records."""
    command = [sys.executable, "-W", "error", "-c", SLICE, str(tmp_path / "state")]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    sizes = [Size(**size) for size in json.loads(done.stdout)]
    first, last = sizes[1], sizes[-1]
    assert last.runs - first.runs >= 10
    assert last.threads <= first.threads + 2, "the pool of the server may still be filling"
    filling = max(0, last.threads - first.threads)
    assert last.files <= first.files + 8 + 4 * filling, (
        "a thread of the pool opened another connection to the logbook"
    )
    # A day of 500 runs adds 55 objects (by hand). When the pool fills some thousand come at once:
    # between such steps is looked.
    steady = max((list(part) for _, part in groupby(sizes, lambda size: size.threads)), key=len)
    runs = steady[-1].runs - steady[0].runs
    assert runs >= 6
    assert (steady[-1].objects - steady[0].objects) / runs < 60, "objects a run"
    assert last.memory_kb - first.memory_kb < 8000
    assert last.book_kb - first.book_kb < 200 * (last.runs - first.runs)


def test_growth_of_second_half() -> None:
    """Growth is given for all and for the second half."""
    sizes = [
        Size(at_h, runs, memory_kb, 10, 3, 4, 5.0)
        for at_h, runs, memory_kb in ((1.0, 0, 0), (2.0, 10, 800), (3.0, 20, 820))
    ]
    assert growth(sizes).startswith(
        "from 1.0 h to 3.0 h: memory +410.0 kB/h, after run 10 +2.00 kB a run, objects +0, "
    )
