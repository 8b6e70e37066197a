"""The other process: ``python -m controller.calculator.process``. It ends with its input."""

from __future__ import annotations

import itertools
import os
import pickle
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path
from typing import Any, BinaryIO

from controller.calculator.frames import LENGTH_BYTES, frame, length_of

NICENESS = 5
"""The control loop goes first on a machine with few cores."""

OOM_SCORE = "500"
"""Where memory runs out, this process is killed before the daemon. Source: proc(5)."""


class Answers:
    """Answers questions. It keeps the iterators that are open, by number."""

    def __init__(self) -> None:
        self._open: dict[int, Iterator[Any]] = {}
        self._numbers = itertools.count()
        self._kinds: dict[str, Callable[..., Any]] = {
            "call": self._call,
            "open": self._opened,
            "next": self._next,
        }

    def to(self, question: bytes) -> bytes:
        """Return the answer to a question, both pickled: whether it is a result, and the value."""
        answer: tuple[bool, Any]
        try:
            kind, payload, dropped = pickle.loads(question)  # noqa: S301 from our own daemon
            for number in dropped:
                self._open.pop(number, None)
            answer = True, self._kinds[kind](*payload)
        except Exception as error:
            answer = False, error
        try:
            return pickle.dumps(answer, pickle.HIGHEST_PROTOCOL)
        except Exception as error:
            return pickle.dumps((False, RuntimeError(f"{type(error).__name__}: {error}")))

    def _call(self, function: Callable[..., Any], *arguments: Any) -> Any:
        return function(*arguments)

    def _opened(self, function: Callable[..., Iterator[Any]], *arguments: Any) -> int:
        number = next(self._numbers)
        self._open[number] = iter(function(*arguments))
        return number

    def _next(self, number: int) -> tuple[bool, Any]:
        """Return whether there is another piece, and the piece. Raises: KeyError."""
        try:
            return True, next(self._open[number])
        except StopIteration:
            return False, None


def main() -> None:
    """Answer questions until the input ends."""
    output = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)  # what a library prints must not mix with the answers
    os.nice(NICENESS)
    with suppress(OSError):
        Path("/proc/self/oom_score_adj").write_text(OOM_SCORE, encoding="ascii")
    answers = Answers()
    while (question := _read(sys.stdin.buffer)) is not None:
        output.write(frame(answers.to(question)))
        output.flush()


def _read(pipe: BinaryIO) -> bytes | None:
    head = pipe.read(LENGTH_BYTES)
    return pipe.read(length_of(head)) if len(head) == LENGTH_BYTES else None


if __name__ == "__main__":
    main()
