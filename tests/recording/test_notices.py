"""One journal line for each start, pause, trip, resume and finish; none repeats endlessly."""

from __future__ import annotations

import logging

import pytest

from api.cli.daemon_log import DroppingHandler
from controller.errors import SensorError
from controller.messages import OffRequest, Source, SourceKind
from controller.recording.notices import AGAIN_AFTER_S, Notices, OnceInAWhile
from controller.running.snapshot import take_snapshot
from controller.texts import Message
from tests.kits.doubles import Bench, make_bench


class Journal:
    """Follows a bench and returns the lines since the last call."""

    def __init__(self, caplog: pytest.LogCaptureFixture) -> None:
        caplog.set_level(logging.INFO, "biteclock")
        self._caplog, self._notices = caplog, Notices()

    def lines(self, bench: Bench) -> list[tuple[str, str]]:
        self._caplog.clear()
        snapshot = take_snapshot(bench.supervisor, bench.gate, bench.clock, 1, None)
        self._notices.follow(snapshot, bench.supervisor.take_outbox())
        return [(record.levelname, record.getMessage()) for record in self._caplog.records]


def test_one_line_for_each_change(caplog: pytest.LogCaptureFixture) -> None:
    bench, journal = make_bench(), Journal(caplog)
    bench.running(for_s=5.0)
    ((level, line),) = journal.lines(bench)
    assert level == "INFO"
    assert line.startswith("Run r1 is running at 0.00 mm. The relay is on.")
    bench.run_for(60.0)
    assert journal.lines(bench) == [], "nothing while nothing changes"
    bench.supervisor.pause()
    ((_, line),) = journal.lines(bench)
    assert line.startswith("Run r1 is paused at 0.0")
    bench.supervisor.resume()
    bench.run_for(3.0)
    ((_, line),) = journal.lines(bench)
    assert "is running" in line
    bench.sensor.error = SensorError("guards.sensor_fault.no_number")
    bench.run_for(60.0)
    bench.sensor.error = None
    (level, line), *rest = journal.lines(bench)
    assert level == "WARNING"
    assert "is tripped" in line
    assert [words for _, words in rest] == [f"Run r1: {Message('supervisor.note.unseen_end')}"]
    assert "The sensor cannot be read." in line


def test_stop_names_its_source(caplog: pytest.LogCaptureFixture) -> None:
    bench, journal = make_bench(), Journal(caplog)
    bench.running(for_s=1.0)
    journal.lines(bench)
    bench.gate.revoke(OffRequest.STOP_BUTTON)
    bench.tick()
    lines = [line for _, line in journal.lines(bench)]
    assert lines[0] == "Run r1: Stop, at the stop button."
    assert lines[1].startswith("Run r1 is stopped")
    bench.supervisor.source = Source(SourceKind.PAIRED, "192.0.2.8", "Kitchen")
    bench.supervisor.acknowledge()
    ((_, line),) = journal.lines(bench)
    assert line.endswith("It came from Kitchen (192.0.2.8).")


def test_clock_is_told_once(caplog: pytest.LogCaptureFixture) -> None:
    bench, journal = make_bench(), Journal(caplog)
    assert journal.lines(bench) == []
    bench.clock.utc_is_set = False
    ((_, line),) = journal.lines(bench)
    assert line.startswith("Clock not set")
    assert journal.lines(bench) == []
    bench.clock.utc_is_set = True
    assert [line for _, line in journal.lines(bench)] == ["The clock is set now."]


def record_at(seconds: float, line: str = "A pass failed.") -> logging.LogRecord:
    record = logging.LogRecord("biteclock", logging.ERROR, "", 0, line, None, None)
    record.created = 1_900_000_000.0 + seconds
    return record


def test_same_line_once_in_a_while() -> None:
    """A loop that fails 50 times a second writes one line in ten minutes."""
    once = OnceInAWhile()
    passed = [once.filter(record_at(i / 50.0)) for i in range(round(50 * AGAIN_AFTER_S))]
    assert passed.count(True) == 1
    assert once.filter(record_at(1.0, "Another line."))
    assert once.filter(record_at(AGAIN_AFTER_S))
    assert once.filter(record_at(-3600.0)), "the wall clock was set back"


def test_full_queue_drops() -> None:
    """A journal that takes nothing never holds up the loop."""
    from queue import Queue

    queue: Queue[logging.LogRecord] = Queue(2)
    handler = DroppingHandler(queue)
    for number in range(5):
        handler.emit(record_at(number))
    assert queue.qsize() == 2
