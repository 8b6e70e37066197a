"""Writes runs until it is killed: ``python -m tests.kits.logbook_child MODE PATH``."""

from __future__ import annotations

import json
import resource
import sys
from pathlib import Path

from controller.logbook.thread import LogbookThread
from controller.messages import RunState
from tests.kits.logbook_kit import ManualLogbook, began, changed, checkpoint, mean, note, raws

CURRENT_A = 3.0


def say(text: str) -> None:
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def write_runs(path: Path, *, with_thread: bool) -> None:
    """Write run after run for ever, a second at a time.

    By hand, each line is printed after its entry is on the disk; with the thread, after it
    was put.
    """
    book = ManualLogbook(path)
    thread = LogbookThread(book.logbook)
    if with_thread:
        thread.start()
        book.logbook._ready.wait(30.0)

    def work() -> None:
        if not with_thread:
            book.logbook.work()

    work()
    while True:
        run_id = book.logbook.new_run_id()
        book.put(began(run_id), changed(run_id, RunState.RUNNING))
        work()
        say(f"{run_id} running 0")
        for second in range(1, 400):
            charge_coulombs = CURRENT_A * second
            book.put(
                mean(second - 1, run_id=run_id),
                checkpoint(run_id, charge_coulombs, current_a=CURRENT_A),
            )
            if second % 50 == 0:
                book.put(raws(400, run_id, float(second)), note("gauged", run_id))
            if second % 100 == 0:
                book.put(changed(run_id, RunState.PAUSED, charge_coulombs))
                work()
                say(f"{run_id} paused {second}")
                book.put(changed(run_id, RunState.RUNNING, charge_coulombs, current_a=CURRENT_A))
            book.clock.advance(1.0)
            work()
            say(f"{run_id} running {second}")
        book.put(changed(run_id, RunState.FINISHED, CURRENT_A * 399))
        work()
        say(f"{run_id} finished 399")


def fill_up(path: Path) -> None:
    """Write with a limit on file size, as on a full disk; then lift it. Print the health."""
    book = ManualLogbook(path)
    book.begin()
    size_bytes = max(p.stat().st_size for p in path.parent.iterdir())
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes + 20_000, resource.RLIM_INFINITY))
    for second in range(1500):
        book.put(mean(second), checkpoint("r1", CURRENT_A * second))
        book.clock.advance(1.0)
        book.logbook.work()
    failing = book.logbook.health()
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    for _ in range(3):
        book.retry()
    well = book.logbook.health()
    say(
        json.dumps(
            {
                "failing": str(failing.message),
                "waiting": failing.waiting,
                "well": None if well.message is None else str(well.message),
                "lost": well.lost,
            }
        )
    )
    book.logbook.finish()


if __name__ == "__main__":
    mode, file = sys.argv[1], Path(sys.argv[2])
    if mode == "full":
        fill_up(file)
    else:
        write_runs(file, with_thread=mode == "thread")
