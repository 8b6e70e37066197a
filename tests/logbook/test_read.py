"""Reading the logbook while it is written to."""

from __future__ import annotations

import random
import sqlite3
from collections.abc import Iterator
from pathlib import Path

import pytest

from controller.errors import RefusedError
from controller.logbook.logbook import Logbook
from controller.logbook.reader import LogbookReader, LogbookUnreadableError, UnknownRunError
from controller.messages import RunState
from hardware.clock import VirtualClock
from tests.kits.logbook_kit import UTC_0, ManualLogbook, began, changed, mean

S = RunState


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook worked by hand, not opened yet."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    yield manual
    manual.logbook.finish()


def many_runs(manual: ManualLogbook, count: int) -> None:
    manual.logbook.work()
    metals = ("fine-silver", "copper", "brass-70-30")
    for i in range(count):
        state = S.TRIPPED if i % 10 == 3 else S.FINISHED
        manual.write(
            began(f"r{i}", piece=f"Blütenblatt {i}", metal=metals[i % 3]),
            changed(f"r{i}", state, float(i)),
        )


def test_pages_do_not_shift(manual: ManualLogbook) -> None:
    """The list starts with the newest run. Its pages do not shift when a run is added."""
    many_runs(manual, 25)
    page = manual.reader.list_runs(10)
    assert [run.run_id for run in page.runs] == [f"r{i}" for i in range(24, 14, -1)]
    many = [run.run_id for run in page.runs]
    manual.write(began("new"))
    while page.next_before is not None:
        page = manual.reader.list_runs(10, before=page.next_before)
        many += [run.run_id for run in page.runs]
    assert many == [f"r{i}" for i in range(24, -1, -1)]
    assert manual.reader.list_runs(1).runs[0].run_id == "new"


@pytest.mark.parametrize(
    ("search", "numbers"),
    [
        ("copper", [22, 19, 16, 13, 10, 7, 4, 1]),
        ("COPPER tripped", [13]),
        ("BLÜTENBLATT 2 fine", [24, 21, 12]),
        ("%", []),
        ("_", []),
        ("bath 2", list(range(24, -1, -1))),
        ("nothing", []),
    ],
)
def test_search_finds_words(manual: ManualLogbook, search: str, numbers: list[int]) -> None:
    """A search finds words in the piece, the metal, the bath and the state."""
    many_runs(manual, 25)
    found = [int(run.run_id[1:]) for run in manual.reader.list_runs(100, search=search).runs]
    if search.startswith("BL"):
        # "2" may be in the piece's number or in the bath's name, so it narrows nothing down.
        assert found == [i for i in range(24, -1, -1) if i % 3 == 0]
    else:
        assert found == numbers


def test_samples_come_in_chunks(manual: ManualLogbook) -> None:
    """Samples come in chunks, and so do those that are written meanwhile."""
    manual.begin()
    manual.write(*(mean(i) for i in range(1200)))
    chunks = manual.reader.samples("r1", chunk_rows=500)
    assert len(next(chunks)) == 500
    manual.write(mean(1200))
    rest = list(chunks)
    assert [len(chunk) for chunk in rest] == [500, 201]
    assert rest[-1][-1].elapsed_s == 1200


def test_export_holds_no_read(manual: ManualLogbook) -> None:
    """A long export does not hold a read open.

    An open read would keep SQLite from emptying the log, and the file would grow for as long as
    a phone downloads.
    """
    manual.begin()
    manual.write(*(mean(i) for i in range(1200)))
    chunks = manual.reader.samples("r1", chunk_rows=100)
    next(chunks)
    store = manual.logbook._keeper._store
    assert store is not None
    busy, in_log, moved = store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchone()
    assert (busy, in_log, moved) == (0, 0, 0)


def test_the_curve_keeps_extremes(manual: ManualLogbook) -> None:
    manual.begin()
    generator = random.Random(4)
    rows = [
        mean(i, 3.0 + generator.gauss(0.0, 0.1), voltage_v=2.5 + generator.gauss(0.0, 0.05))
        for i in range(3600)
    ]
    rows[1234] = mean(1234, 9.75)
    rows[2345] = mean(2345, -0.5, voltage_v=7.125)
    manual.write(*rows)
    points = manual.reader.curve("r1", 1000)
    assert len(points) == 1000
    assert max(point.current_max_a for point in points) == 9.75
    assert min(point.current_min_a for point in points) == -0.5
    assert max(point.voltage_max_v for point in points) == 7.125
    # Against a plain reduction of the rows themselves.
    stored = manual.means()
    starts = [point.elapsed_s for point in points] + [3600]
    for point, first, last in zip(points, starts, starts[1:], strict=False):
        part = stored[first:last]
        assert point.current_min_a == min(row.current_a for row in part)
        assert point.current_max_a == max(row.current_a for row in part)
        assert point.current_mean_a == pytest.approx(sum(row.current_a for row in part) / len(part))
        assert (point.voltage_min_v, point.voltage_max_v) == (
            min(r.voltage_v for r in part),
            max(r.voltage_v for r in part),
        )
        assert point.charge_coulombs == part[-1].charge_coulombs
        assert (point.depth_min_mm, point.depth_max_mm) == (part[0].depth_mm, part[-1].depth_mm)
        assert point.on_time_s == part[-1].on_time_s


@pytest.mark.parametrize(
    ("rows", "points"), [(0, 10), (1, 10), (9, 10), (10, 10), (11, 10), (5, 1)]
)
def test_curve_limits_its_points(manual: ManualLogbook, rows: int, points: int) -> None:
    """A curve has no more points than were asked for."""
    manual.begin()
    manual.write(*(mean(i) for i in range(rows)))
    assert len(manual.reader.curve("r1", points)) == min(rows, points)


def test_runs_that_are_not_there(manual: ManualLogbook) -> None:
    manual.begin()
    reader = manual.reader
    questions = (
        reader.run,
        reader.events,
        reader.samples,
        reader.raw_samples,
        lambda run_id: reader.curve(run_id, 5),
    )
    for question in questions:
        for run_id in ("nobody", "", "\ud800", "r1'; DROP TABLE runs; --"):
            with pytest.raises(UnknownRunError, match="no run"):
                question(run_id)
    with pytest.raises(UnknownRunError):
        reader.list_runs(5, before="nobody")
    for bad in (0, -1):
        with pytest.raises(RefusedError, match="at least 1"):
            reader.list_runs(bad)
        with pytest.raises(RefusedError, match="at least 1"):
            reader.curve("r1", bad)


def test_reader_creates_no_file(tmp_path: Path) -> None:
    """Without a file the reader raises an error and creates none."""
    with pytest.raises(LogbookUnreadableError, match="cannot be read"):
        LogbookReader(tmp_path / "none.sqlite").list_runs()
    assert list(tmp_path.iterdir()) == []


def test_a_reader_cannot_write(manual: ManualLogbook) -> None:
    manual.begin()
    with (
        manual.reader.connected() as connection,
        pytest.raises(sqlite3.OperationalError, match="readonly"),
    ):
        connection.execute("DELETE FROM means")


def test_open_read_delays_no_write(manual: ManualLogbook) -> None:
    """An open read does not delay the writer."""
    manual.begin()
    with manual.reader.connected() as connection:
        connection.execute("BEGIN")
        connection.execute("SELECT count(*) FROM runs").fetchall()
        manual.write(changed("r1", S.FINISHED, 7.0))
    assert manual.reader.run("r1").summary.state is S.FINISHED
    assert manual.logbook.health().lost == 0


def test_the_size_counts_the_log(manual: ManualLogbook) -> None:
    manual.begin()
    files = [
        manual.path.with_name(manual.path.name + companion) for companion in ("", "-wal", "-shm")
    ]
    assert manual.reader.size_bytes() == sum(file.stat().st_size for file in files) > 0


def test_hour_of_samples_is_small(manual: ManualLogbook) -> None:
    """An hour of means takes about 140 kB. The limit here is 160 kB for the whole file."""
    manual.begin()
    generator = random.Random(5)
    for start in range(0, 3600, 10):
        manual.logbook.write(
            [
                mean(i, 3.0 + generator.gauss(0, 0.01), bath_degc=25.0 + i / 1e4)
                for i in range(start, start + 10)
            ]
        )
    manual.logbook.finish()
    assert manual.path.stat().st_size < 160_000


def test_run_ids_never_repeat(manual: ManualLogbook) -> None:
    """Run ids are short, can be sorted and are never given twice."""
    manual.logbook.work()
    first, second = manual.logbook.new_run_id(), manual.logbook.new_run_id()
    assert (first, second) == ("20310304-100000-1", "20310304-100000-2")
    manual.write(began(first), began(second))
    clock = VirtualClock(UTC_0)
    again = manual.reopened(clock)
    # The Pi's clock may stop during a power cut.
    assert again.logbook.new_run_id() == "20310304-100000-3"
    again.logbook.finish()
    unopened = Logbook(manual.path.parent / "missing" / "log.sqlite", clock)
    assert unopened.new_run_id() == f"20310304-100000-{clock.boot_id()[:6]}-1"


def test_file_not_ready_yet(tmp_path: Path) -> None:
    """A new file, or one of an older version, until the daemon has prepared it."""
    sqlite3.connect(tmp_path / "log.sqlite").close()
    with pytest.raises(LogbookUnreadableError, match="again in a few seconds"):
        LogbookReader(tmp_path / "log.sqlite").list_runs()
