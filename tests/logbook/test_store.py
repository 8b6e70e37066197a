"""What goes into the file comes out again. What cannot be stored is counted."""

from __future__ import annotations

import math
import stat
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from controller.logbook import schema as schema
from controller.logbook.entries import Entry, Progress
from controller.messages import RunState, TripReason
from controller.recording.journal import Journal
from controller.recording.recorder import RunRecorder
from controller.running.snapshot import take_snapshot
from hardware.clock import VirtualClock
from tests.kits.doubles import make_bench, silver_request
from tests.kits.logbook_kit import (
    UTC_0,
    ManualLogbook,
    began,
    changed,
    checkpoint,
    mean,
    note,
    raws,
)

S = RunState


@pytest.fixture
def manual(tmp_path: Path) -> Iterator[ManualLogbook]:
    """A logbook worked by hand, not opened yet."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    yield manual
    manual.logbook.finish()


# --- what goes in comes out -----------------------------------------------------------------------


def test_run_comes_back_unchanged(manual: ManualLogbook) -> None:
    manual.write(
        began(),
        changed("r1", S.RUNNING),
        note("resist looks good", data={"depth_mm": 0.1}),
        *(mean(i, 3.0 + i / 1000.0) for i in range(25)),
        raws(20),
        changed(
            "r1",
            S.TRIPPED,
            75.0,
            TripReason.OVER_TIME,
            depth_mm=0.01,
            depth_low_mm=0.009,
            depth_high_mm=0.012,
            current_a=2.9,
        ),
    )
    record = manual.reader.run("r1")
    summary = record.summary
    assert (record.plan, record.settings) == ({"area_mm2": 767.0}, {"poll_s": 0.02})
    assert (summary.piece, summary.metal, summary.bath) == ("leaf pendant", "fine-silver", "bath 2")
    assert (summary.started_at_utc, summary.ended_at_utc) == ("2031-03-04T10:00:00.000Z",) * 2
    assert (summary.state, summary.reason) == (S.TRIPPED, TripReason.OVER_TIME)
    assert summary.boot_id == manual.clock.boot_id()
    assert summary.progress == Progress(
        at_s=1000.0, elapsed_s=25.0, on_time_s=25.0, charge_coulombs=75.0, current_a=2.9,
        depth_mm=0.01, depth_low_mm=0.009, depth_high_mm=0.012,
    )  # fmt: skip
    (event,) = manual.reader.events("r1")
    assert (event.text, event.kind, event.data) == ("resist looks good", "note", {"depth_mm": 0.1})
    rows = manual.means()
    assert [row.elapsed_s for row in rows] == list(range(25))
    # Kept to 1 uA, 1 uV, 1 mC, 1 nm, 1 ms and 0.001 degC: finer than any meter of a studio.
    for i, row in enumerate(rows):
        expected = mean(i, 3.0 + i / 1000.0)
        assert row.current_a == pytest.approx(expected.current_a, abs=0.51e-6)
        assert row.voltage_v == pytest.approx(expected.voltage_v, abs=0.51e-6)
        assert row.charge_coulombs == pytest.approx(expected.charge_coulombs, abs=0.51e-3)
        assert row.depth_mm == pytest.approx(expected.depth_mm, abs=0.51e-6)
        assert row.on_time_s == pytest.approx(expected.on_time_s, abs=0.51e-3)
        assert row.bath_degc == pytest.approx(25.1, abs=0.51e-3)
    (raw,) = manual.reader.raw_samples("r1")
    assert [r.elapsed_s for r in raw] == pytest.approx([0.0686 * i for i in range(20)], abs=1e-6)
    assert [r.saturated for r in raw] == [i % 7 == 0 for i in range(20)]


def test_store_remembers_one_number(manual: ManualLogbook) -> None:
    """The store remembers the number of one run alone."""
    for k in range(5):
        manual.begin(f"r{k}")
    store = manual.logbook._keeper._store
    assert store is not None
    assert store._rows._last_asked == ("r4", 5)
    manual.write(checkpoint("r1", 20.0), checkpoint("r4", 40.0), checkpoint("r1", 21.0))
    assert [manual.reader.run(run).summary.progress.charge_coulombs for run in ("r1", "r4")] == [
        21.0,
        40.0,
    ]


def test_record_agrees_with_run(manual: ManualLogbook) -> None:
    """A whole run of the supervisor agrees with its record."""
    bench = make_bench()
    journal = Journal(RunRecorder(), manual.logbook, bench.clock, bench.settings)
    bench.start(silver_request(piece="fern brooch"))

    def publish() -> None:
        snapshot = take_snapshot(bench.supervisor, bench.gate, bench.clock, 0, None)
        journal.follow(snapshot, bench.supervisor.take_outbox())

    while bench.supervisor.state is not S.FINISHED:
        bench.tick()
        publish()
        manual.clock.advance(0.02)
        manual.logbook.work()
    bench.run_for(2.0)
    publish()
    manual.write()
    run = bench.supervisor.run
    assert run is not None
    record = manual.reader.run("r1")
    assert (record.summary.piece, record.summary.metal, record.summary.state) == (
        "fern brooch",
        "fine-silver",
        S.FINISHED,
    )
    assert record.settings["limits"]["max_voltage_v"] == bench.settings.limits.max_voltage_v
    assert record.summary.progress.charge_coulombs == run.counter.charge_coulombs
    assert record.summary.progress.depth_mm == run.depth(bench.clock.monotonic_s()).best_mm
    assert record.summary.progress.on_time_s == pytest.approx(run.on_time_s)
    means = manual.means()
    assert [row.elapsed_s for row in means] == list(
        range(means[0].elapsed_s, means[-1].elapsed_s + 1)
    )
    # Charge by the stored means alone, second by second: the first and last second are not full.
    assert sum(row.current_a for row in means[1:-1]) == pytest.approx(
        run.counter.charge_coulombs, abs=2 * 3.0
    )
    assert manual.logbook.health().lost == 0


def test_absence_stays_absent(manual: ManualLogbook) -> None:
    manual.write(began(bath=None, target_depth_mm=None), mean(0, depth_mm=None, bath_degc=None))
    summary = manual.reader.run("r1").summary
    assert (summary.bath, summary.target_depth_mm, summary.ended_at_utc, summary.reason) == (
        None,
    ) * 4
    assert (summary.progress.current_a, summary.progress.depth_mm) == (None, None)
    assert (manual.means()[0].depth_mm, manual.means()[0].bath_degc) == (None, None)


def test_end_is_dated_once(manual: ManualLogbook) -> None:
    """The end is dated once, and the date goes when the run goes on."""
    manual.begin()
    manual.write(changed("r1", S.TRIPPED, 30.0))
    later = replace(changed("r1", S.TRIPPED, 30.0), at_utc=UTC_0.replace(hour=12))
    manual.write(later)
    assert manual.reader.run("r1").summary.ended_at_utc == "2031-03-04T10:00:00.000Z"
    manual.write(changed("r1", S.PAUSED, 30.0))
    assert manual.reader.run("r1").summary.ended_at_utc is None


def test_rewritten_second_replaces_first(manual: ManualLogbook) -> None:
    """A second that is written again replaces the first one."""
    manual.begin()
    manual.write(mean(4, 1.0))
    manual.write(mean(4, 2.0))
    assert [row.current_a for row in manual.means()] == [2.0]


def test_times_carry_their_boot(manual: ManualLogbook) -> None:
    """Monotonic times are stored only together with the id of their boot."""
    manual.begin()
    manual.write(note())
    other = manual.reopened(VirtualClock(UTC_0))
    other.write(note("after the restart"))
    query = (
        "SELECT group_concat(boot_id) FROM (SELECT b.boot_id FROM events e "
        "JOIN boots b ON b.number = e.boot ORDER BY e.number)"
    )
    # The middle one is the recovery's own event.
    assert other.ask(query).split(",") == [
        manual.clock.boot_id(),
        other.clock.boot_id(),
        other.clock.boot_id(),
    ]
    other.logbook.finish()


def test_file_is_private_and_durable(manual: ManualLogbook) -> None:
    """The file is for its owner alone, durable and marked with its application id."""
    manual.begin()
    for companion in ("", "-wal", "-shm"):
        mode = stat.S_IMODE(manual.path.with_name(manual.path.name + companion).stat().st_mode)
        assert mode == 0o600, companion
    store = manual.logbook._keeper._store
    assert store is not None
    pragmas = {
        name: store.connection.execute(f"PRAGMA {name}").fetchone()[0]
        for name in ("journal_mode", "synchronous", "foreign_keys")
    }
    # https://sqlite.org/pragma.html#pragma_synchronous: FULL is 2.
    assert pragmas == {"journal_mode": "wal", "synchronous": 2, "foreign_keys": 1}
    assert manual.ask("PRAGMA application_id") == schema.APPLICATION_ID
    assert manual.ask("PRAGMA user_version") == len(schema.MIGRATIONS)


def test_equal_plans_are_stored_once(manual: ManualLogbook) -> None:
    """Equal plans and settings are stored once."""
    for i in range(20):
        manual.put(began(f"r{i}", plan={"number": i % 2}))
    manual.write()
    assert manual.ask("SELECT count(*) FROM papers") == 3


# --- entries that can never be kept ---------------------------------------------------------------


@pytest.mark.parametrize(
    "bad",
    [
        mean(1, math.nan),
        mean(1, math.inf),
        mean(1, charge_coulombs=-math.inf),
        mean(1, current_a=1e30),
        mean(1, run_id="nobody"),
        mean(1, depth_mm=math.nan),
        raws(1, run_id="nobody"),
        note(at_s=math.nan),
        note(data={"current_a": math.nan}),
        note(data={"what": 1j}),
        note(at_utc=UTC_0.replace(tzinfo=None)),
        note(run_id="nobody"),
        note(text=None),
        checkpoint("r1", math.nan),
        checkpoint("r1", 5.0, depth_low_mm=math.inf),
        began("r2", planned_current_a=math.nan),
        began("r2", piece=None),
        began("r2", plan={"x": math.nan}),
    ],
    ids=repr,
)
def test_bad_entry_is_counted(manual: ManualLogbook, bad: Entry) -> None:
    """An entry that cannot be stored is counted, and the rest is stored."""
    manual.begin()
    manual.write(bad, note("before and after"), mean(2))
    health = manual.logbook.health()
    assert health.lost == 1
    assert health.lost_note
    assert health.failing_since_at_s is None
    assert [event.text for event in manual.reader.events("r1")] == ["before and after"]
    assert [row.elapsed_s for row in manual.means()] == [2]
    assert manual.ask("SELECT count(*) FROM progress WHERE charge_coulombs <> 0.0") == 0


def test_state_outlives_bad_numbers(manual: ManualLogbook) -> None:
    """A state is stored even if its numbers cannot be."""
    manual.begin()
    manual.write(checkpoint("r1", 42.0))
    manual.write(changed("r1", S.STOPPED, math.nan))
    summary = manual.reader.run("r1").summary
    assert (summary.state, summary.progress.charge_coulombs) == (S.STOPPED, 42.0)
    assert manual.logbook.health().lost == 1


def test_run_outlives_bad_plan(manual: ManualLogbook) -> None:
    """A run is stored even if its plan cannot be."""
    manual.write(began(plan={"area_mm2": math.inf}), mean(3))
    assert "not_kept" in manual.reader.run("r1").plan
    assert manual.reader.run("r1").settings == {"poll_s": 0.02}
    assert len(manual.means()) == 1
    assert manual.logbook.health().lost == 1


def test_lone_surrogates_become_question_marks(manual: ManualLogbook) -> None:
    """Characters that UTF-8 cannot hold become question marks."""
    manual.write(
        began(piece="ring \ud800", plan={"note": "\udfff"}), note("Ätzgrund \ud800 lifted")
    )
    assert manual.reader.run("r1").summary.piece == "ring ?"
    assert manual.reader.events("r1")[0].text == "Ätzgrund ? lifted"
    assert manual.logbook.health().lost == 0


def test_put_never_raises(manual: ManualLogbook) -> None:
    manual.logbook.put(None)  # type: ignore[arg-type]
    manual.logbook.put("text")  # type: ignore[arg-type]
    assert manual.logbook.health().lost == 2


def test_newest_checkpoint_alone_stays(tmp_path: Path) -> None:
    """Progress and checkpoint are written together: neither is ever older than the other."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    manual.write(replace(checkpoint("r1", 30.0), kept={"stretches": 1}))
    manual.write(replace(checkpoint("r1", 60.0), kept={"stretches": 2}))
    assert manual.reader.run("r1").kept == {"stretches": 2}
    assert manual.ask("SELECT count(*) FROM checkpoints") == 1
    manual.write(replace(changed("r1", S.PAUSED, 61.0), kept={"stretches": 3}))
    assert manual.reader.run("r1").kept == {"stretches": 3}
    manual.write(checkpoint("r1", 90.0))
    assert manual.reader.run("r1").kept is None
    manual.logbook.finish()
