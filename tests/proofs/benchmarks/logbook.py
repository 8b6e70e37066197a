"""Row 8 and its growth: a logbook of 10,000 runs against bare SQLite and the size of the rows."""

from __future__ import annotations

import math
import random
import sqlite3
import tempfile
from collections.abc import Callable, Iterator
from contextlib import closing
from datetime import UTC, datetime, timedelta
from functools import partial
from pathlib import Path
from typing import Any

from api.main import rig_range_a
from controller.config import Settings
from controller.logbook.entries import (
    Checkpoint,
    Entry,
    Mean,
    Progress,
    RawSample,
    RawSamples,
    RunBegan,
    StateChanged,
)
from controller.logbook.logbook import Logbook
from controller.logbook.reader import LogbookReader
from controller.logbook.store import Store, open_store
from controller.messages import Event, EventKind, RunState, TripReason
from controller.planning.json_form import plan_to_json
from controller.planning.plan import make_plan
from controller.safety.checkpoint import checkpoint_to_json, moment_of
from controller.safety.run import new_run
from hardware.clock import VirtualClock
from tests.proofs.benchmarks.process import ROOT
from tests.proofs.benchmarks.table import Line, compared, grown, interleaved
from tests.proofs.benchmarks.tick import PLATE, used_s

MEAN_BYTES = 7 * 4
CHECKPOINT_BYTES = 9 * 8
"""What a second of a run says: seven numbers of four bytes, and nine of eight to resume from."""

PIECES = (
    "reed panel",
    "leaf pendant",
    "tide lines brooch",
    "moth earrings",
    "fern bangle",
    "rain disc",
    "gate hinge plate",
)
POINTS = 1000
BEGAN_UTC = datetime(2024, 1, 8, 8, 0, tzinfo=UTC)


def run_id(number: int) -> str:
    return f"run-{number:05d}"


def run_length_s(number: int) -> int:
    """Return 600 to 3,600 s; the newest of each hundred, thousand and ten thousand is longest."""
    return 3600 if number % 100 == 0 else random.Random(number).randint(600, 3600)


def entries(number: int, plan: dict[str, Any], settings: dict[str, Any]) -> Iterator[Entry]:
    """Yield a whole run as the recorder makes it, with its newest checkpoint only."""
    rng, name, length_s = random.Random(number), run_id(number), run_length_s(number)
    began_utc = BEGAN_UTC + timedelta(hours=2 * number)
    piece = f"{PIECES[number % len(PIECES)]} {number // len(PIECES)}"
    own = {**plan, "area_mm2": 700.0 + number / 10.0}
    yield RunBegan(
        run_id=name,
        piece=piece,
        metal="fine-silver",
        bath=f"bath-{number // 40}",
        started_at_utc=began_utc,
        at_s=1000.0,
        target_depth_mm=0.25,
        planned_current_a=3.0,
        plan=own,
        settings=settings,
    )
    for text in ("checking -> running. Relay on.", "running -> finished. Target depth reached."):
        yield Event(
            name,
            1000.0,
            began_utc,
            EventKind.STATE,
            text,
            0.0,
            {"charge_coulombs": 0.0, "depth_mm": 0.0},
        )
    charge_coulombs = 0.0
    for second in range(length_s):
        current_a = 3.0 + 0.002 * rng.random()
        charge_coulombs += current_a
        depth_mm = 0.25 * second / length_s
        yield Mean(
            run_id=name,
            elapsed_s=second,
            on_time_s=second + 0.96,
            current_a=current_a,
            voltage_v=2.9 + 0.01 * rng.random(),
            charge_coulombs=charge_coulombs,
            depth_mm=depth_mm,
            bath_degc=21.0 + second / 900,
        )
    last = Progress(
        at_s=1000.0 + length_s,
        elapsed_s=length_s,
        on_time_s=length_s,
        charge_coulombs=charge_coulombs,
        current_a=3.0,
        depth_mm=0.25,
        depth_low_mm=0.22,
        depth_high_mm=0.28,
    )
    is_tripped = number % 20 == 0
    if is_tripped:
        raws = (
            RawSample(length_s - 35.0 + 0.0686 * k, 3.0, 2.9, saturated=False, averaged=True)
            for k in range(510)
        )
        yield RawSamples(name, tuple(raws))
    state, reason = (
        (RunState.STOPPED, TripReason.OVER_VOLTAGE) if is_tripped else (RunState.FINISHED, None)
    )
    yield StateChanged(
        name, state, began_utc + timedelta(seconds=length_s), last, reason, "It is over."
    )


def _fast_directory() -> str | None:
    return "/dev/shm" if Path("/dev/shm").is_dir() else None


def _timed_ms(work: Callable[[], object], times: int) -> float:
    """Return processor time in ms: the file lies in memory, nothing is waited for."""
    began_s = used_s()
    for _ in range(times):
        work()
    return (used_s() - began_s) / times * 1e3


class _Questions:
    """Queries of the logbook and of bare SQLite, each with its own connection."""

    def __init__(self, path: Path, newest: int) -> None:
        self._path = path
        self._newest = newest
        self._reader = LogbookReader(path)

    def list_runs(self) -> object:
        return self._reader.list_runs(50)

    def search(self) -> object:
        """A word that no run has: every one is looked at."""
        return self._reader.list_runs(50, search="nowhere")

    def curve(self) -> object:
        return self._reader.curve(run_id(self._newest), POINTS)

    def bare_list(self) -> object:
        return self._bare(
            "SELECT * FROM runs JOIN progress ON run = number ORDER BY number DESC LIMIT 51"
        )

    def bare_search(self) -> object:
        return self._bare("SELECT * FROM runs WHERE search_text LIKE '%nowhere%'")

    def bare_curve(self) -> object:
        return self._bare("SELECT * FROM means WHERE run = ?", self._newest)

    def _bare(self, query: str, *values: object) -> object:
        with closing(sqlite3.connect(self._path)) as connection:
            return connection.execute(query, values).fetchall()


QUESTIONS = (
    ("list, newest 50", "list_runs", "bare_list", "bare SQLite, the same rows", 0.3),
    ("search, nothing found", "search", "bare_search", "bare SQLite, LIKE over one column", 1.1),
    (f"curve of an hour to {POINTS:,} points", "curve", "bare_curve", "bare SQLite, its rows", 0.3),
)
"""What, ours, the baseline's, its name, and the largest exponent over the number of runs."""


def logbook(quick: bool) -> list[Line]:
    sizes = (100, 300, 1000) if quick else (100, 1000, 10000)
    repetitions = 5 if quick else 15
    lines: list[Line] = []
    with tempfile.TemporaryDirectory(dir=_fast_directory()) as name:
        path = Path(name) / "book.sqlite"
        store = open_store(path, "bench", lambda: False, should_check=False, busy_timeout_s=1.0)
        costs: dict[str, list[list[float]]] = {
            what: [[] for _ in range(repetitions)] for what, *_ in QUESTIONS
        }
        written = 0
        for size in sizes:
            _write_runs(store, written + 1, size)
            written = size
            asked = _Questions(path, size)
            for what, ours, baseline, named, _ in QUESTIONS:
                times = 3 if what.startswith("search") else 10
                mine, theirs = getattr(asked, ours), getattr(asked, baseline)
                mine(), theirs()
                pairs = interleaved(
                    lambda mine=mine, times=times: _timed_ms(mine, times),  # type: ignore[misc]
                    partial(_timed_ms, theirs, times),
                    repetitions,
                )
                for index, (mine_ms, _) in enumerate(pairs):
                    costs[what][index].append(mine_ms)
                if size == sizes[-1]:
                    lines.append(
                        compared(8, f"{what}, {size:,} runs", pairs, "processor ms", named)
                    )
        store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)")
        store.close()
        hours = sum(run_length_s(number) for number in range(1, written + 1)) / 3600.0
        size_kb = path.stat().st_size / hours / 1e3
    lines.append(
        compared(
            8,
            f"file a run hour, {hours:,.0f} hours",
            [(size_kb, MEAN_BYTES * 3.6)],
            "kB",
            "28 bytes a second",
        )
    )
    lines += _written(600 if quick else 3600)
    lines += [
        grown(f"row 8: {what}, runs", sizes, costs[what], "processor ms", most)
        for what, *_, most in QUESTIONS
    ]
    return lines


def _write_runs(store: Store, first: int, last: int) -> None:
    settings = Settings()
    plan = plan_to_json(make_plan(PLATE, settings, rig_range_a(settings)))
    stored = settings.model_dump(mode="json")
    for number in range(first, last + 1):
        notes = store.write(entries(number, plan, stored))
        assert notes == [], notes


def _written(seconds: int) -> list[Line]:
    """Write a run second by second, as the daemon does, to the project's disk.

    Source: proc(5), io.
    """
    clock, per_hour = VirtualClock(BEGAN_UTC), 3600.0 / seconds
    (ROOT / "out").mkdir(exist_ok=True)
    with tempfile.TemporaryDirectory(dir=ROOT / "out") as name:
        book = Logbook(Path(name) / "book.sqlite", clock)
        book.put(
            RunBegan(
                run_id="r",
                piece="reed panel",
                metal="fine-silver",
                bath=None,
                started_at_utc=BEGAN_UTC,
                at_s=0.0,
                target_depth_mm=0.25,
                planned_current_a=3.0,
                plan={},
                settings={},
            )
        )
        settings = Settings()
        plan = make_plan(PLATE, settings, rig_range_a(settings))
        run = new_run("r", plan, settings.limits)
        book.work()
        before = _own_writes()
        for second in range(seconds):
            wave_a = 3.0 + 0.001 * math.sin(second)
            book.put(
                Mean(
                    run_id="r",
                    elapsed_s=second,
                    on_time_s=second + 0.96,
                    current_a=wave_a,
                    voltage_v=2.9,
                    charge_coulombs=3.0 * second,
                    depth_mm=second / 14400.0,
                    bath_degc=21.0,
                )
            )
            at_s = clock.monotonic_s()
            run.on_time_s = float(second)
            run.counter.charge_coulombs = 3.0 * second + 0.001 * wave_a
            progress = Progress(
                at_s=at_s,
                elapsed_s=second,
                on_time_s=second,
                charge_coulombs=3.0 * second,
                current_a=wave_a,
                depth_mm=second / 14400.0,
                depth_low_mm=0.2,
                depth_high_mm=0.3,
            )
            kept = checkpoint_to_json(run.checkpoint(at_s), moment_of(clock))
            book.put(Checkpoint("r", progress, kept))
            book.work()
            clock.advance(1.0)
        after = _own_writes()
        book.finish()
    own_mb = (MEAN_BYTES + CHECKPOINT_BYTES) * 3600 / 1e6
    named = "28 and 72 bytes a second"
    written_mb = [
        ((after[kind] - before[kind]) * per_hour / 1e6, own_mb) for kind in ("wchar", "write_bytes")
    ]
    return [
        compared(8, "written a run hour", written_mb[:1], "MB", named),
        compared(8, "the same in blocks of the file system", written_mb[1:], "MB", named),
    ]


def _own_writes() -> dict[str, int]:
    lines = Path("/proc/self/io").read_text(encoding="ascii").splitlines()
    return {name: int(value) for name, value in (line.split(": ") for line in lines)}
