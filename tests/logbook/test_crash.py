"""Killed processes, power cuts and full disks.

The logbook opens, is sound, and has lost no more than it reports.
"""

from __future__ import annotations

import json
import random
import signal
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from controller.logbook.entries import UNFINISHED_STATES
from controller.logbook.logbook import SAMPLES_EVERY_S
from controller.logbook.recovery import UNCERTAIN_S
from controller.messages import RunState
from tests.kits.logbook_child import CURRENT_A
from tests.kits.logbook_kit import ManualLogbook, began, changed, checkpoint, mean
from tests.paths import ROOT

S = RunState


def child(mode: str, path: Path) -> subprocess.Popen[str]:
    command = [sys.executable, "-m", "tests.kits.logbook_child", mode, str(path)]
    return subprocess.Popen(command, cwd=ROOT, stdout=subprocess.PIPE, text=True)


def kill_after(lines: int, mode: str, path: Path) -> list[str]:
    """Kill the child as soon as it has printed so many lines; return all that it printed."""
    with child(mode, path) as process:
        assert process.stdout is not None
        printed = [process.stdout.readline().strip() for _ in range(lines)]
        process.kill()
        whole = process.stdout.read().split("\n")[:-1]  # the last line may be cut in two
    assert process.returncode == -signal.SIGKILL
    return printed + whole


def is_sound(path: Path) -> bool:
    with closing(sqlite3.connect(path)) as connection:
        checks = [
            connection.execute(f"PRAGMA {check}").fetchall()
            for check in ("integrity_check", "foreign_key_check")
        ]
    return checks == [[("ok",)], []]


def test_killed_process_loses_little(tmp_path: Path) -> None:
    """A killed process loses no more than the stated bound."""
    path = tmp_path / "log.sqlite"
    generator = random.Random(11)
    for kill in range(6):
        printed = kill_after(generator.choice((1, 2, generator.randrange(1, 900))), "hand", path)
        run_id, state, second = printed[-1].split()
        manual = ManualLogbook(path)
        manual.logbook.work()
        assert manual.logbook.notice is None, f"kill {kill}"
        assert is_sound(path), f"kill {kill}"
        newest = manual.reader.list_runs(1).runs[0]
        if newest.run_id == run_id:
            # What was printed is on the disk. What was under way when the process died may be, too.
            seconds = newest.progress.charge_coulombs / CURRENT_A
            assert int(second) <= seconds <= int(second) + 1, f"kill {kill} after {printed[-1]}"
            rows = [row.elapsed_s for row in manual.means(run_id)]
            assert rows == list(range(len(rows)))
            assert len(rows) > seconds - SAMPLES_EVERY_S - 1.0
            if newest.state in UNFINISHED_STATES:
                assert manual.logbook.interrupted is not None
                # At most the second that was being written is missing from the true charge, and the
                # bound covers all of it.
                missing_coulombs = CURRENT_A * (int(second) + 1) - newest.progress.charge_coulombs
                was_paused = newest.progress.uncertain_charge_coulombs == 0.0
                assert (
                    was_paused
                    or 0.0 <= missing_coulombs <= newest.progress.uncertain_charge_coulombs
                )
                assert newest.progress.uncertain_charge_coulombs in (0.0, UNCERTAIN_S * CURRENT_A)
                assert not was_paused or state == "paused" or "paused" in str(newest.message)
        else:
            # The next run had begun and had not been printed yet.
            assert (state, second) == ("finished", "399")
            assert manual.reader.run(run_id).summary.state is S.FINISHED
        manual.logbook.finish()


def test_killed_thread_leaves_sound_file(tmp_path: Path) -> None:
    path = tmp_path / "log.sqlite"
    generator = random.Random(12)
    for kill in range(4):
        printed = kill_after(generator.randrange(1, 3000), "thread", path)
        manual = ManualLogbook(path)
        manual.logbook.work()
        assert manual.logbook.notice is None
        assert is_sound(path), f"kill {kill}"
        runs = manual.reader.list_runs(1000).runs
        known = {line.split()[0]: int(line.split()[2]) for line in printed}
        for run in runs:
            assert run.progress.charge_coulombs <= CURRENT_A * (known.get(run.run_id, 399) + 1)
        assert sum(run.ended_at_utc is None for run in runs) <= 1
        manual.logbook.finish()


def sectors(old: bytes, new: bytes, generator: random.Random) -> bytes:
    """Return a file of which some sectors of 512 bytes, and perhaps its end, are still old."""
    length = max(len(old), len(new))
    size = random.Random(generator.random()).choice(
        (len(old), len(new), generator.randrange(len(old), length + 1))
    )
    mixed = bytearray()
    for start in range(0, length, 512):
        source = new if generator.random() < 0.5 else old
        part = source[start : start + 512]
        mixed += (
            part
            if len(part) == len(new[start : start + 512])
            else part.ljust(len(new[start : start + 512]), b"\x00")
        )
    return bytes(mixed[: max(size, 0)])


def read(path: Path) -> tuple[bytes, bytes]:
    return path.read_bytes(), path.with_name(path.name + "-wal").read_bytes()


def test_power_cut_loses_nothing(tmp_path: Path) -> None:
    """Nothing is lost, whatever a cut leaves of the two files.

    Each sector written since the last flush is old or new. The log is flushed before any page of
    it goes into the file. Source: https://sqlite.org/wal.html, "Checkpointing".
    """
    generator = random.Random(13)
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    store = manual.logbook._keeper._store
    assert store is not None
    store.connection.execute("PRAGMA wal_autocheckpoint = 40")
    cut = tmp_path / "cut.sqlite"
    log = cut.with_name("cut.sqlite-wal")
    cuts = moved = 0
    before = read(manual.path)
    for second in range(1, 151):
        batch = [checkpoint("r1", 3.0 * second)]
        batch += [mean(i) for i in range(second - 10, second)] if second % 10 == 0 else []
        manual.logbook.write(batch)
        after = read(manual.path)
        images = [(before[0], sectors(before[1], after[1], generator)) for _ in range(3)]
        if after[0] != before[0]:
            moved += 1
            images += [(sectors(before[0], after[0], generator), after[1]) for _ in range(3)]
        for image in images:
            for file in (cut, log, cut.with_name("cut.sqlite-shm")):
                file.unlink(missing_ok=True)
            cut.write_bytes(image[0])
            log.write_bytes(image[1])
            with closing(sqlite3.connect(cut)) as connection:
                assert connection.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
                charge_coulombs = connection.execute(
                    "SELECT charge_coulombs FROM progress"
                ).fetchone()[0]
                rows = connection.execute("SELECT count(*) FROM means").fetchone()[0]
            assert charge_coulombs in (3.0 * (second - 1), 3.0 * second)
            assert rows in (second // 10 * 10, (second - 1) // 10 * 10)
            cuts += 1
        before = after
    assert cuts > 450
    assert moved > 3, "pages were moved from the log into the file in some of the cuts"
    manual.logbook.finish()


def test_full_disk_is_outlived(tmp_path: Path) -> None:
    """A full disk is reported, and writing goes on when there is room again."""
    with child("full", tmp_path / "log.sqlite") as process:
        output, _ = process.communicate()
    assert process.returncode == 0
    report = json.loads(output)
    assert "cannot be written" in report["failing"]
    assert "Free space" in report["failing"]
    assert report["waiting"] > 400
    assert (report["well"], report["lost"]) == (None, 0)
    manual = ManualLogbook(tmp_path / "log.sqlite")
    assert len(manual.means()) == 1500
    assert is_sound(manual.path)


def test_lost_log_still_opens(tmp_path: Path) -> None:
    """A copy of the file without its log has what was moved into the file."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    store = manual.logbook._keeper._store
    assert store is not None
    store.connection.execute("PRAGMA wal_checkpoint(TRUNCATE)").fetchall()
    manual.write(began("r2"), changed("r2", S.RUNNING))
    copy = tmp_path / "copy.sqlite"
    copy.write_bytes(manual.path.read_bytes())
    other = ManualLogbook(copy)
    other.logbook.work()
    assert [run.run_id for run in other.reader.list_runs().runs] == ["r1"]
    other.logbook.finish()
    manual.logbook.finish()


@pytest.mark.parametrize("second_lock", ["BEGIN IMMEDIATE", "BEGIN EXCLUSIVE"])
def test_lock_dies_with_process(tmp_path: Path, second_lock: str) -> None:
    """A lock does not outlive the process that held it."""
    manual = ManualLogbook(tmp_path / "log.sqlite")
    manual.begin()
    script = (
        "import sqlite3, sys; c = sqlite3.connect(sys.argv[1], isolation_level=None); "
        f"c.execute('{second_lock}'); print('held', flush=True); sys.stdin.read()"
    )
    command = [sys.executable, "-c", script, str(manual.path)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    ) as holder:
        assert holder.stdout is not None
        assert holder.stdout.readline() == "held\n"
        manual.put(changed("r1", S.STOPPED, 3.0))
        manual.logbook.work()
        assert manual.logbook.health().message is not None
        holder.kill()
        holder.communicate()
    manual.retry()
    assert manual.reader.run("r1").summary.state is S.STOPPED
    manual.logbook.finish()
