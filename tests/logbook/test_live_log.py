"""A plain copy of the logbook: whole between runs, and never silently empty.

Source: sqlite.org/wal.html: rows are in the write-ahead log until they are folded in.
"""

from __future__ import annotations

import shutil
import sqlite3
import subprocess
import sys
from contextlib import closing
from pathlib import Path

import pytest

from controller.logbook.reader import LogbookReader
from controller.messages import RunState
from tests.kits.logbook_kit import ManualLogbook, changed, mean, note
from tests.paths import ROOT


def plain_copy(path: Path, name: str = "copy.sqlite") -> Path:
    """Copy the first file alone, as a person does who knows of no log."""
    target = path.with_name(name)
    shutil.copyfile(path, target)
    return target


def notice_of(path: Path) -> str:
    book = ManualLogbook(path)
    book.logbook.work()
    notice = str(book.logbook.health().notice or "")
    book.logbook.finish()
    return notice


@pytest.fixture
def book(tmp_path: Path) -> ManualLogbook:
    book = ManualLogbook(tmp_path / "book.sqlite")
    book.logbook.work()
    return book


def whole_run(book: ManualLogbook, run_id: str = "r1") -> None:
    book.begin(run_id)
    book.write(*(mean(i, run_id=run_id) for i in range(300)))
    book.write(changed(run_id, RunState.FINISHED, 1800.0))


def test_copy_between_runs(book: ManualLogbook) -> None:
    """After a run the first file is whole, with the logbook still open."""
    whole_run(book)
    copy = plain_copy(book.path)
    assert [run.run_id for run in LogbookReader(copy).list_runs().runs] == ["r1"]
    assert sum(map(len, LogbookReader(copy).samples("r1"))) == 300
    assert book.path.with_name("book.sqlite-wal").stat().st_size == 0
    assert notice_of(copy) == ""


@pytest.mark.parametrize("runs_before", [0, 1])
def test_copy_during_run_is_noticed(book: ManualLogbook, runs_before: int) -> None:
    for number in range(runs_before):
        whole_run(book, f"r{number}")
    book.begin("now")
    notice = notice_of(plain_copy(book.path))
    assert "without its log, copy.sqlite-wal" in notice
    assert ("2031-03-04" if runs_before else "no records") in notice


def test_copy_after_partial_fold(book: ManualLogbook) -> None:
    """SQLite folds parts of a long log in by itself. The file stays marked."""
    book.begin("now")
    with closing(sqlite3.connect(book.path)) as other:
        other.execute("PRAGMA wal_checkpoint(PASSIVE)")
    book.write(*(mean(i, run_id="now") for i in range(50)))
    assert "without its log" in notice_of(plain_copy(book.path))


def test_both_files_are_whole(book: ManualLogbook) -> None:
    whole_run(book)
    book.begin("now")
    copy = plain_copy(book.path)
    shutil.copyfile(f"{book.path}-wal", f"{copy}-wal")
    assert notice_of(copy) == ""
    assert [run.run_id for run in LogbookReader(copy).list_runs().runs] == ["now", "r1"]


def test_clean_end_during_run(book: ManualLogbook) -> None:
    """A daemon that ends in a run closes the file whole."""
    book.begin("now")
    book.logbook.finish()
    assert notice_of(plain_copy(book.path)) == ""


def test_fold_waits_for_reader(book: ManualLogbook) -> None:
    """A long read puts the folding off. Nobody waits, and the copy is noticed meanwhile."""
    book.begin("r1")
    with closing(sqlite3.connect(book.path, isolation_level=None)) as reader:
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM runs").fetchone()
        book.write(changed("r1", RunState.FINISHED, 1800.0))
        assert book.logbook.health().message is None
        assert "without its log" in notice_of(plain_copy(book.path))
    book.logbook.work()
    assert notice_of(plain_copy(book.path, "later.sqlite")) == ""


def test_reader_during_marking(book: ManualLogbook) -> None:
    """A reader keeps the mark out of the first file. The next write puts it there."""
    whole_run(book)
    book.write(note("a first row in the log"))
    with closing(sqlite3.connect(book.path, isolation_level=None)) as reader:
        book.logbook._keeper._open_runs["now"] = ()  # keeps the log from being folded in
        reader.execute("BEGIN")
        reader.execute("SELECT count(*) FROM runs").fetchone()
        book.begin("now")
    book.write(*(mean(i, run_id="now") for i in range(5)))
    assert "without its log" in notice_of(plain_copy(book.path))


def test_notice_is_kept_once(book: ManualLogbook) -> None:
    """The copy is a whole logbook from then on, with a warning among the events of the rig."""
    book.begin("now")
    copy = plain_copy(book.path)
    assert notice_of(copy)
    assert notice_of(copy) == ""
    assert "without its log" in LogbookReader(copy).events(None)[0].text


@pytest.mark.parametrize("takes_log", [True, False])
def test_killed_process(tmp_path: Path, takes_log: bool) -> None:
    """A process that is killed leaves both files. Together they are whole; alone it is noticed."""
    path = tmp_path / "book.sqlite"
    code = (
        "import sys, os, signal; from pathlib import Path\n"
        "from tests.kits.logbook_kit import *\n"
        "book = ManualLogbook(Path(sys.argv[1])); book.begin('now')\n"
        "os.kill(os.getpid(), signal.SIGKILL)\n"
    )
    killed = subprocess.run([sys.executable, "-c", code, str(path)], cwd=ROOT, check=False)
    assert killed.returncode == -9
    copy = plain_copy(path)
    if takes_log:
        shutil.copyfile(f"{path}-wal", f"{copy}-wal")
    assert ("without its log" in notice_of(copy)) is not takes_log
    runs = LogbookReader(copy).list_runs().runs
    assert [run.run_id for run in runs] == (["now"] if takes_log else [])


def test_older_program_opens_file(book: ManualLogbook) -> None:
    """The mark is no new version: the version in the file stays what the migrations say."""
    from controller.logbook.schema import MIGRATIONS

    whole_run(book)
    assert book.ask("PRAGMA user_version") == len(MIGRATIONS)
