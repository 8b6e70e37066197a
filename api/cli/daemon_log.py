"""The daemon's log: lines on standard error, which systemd puts into the journal."""

from __future__ import annotations

import logging
from collections.abc import Iterator
from contextlib import contextmanager
from logging.handlers import QueueHandler, QueueListener
from queue import Full, Queue
from typing import Any

from controller.recording.notices import OnceInAWhile

MOST_WAITING = 1000
"""Most lines that wait for a journal that does not take them. More are dropped."""


class DroppingHandler(QueueHandler):
    """Hands a line to the listener's thread. It never waits and never fails."""

    def enqueue(self, record: logging.LogRecord) -> None:
        """Put the line into the queue, or drop it when the queue is full."""
        try:
            self.queue.put_nowait(record)
        except Full:
            return


@contextmanager
def daemon_log() -> Iterator[None]:
    """Write the daemon's lines, from a thread of their own: the loop never waits for the journal.

    The same line is written at most once in a stated time.
    """
    log, queue = logging.getLogger("biteclock"), Queue[Any](MOST_WAITING)
    handler, listener = DroppingHandler(queue), QueueListener(queue, logging.StreamHandler())
    handler.addFilter(OnceInAWhile())
    log.addHandler(handler)
    log.setLevel(logging.INFO)
    log.propagate = False
    listener.start()
    try:
        yield
    finally:
        log.removeHandler(handler)
        log.propagate = True
        listener.stop()
