"""Every declared figure is stored, and comes back by the name of its column."""

from __future__ import annotations

import sqlite3
from collections.abc import Iterator
from contextlib import closing
from dataclasses import fields
from pathlib import Path
from typing import Any

import pytest

from controller.figures import FIGURES, FIGURES_OF_A_SECOND, Figures, MeanSample
from controller.logbook import bath_reader as bath_reader_module
from controller.logbook import reader as reader_module
from controller.logbook import schema as schema
from controller.logbook import stored_readings as stored_readings_module
from controller.logbook.bath_reader import BathReader
from controller.logbook.entries import (
    BathSaved,
    Checkpoint,
    Mean,
    Progress,
    ReadingKind,
    ReadingTaken,
)
from controller.logbook.keeper import _began_again
from controller.logbook.statements import PROGRESS
from controller.logbook.values import rows_of
from controller.messages import Sample, Snapshot
from controller.recording.recorder import RunRecorder
from controller.running.snapshot import take_snapshot
from tests.kits.doubles import PLACES, make_bench, silver_request
from tests.kits.logbook_kit import UTC_0, ManualLogbook, began, note, raws

DISTINCT = {name: 10.5 + index for index, name in enumerate(PROGRESS)}
"""A different value for each column of the progress."""

OF_A_SECOND = {name: 20.125 + index for index, name in enumerate(FIGURES_OF_A_SECOND)}
"""A different value for each figure of a second."""


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    manual.write(
        Checkpoint("r1", Progress(**DISTINCT)),
        Mean(run_id="r1", elapsed_s=7, **OF_A_SECOND),
        raws(3),
        note("clip looks good", data={"depth_mm": 0.1}),
        ReadingTaken("d1", "r1", ReadingKind.GAUGE, UTC_0, None, {"spots_mm": [0.1]}),
        BathSaved("bath 2", "fine-silver", "nitric acid", 1.0, None, "", False, UTC_0),
    )
    yield manual
    manual.logbook.finish()


def columns_of(connection: sqlite3.Connection, table: str) -> list[str]:
    return [row[1] for row in connection.execute(f"PRAGMA table_info({table})")]


def names(kind: Any) -> set[str]:
    return {found.name for found in fields(kind)}


def everything(manual: ManualLogbook) -> tuple[Any, ...]:
    """Return what the reader finds in the file."""
    reader = manual.reader
    return (
        reader.run("r1"), reader.list_runs(), manual.means(), reader.curve("r1", 1),
        list(reader.raw_samples("r1")), reader.events("r1"),
    )  # fmt: skip


def reverse_columns(path: Path) -> None:
    """Rewrite every table, with its rows, with its columns in the opposite order."""
    with closing(sqlite3.connect(path, isolation_level=None)) as connection:
        connection.execute("PRAGMA foreign_keys = OFF")
        connection.execute("PRAGMA legacy_alter_table = ON")
        for table in ("runs", "progress", "means", "raws", "events", "papers", "boots"):
            was = columns_of(connection, table)
            connection.execute(f"ALTER TABLE {table} RENAME TO old_{table}")
            connection.execute(
                f"CREATE TABLE {table} AS SELECT {', '.join(reversed(was))} FROM old_{table}"
            )
            connection.execute(f"DROP TABLE old_{table}")
            assert columns_of(connection, table) == list(reversed(was))


def test_figures_have_columns(manual: ManualLogbook) -> None:
    """A figure without a column would be lost when the run is written."""
    with closing(sqlite3.connect(manual.path)) as connection:
        progress = columns_of(connection, "progress")
        means, view = columns_of(connection, "means"), columns_of(connection, "samples")
    assert set(PROGRESS) <= set(progress)
    assert set(FIGURES) < set(PROGRESS)
    assert {about.column for about in FIGURES_OF_A_SECOND.values()} == set(means[2:])
    assert set(FIGURES_OF_A_SECOND) == set(view[2:])


def test_figures_are_declared_once() -> None:
    """Each class with the figures takes all of them from the declaration."""
    for kind in (Snapshot, Progress):
        assert names(Figures) < names(kind)
    assert names(Mean) == names(MeanSample) | {"run_id"}


def test_figures_come_back(manual: ManualLogbook) -> None:
    """No two have the same value, so two that are swapped are seen."""
    assert manual.reader.run("r1").summary.progress == Progress(**DISTINCT)
    assert manual.means() == [MeanSample(elapsed_s=7, **OF_A_SECOND)]


def test_the_file_names_figures(manual: ManualLogbook) -> None:
    """In the file itself, each value is in the column of its name."""
    for name, value in DISTINCT.items():
        assert manual.ask(f"SELECT {name} FROM progress") == value
    for name, value in OF_A_SECOND.items():
        assert manual.ask(f"SELECT {name} FROM samples") == value


def test_columns_in_another_order(manual: ManualLogbook) -> None:
    """Rows are read by name: the order of the columns in the file does not matter."""
    before = everything(manual)
    manual.logbook.finish()
    reverse_columns(manual.path)
    assert everything(manual) == before


def test_rows_without_positions(manual: ManualLogbook, monkeypatch: pytest.MonkeyPatch) -> None:
    """Rows in the opposite order that have only names are read as well."""

    def turned(*asked: Any) -> list[dict[str, Any]]:
        return [dict(reversed(dict(row).items())) for row in rows_of(*asked)]

    before, baths = everything(manual), BathReader(manual.reader)
    in_bath = (baths.history("bath 2"), baths.carried("bath 2"), baths.baths())
    for module in (reader_module, bath_reader_module, stored_readings_module):
        monkeypatch.setattr(module, "rows_of", turned)
    assert everything(manual) == before
    assert (baths.history("bath 2"), baths.carried("bath 2"), baths.baths()) == in_bath


def test_snapshot_has_all_figures() -> None:
    """Each figure of a run under way is in its snapshot, with the value that the run gives."""
    bench = make_bench()
    bench.running(silver_request(places=PLACES), for_s=20.0)
    run = bench.supervisor.run
    assert run is not None
    shown = take_snapshot(bench.supervisor, bench.gate, bench.clock, 0, None)
    totals = run.totals(bench.clock.monotonic_s())
    for name in FIGURES:
        assert getattr(shown, name) is not None, name
        if name != "current_a":
            assert getattr(shown, name) == getattr(totals, name), name
    assert shown.current_a == bench.supervisor.last_sample.current_a  # type: ignore[union-attr]


def test_idle_snapshot_has_none() -> None:
    """Without a run the figures are None, never 0. Only the current is measured."""
    bench = make_bench()
    shown = take_snapshot(bench.supervisor, bench.gate, bench.clock, 0, None)
    assert {getattr(shown, name) for name in FIGURES if name != "current_a"} == {None}


def test_recorder_keeps_all_figures() -> None:
    """A sample sets every figure of the progress. The current is that of the sample."""
    recorder = RunRecorder()
    recorder.began(began())
    recorder.state(_running())
    totals = Figures(**{name: DISTINCT[name] for name in FIGURES})
    (kept,) = recorder.sample(Sample(1001.0, 3.5, 2.0), totals, None)
    assert isinstance(kept, Checkpoint)
    for name in FIGURES:
        assert getattr(kept.progress, name) == (3.5 if name == "current_a" else DISTINCT[name])


def _running() -> Snapshot:
    bench = make_bench()
    bench.running(silver_request())
    return take_snapshot(bench.supervisor, bench.gate, bench.clock, 0, None)


def test_run_begins_again_whole(manual: ManualLogbook) -> None:
    """A run that moves to a new file has everything that it began with."""
    assert _began_again(manual.reader.run("r1"), 1000.0) == began()


def test_added_figure_is_stored(manual: ManualLogbook) -> None:
    """The migration for a new figure adds its columns and leaves the runs unchanged."""
    manual.logbook.finish()
    script = schema.add_figure("energy_j", of_a_second=("energy_j",))
    with closing(schema.connect(manual.path, 0.0)) as connection:
        version = schema.identify(connection, manual.path)
        schema.migrate(connection, version, (*schema.MIGRATIONS, script))
        row = connection.execute(
            "SELECT p.energy_j, s.energy_j, s.voltage_v FROM progress p JOIN samples s USING (run)"
        )
        assert row.fetchall() == [(None, None, OF_A_SECOND["voltage_v"])]
