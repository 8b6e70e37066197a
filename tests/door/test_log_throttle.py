"""A log under attack: the first lines of a kind are written, the others counted."""

from __future__ import annotations

import logging

from api.http.door.log_throttle import MOST, MOST_KINDS, PERIOD_S, LogThrottle


def record(at_s: float, line: int = 1) -> logging.LogRecord:
    made = logging.LogRecord("a", logging.WARNING, "file", line, "%s failed", ("it",), None)
    made.created = at_s
    return made


def test_repeated_lines_are_counted() -> None:
    throttle = LogThrottle()
    assert sum(throttle.filter(record(1000.0 + n / 1000)) for n in range(MOST + 30)) == MOST
    assert throttle.filter(record(1000.0, line=2)), "another place in the program"
    late = record(1000.0 + PERIOD_S)
    assert throttle.filter(late)
    assert late.getMessage() == "it failed (30 more of these lines were left out.)"
    assert throttle.filter(record(1001.0 + PERIOD_S))


def test_clock_set_back() -> None:
    """When the clock is set back, lines are written again and not left out for years."""
    throttle = LogThrottle()
    for _ in range(MOST + 1):
        throttle.filter(record(1000.0))
    assert throttle.filter(record(10.0))


def test_memory_is_bounded() -> None:
    throttle = LogThrottle()
    for line in range(3 * MOST_KINDS):
        throttle.filter(record(1000.0, line))
    assert len(throttle._kinds) <= MOST_KINDS


def test_one_throttle_a_logger() -> None:
    logger = logging.getLogger("tests.throttled")
    for _ in range(3):
        LogThrottle.put_on(logger)
    assert len(logger.filters) == 1
