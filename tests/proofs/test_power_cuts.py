"""Power cuts of a recorded daemon (tests/proofs/power_cuts): a slice of those that are made by
hand.
"""

from __future__ import annotations

import random
from pathlib import Path

import pytest

from tests.paths import DATA
from tests.proofs.power_cuts.cutting import DiskFile, check, cuts_of, places_in
from tests.proofs.power_cuts.recording import Call, load, parsed

TRACE = DATA / "power_cut_trace.gz"
"""What a daemon wrote and sent in 40 s of a run, recorded by ``python -m tests.proofs.power_cuts
--record``.
"""


def test_sixty_cuts(tmp_path: Path) -> None:
    """The logbook opens, and no more is missing than stated."""
    calls, generator = load(TRACE), random.Random(60)
    cuts = list(cuts_of(calls, places_in(calls, 60, generator), generator, tmp_path))
    for cut in cuts:
        check(cut)
    assert len(cuts) == 60
    assert sum(cut.shown_state == "running" for cut in cuts) > 20
    assert max(cut.kept_coulombs for cut in cuts) > 60.0


def test_disk_that_forgets(tmp_path: Path) -> None:
    """Without fsyncs charge goes missing: the cuts are not blind."""
    calls = [call for place, call in enumerate(load(TRACE)) if call.kind != "sync" or place < 100]
    places = [
        place
        for place, call in enumerate(calls)
        if call.told is not None and call.told[0] == "running"
    ][-20:]
    cuts = list(cuts_of(calls, places, random.Random(1), tmp_path))
    assert (
        max(cut.shown_coulombs - cut.kept_coulombs - cut.uncertain_coulombs for cut in cuts) > 30.0
    )
    with pytest.raises(AssertionError, match=r"stated|came back as"):
        check(cuts[-1])


def test_torn_writes() -> None:
    """What was synced stays; what came later may be torn."""
    file = DiskFile()
    file.take(Call("write", "f", 0, b"a" * 1024))
    file.take(Call("sync", "f"))
    file.take(Call("write", "f", 0, b"b" * 1024))
    images = {file.after_cut(random.Random(seed)) for seed in range(600)}
    assert {b"a" * 1024, b"b" * 1024, b"a" * 512 + b"b" * 512, b"b" * 512 + b"a" * 512} == images
    file.take(Call("unlink", "f"))
    assert file.after_cut(random.Random(1)) is None


def test_parsed_trace() -> None:
    """A write counts from its beginning, an fsync from its end."""
    path = "".join(f"\\x{byte:02x}" for byte in b"/tmp/s/biteclock.sqlite-wal")
    lines = [
        f'7 pwrite64(5<{path}>, "\\x61\\x62", 2, 4096 <unfinished ...>',
        f"8 fdatasync(5<{path}> <unfinished ...>",
        "7 <... pwrite64 resumed>) = 2",
        "8 <... fdatasync resumed>) = 0",
        f"7 ftruncate(5<{path}>, 0) = 0",
        '7 pwrite64(6<\\x2f\\x78>, "\\x61", 1, 0) = 1',
    ]
    wal = "biteclock.sqlite-wal"
    assert list(parsed(lines)) == [
        Call("write", wal, 4096, b"ab"),
        Call("sync", wal),
        Call("truncate", wal, 0),
    ]
