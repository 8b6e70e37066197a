"""Power cuts: record what the daemon writes, and rebuild the disk as a cut may leave it.

``python -m tests.proofs.power_cuts --cuts 500`` records a daemon (with strace) and cuts it;
``--trace FILE`` cuts an earlier recording, ``--record FILE`` keeps the new one.

The disk that is assumed: what was written before a file's last completed fsync is there. Of what
came after it any part may be there and any part missing, whichever was written first: whole writes,
or single sectors of them, with zeros where a file grew over what is missing. A file that was never
synced may be missing. A directory entry that was made before a file's fsync is there.
"""

from __future__ import annotations

import argparse
import random
import shutil
import sys
import tempfile
from collections.abc import Sequence
from pathlib import Path

from tests.proofs.power_cuts.cutting import Cut, check, cuts_of, places_in
from tests.proofs.power_cuts.recording import Call, load, recorded, save


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cuts", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trace", type=Path)
    parser.add_argument("--record", type=Path)
    arguments = parser.parse_args()
    generator = random.Random(arguments.seed)
    with tempfile.TemporaryDirectory() as place:
        if arguments.trace is None and shutil.which("strace") is None:
            parser.error("strace is missing: sudo apt-get install -y strace, or give --trace FILE")
        calls = load(arguments.trace) if arguments.trace is not None else recorded(Path(place))
        if arguments.record is not None:
            save(calls, arguments.record)
        images = Path(place) / "images"
        images.mkdir()
        cuts = list(cuts_of(calls, places_in(calls, arguments.cuts, generator), generator, images))
    sys.stdout.write(report(calls, cuts) + "\n")
    for cut in cuts:
        check(cut)


def report(calls: Sequence[Call], cuts: Sequence[Cut]) -> str:
    """Return the figures in lines."""
    kinds: dict[str, int] = {}
    for call in calls:
        kinds[call.kind] = kinds.get(call.kind, 0) + 1
    running = sorted(cut.lost_s for cut in cuts if cut.shown_state == "running")
    lines = [
        f"recorded: {', '.join(f'{count} {kind}' for kind, count in sorted(kinds.items()))}",
        f"cuts: {len(cuts)}",
    ]
    lines.append(f"did not open or not sound: {sum(cut.trouble is not None for cut in cuts)}")
    if running:
        shares = ", ".join(
            f"p{p} {running[min(len(running) - 1, len(running) * p // 100)]:.2f} s"
            for p in (50, 90, 99)
        )
        lines.append(
            f"in mid-run: {len(running)}, shown and lost: {shares}, most {running[-1]:.2f} s "
            f"(stated: 2 s)"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    main()
