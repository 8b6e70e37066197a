"""The daemon's side of the other process: starts it, asks it, and replaces it when it fails."""

from __future__ import annotations

import os
import pickle
import select
import subprocess
import sys
import threading
from collections import deque
from collections.abc import Callable, Iterator
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import IO, Any

from controller.calculator.frames import LENGTH_BYTES, frame, length_of
from controller.errors import BiteclockError
from controller.ports import Result

TIME_LIMIT_S = 60.0
"""Longest silence of the process in a calculation, s. The longest known one, a bath with 2,000
readings, takes 2 s on a desktop processor, and the smallest Pi is about ten times slower."""

_PART_BYTES = 1 << 16


class CalculationFailedError(BiteclockError, RuntimeError):
    """The other process ended, or gave no answer in time. Asking again starts a new one."""


class Calculator:
    """A process that calls functions, one at a time. Safe from any thread, and callers wait.

    The process is started by exec at the first call, never forked, so that it inherits neither
    the pins nor a connection. It ends when the daemon ends, however that happens.

    Functions must be those of a module, and values must be picklable. Both come from this program
    alone.
    """

    def __init__(self, time_limit_s: float = TIME_LIMIT_S) -> None:
        self._time_limit_s = time_limit_s
        self._turn = threading.Lock()
        self._child: _Child | None = None
        self._dropped: deque[int] = deque()

    def __call__(self, function: Callable[..., Result], *arguments: Any) -> Result:
        """Return what the function returns, or raise what it raises.

        Raises: CalculationFailedError.
        """
        value: Result = self._asked("call", function, *arguments)
        return value

    def pieces(
        self, function: Callable[..., Iterator[Result]], *arguments: Any
    ) -> Iterator[Result]:
        """Call the function now. Return what its iterator yields, each piece made when asked for.

        Raises: CalculationFailedError, also from the iterator.
        """
        number: int = self._asked("open", function, *arguments)
        return self._read(number)

    def _read(self, number: int) -> Iterator[Any]:
        try:
            while True:
                is_piece, piece = self._asked("next", number)
                if not is_piece:
                    return
                yield piece
        finally:
            # Told with the next question: whoever drops an iterator must not wait here.
            self._dropped.append(number)

    def _asked(self, kind: str, *payload: Any) -> Any:
        """Return the answer to a question. Raises what the function raises."""
        with self._turn:
            dropped = [self._dropped.popleft() for _ in range(len(self._dropped))]
            question = pickle.dumps((kind, payload, dropped), pickle.HIGHEST_PROTOCOL)
            answer = self._answer(frame(question))
        is_result, value = pickle.loads(answer)  # noqa: S301 from our own process
        if not is_result:
            raise value
        return value

    def close(self) -> None:
        """End the process. It may be asked again: that starts a new one."""
        child, self._child = self._child, None
        if child is not None:
            child.process.kill()
            child.process.wait()
            for pipe in (child.questions, child.answers):
                with suppress(OSError):  # what was not written is of no use now
                    pipe.close()

    def _answer(self, question: bytes) -> bytes:
        """Return the answer to a question. A process that ended since the last one is replaced."""
        if self._child is not None and self._child.process.poll() is not None:
            self.close()
        try:
            child = self._child = self._child or _started()
            child.questions.write(question)
            child.questions.flush()
            length = length_of(self._received(child, LENGTH_BYTES))
            return self._received(child, length)
        except (OSError, EOFError) as error:
            self.close()
            raise CalculationFailedError(
                "run.calculation.failed", limit_s=self._time_limit_s
            ) from error

    def _received(self, child: _Child, count: int) -> bytes:
        """Return the next bytes. Raises: EOFError when the process ends, TimeoutError."""
        descriptor = child.answers.fileno()
        data = bytearray()
        while len(data) < count:
            if not select.select([descriptor], [], [], self._time_limit_s)[0]:
                raise TimeoutError
            part = os.read(descriptor, min(_PART_BYTES, count - len(data)))
            if not part:
                raise EOFError
            data += part
        return bytes(data)


@dataclass(frozen=True, slots=True)
class _Child:
    """The other process and its two pipes."""

    process: subprocess.Popen[bytes]
    questions: IO[bytes]
    answers: IO[bytes]


def _started() -> _Child:
    root = Path(__file__).resolve().parents[2]
    question_read, question_write = os.pipe()
    answer_read, answer_write = os.pipe()
    try:
        process = subprocess.Popen(
            [sys.executable, "-m", "controller.calculator.process"],
            stdin=question_read,
            stdout=answer_write,
            cwd=root,
            env={"PATH": os.defpath, "LANG": "C.UTF-8", "PYTHONPATH": str(root)},
            start_new_session=True,
        )
    except OSError:
        os.close(question_write)
        os.close(answer_read)
        raise
    finally:
        os.close(question_read)
        os.close(answer_write)
    return _Child(process, os.fdopen(question_write, "wb"), os.fdopen(answer_read, "rb"))
