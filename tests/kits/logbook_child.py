"""A process that writes runs until it is killed; run as ``python -m tests.kits.logbook_child MODE PATH``."""

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

    By hand each line is printed after what it tells of is on the disk; with the thread, after it was put.
    """
    desk = ManualLogbook(path)
    thread = LogbookThread(desk.logbook)
    if with_thread:
        thread.start()
        desk.logbook._ready.wait(30.0)

    def work() -> None:
        if not with_thread:
            desk.logbook.work()

    work()
    while True:
        run_id = desk.logbook.new_run_id()
        desk.put(began(run_id), changed(run_id, RunState.RUNNING))
        work()
        say(f"{run_id} running 0")
        for second in range(1, 400):
            charge_coulombs = CURRENT_A * second
            desk.put(
                mean(second - 1, run_id=run_id),
                checkpoint(run_id, charge_coulombs, current_a=CURRENT_A),
            )
            if second % 50 == 0:
                desk.put(raws(400, run_id, float(second)), note("gauged", run_id))
            if second % 100 == 0:
                desk.put(changed(run_id, RunState.PAUSED, charge_coulombs))
                work()
                say(f"{run_id} paused {second}")
                desk.put(changed(run_id, RunState.RUNNING, charge_coulombs, current_a=CURRENT_A))
            desk.clock.advance(1.0)
            work()
            say(f"{run_id} running {second}")
        desk.put(changed(run_id, RunState.FINISHED, CURRENT_A * 399))
        work()
        say(f"{run_id} finished 399")


def fill_up(path: Path) -> None:
    """Write under a limit on the size of files, as a full disk; then lift it. Print what the health said."""
    desk = ManualLogbook(path)
    desk.begin()
    size_bytes = max(p.stat().st_size for p in path.parent.iterdir())
    resource.setrlimit(resource.RLIMIT_FSIZE, (size_bytes + 20_000, resource.RLIM_INFINITY))
    for second in range(1500):
        desk.put(mean(second), checkpoint("r1", CURRENT_A * second))
        desk.clock.advance(1.0)
        desk.logbook.work()
    failing = desk.logbook.health()
    resource.setrlimit(resource.RLIMIT_FSIZE, (resource.RLIM_INFINITY, resource.RLIM_INFINITY))
    for _ in range(3):
        desk.retry()
    well = desk.logbook.health()
    say(
        json.dumps(
            {
                "failing": failing.message,
                "waiting": failing.waiting,
                "well": well.message,
                "lost": well.lost,
            }
        )
    )
    desk.logbook.finish()


if __name__ == "__main__":
    mode, file = sys.argv[1], Path(sys.argv[2])
    if mode == "full":
        fill_up(file)
    else:
        write_runs(file, with_thread=mode == "thread")
