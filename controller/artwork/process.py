"""Has a worker module do its work in a separate process, and returns the result.

Standard library only. Any thread may call it.
"""

from __future__ import annotations

import math
import os
import selectors
import signal
import socket
import stat
import threading
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from controller.artwork.exchange import (
    PREVIEW,
    Expected,
    NonsenseError,
    read_answer,
    send_request,
)
from controller.artwork.result import MeasureFailedError, unreadable
from controller.artwork.workplaces import Worker, Workplace, started
from controller.errors import RefusedError
from controller.texts import Message

_KEPT_ERROR_BYTES = 2000
_MOST_ERROR_BYTES = 64_000
"""More than that on standard error is not read: the worker waits in vain until its time is over."""

_SHOWN_ERROR_CHARACTERS = 200
_PIECE_BYTES = 65_536


@dataclass(frozen=True, slots=True)
class WorkerEnd:
    """How a worker ended.

    :param status: exit status, negative for a signal; None when it ran out of time. 0 of a service,
        whose status nobody here sees.
    :param reply: its reply, empty when there is none.
    :param picture: as PNG, empty when there is none.
    :param error_output: the end of what it wrote on standard error.
    :param is_nonsense: it answered something that no worker answers.
    """

    status: int | None
    reply: dict[str, Any]
    picture: bytes
    error_output: str
    is_nonsense: bool = False

    @property
    def is_late(self) -> bool:
        """Whether it ran out of time, by the clock or by the processor's count."""
        return self.status in (-signal.SIGXCPU, None)

    @property
    def is_short_of_memory(self) -> bool:
        """Whether it ran out of memory. A library may abort before the worker can answer."""
        if self.reply.get("failed") == "memory" or self.status in (
            -signal.SIGKILL,
            -signal.SIGABRT,
        ):
            return True
        return not self.reply and "memory" in self.error_output.lower()

    @property
    def error(self) -> str | None:
        """The error that ended it, or None when it left no trace of one."""
        error = self.reply.get("error") or self.error_output[-_SHOWN_ERROR_CHARACTERS:]
        return "".join(it if it.isprintable() else " " for it in str(error)) or None

    def raise_refusal(self) -> None:
        """Raise what the worker refused, if it did. Raises: RefusedError, MeasureFailedError."""
        if "refused" in self.reply:
            refused = self.reply["refused"]
            message = Message.from_json(refused)
            field = refused["field"]
            values: dict[str, Any] = dict(message.values)
            raise RefusedError(message.key, field=None if field is None else str(field), **values)
        if self.reply.get("failed") == "unconfined":
            reason = Message.from_json(self.reply["reason"])
            raise MeasureFailedError("artwork.worker.unconfined", reason=reason)


@dataclass(frozen=True, slots=True)
class WorkerResult:
    """What a worker found.

    :param value: JSON values, as the worker sent them: checked for size, not for sense.
    :param unconfined: why it was not confined, or None.
    """

    value: Any
    picture: bytes
    unconfined: Message | None


def worker_result(
    module: str,
    request: dict[str, Any],
    *,
    path: Path,
    part: str,
    time_limit_s: float,
    memory_limit_mb: int,
    with_picture: bool = False,
    expected: Expected = PREVIEW,
    workplace: Workplace,
) -> WorkerResult:
    """Return the result of a worker.

    :param request: what the worker is asked for; file and limits are added here.
    :param path: the file that it works on.
    :param expected: what it may send as its picture.
    :param part: of the catalogue, with the entries ``late``, ``memory``, ``failed`` and ``silent``.
    Raises: RefusedError when the worker refuses or the file cannot be read, MeasureFailedError
    when time or memory run out, it crashes, or it must not run here.
    """
    whole = {
        **request,
        "name": path.name,
        "with_picture": with_picture,
        "accept_unconfined": workplace.accept_unconfined,
        "memory_limit_mb": memory_limit_mb,
        "cpu_limit_s": math.ceil(time_limit_s) + 1,
    }
    end = run_worker(module, whole, path, time_limit_s, workplace, expected)
    if end.is_late:
        raise MeasureFailedError(f"{part}.late", name=path.name, limit_s=time_limit_s)
    try:
        end.raise_refusal()
        if "result" in end.reply:
            unconfined = end.reply["unconfined"]
            reason = None if unconfined is None else Message.from_json(unconfined)
            return WorkerResult(end.reply["result"], end.picture, reason)
    except (KeyError, TypeError, AttributeError) as error:
        raise nonsense(path) from error
    if end.is_nonsense:
        raise nonsense(path)
    if end.is_short_of_memory:
        raise MeasureFailedError(f"{part}.memory", name=path.name, limit_mb=memory_limit_mb)
    status = end.status or 0
    if end.error is None:
        raise MeasureFailedError(f"{part}.silent", name=path.name, status=status)
    raise MeasureFailedError(f"{part}.failed", name=path.name, status=status, error=end.error)


def nonsense(path: Path) -> MeasureFailedError:
    """Return the failure of a worker that answered what no worker answers."""
    return MeasureFailedError("artwork.worker.nonsense", name=path.name)


def run_worker(
    module: str,
    request: dict[str, Any],
    path: Path,
    time_limit_s: float,
    workplace: Workplace,
    expected: Expected = PREVIEW,
) -> WorkerEnd:
    """Give a worker a request and the open file, and return how it ended.

    A process of this user is started by exec. It and its children are killed when the time is over,
    and are gone when this returns. A process of the service ends when its connection is closed.

    Raises: RefusedError when the file cannot be read, MeasureFailedError without the service.
    """
    file = _opened(path)
    errors, errors_in = os.pipe2(os.O_CLOEXEC)
    try:
        with started(workplace, module, errors_in) as worker:
            with suppress(BrokenPipeError, ConnectionResetError):  # it is dead; its status says why
                send_request(worker.connection, request, (file, errors_in))
            os.close(errors_in)
            errors_in = -1
            return _end(worker, errors, time_limit_s, expected)
    finally:
        for descriptor in (file, errors, errors_in):
            if descriptor >= 0:
                os.close(descriptor)


def _end(worker: Worker, errors: int, time_limit_s: float, expected: Expected) -> WorkerEnd:
    """Read what the worker says until it ends or its time is over."""
    ended, stopped = threading.Event(), threading.Event()

    def watch() -> None:
        if not ended.wait(time_limit_s):
            stopped.set()
            worker.stop()

    watcher = threading.Thread(target=watch, name="biteclock-measure-time", daemon=True)
    watcher.start()
    try:
        answer, error_output = _heard(worker.connection, errors, expected)
        is_whole, reply, picture = _parsed(answer, expected)
        # Without an answer its exit status tells why. After an answer nobody waits for its end.
        status = 0 if is_whole else worker.status()
    finally:
        ended.set()
        watcher.join()
    return WorkerEnd(
        None if stopped.is_set() else status,
        reply,
        picture,
        error_output,
        is_nonsense=bool(answer) and not is_whole,
    )


def _heard(connection: socket.socket, errors: int, expected: Expected) -> tuple[bytes, str]:
    """Return the answer, and the end of what the worker wrote on standard error.

    Neither takes more memory than the longest answer, whatever the worker sends.
    """
    answer, error_output = bytearray(), bytearray()
    read_errors = 0
    os.set_blocking(errors, False)
    with selectors.DefaultSelector() as selector:
        selector.register(connection, selectors.EVENT_READ)
        selector.register(errors, selectors.EVENT_READ)
        is_open = True
        while is_open and len(answer) <= expected.most_answer_bytes:
            for key, _ in selector.select():
                piece = _piece(key.fd)
                if key.fd != errors:
                    answer += piece
                    is_open = bool(piece)
                    continue
                read_errors += len(piece)
                error_output = (error_output + piece)[-_KEPT_ERROR_BYTES:]
                if not piece or read_errors > _MOST_ERROR_BYTES:
                    selector.unregister(errors)
    if read_errors <= _MOST_ERROR_BYTES:
        error_output = (error_output + _piece(errors))[-_KEPT_ERROR_BYTES:]
    return bytes(answer), error_output.decode("utf-8", "replace").strip()


def _piece(descriptor: int) -> bytes:
    """Return what can be read now; nothing at the end, or when the other side is gone."""
    try:
        return os.read(descriptor, _PIECE_BYTES)
    except (BlockingIOError, ConnectionResetError):
        return b""


def _parsed(answer: bytes, expected: Expected) -> tuple[bool, dict[str, Any], bytes]:
    """Return whether the answer is whole and of the agreed form, and what it says."""
    try:
        return (True, *read_answer(answer, expected))
    except NonsenseError:
        return False, {}, b""


def _opened(path: Path) -> int:
    """Return a descriptor of the file, for reading. Raises: RefusedError when it is not a file."""
    try:
        # Without O_NONBLOCK, a named pipe would block here until somebody writes to it.
        descriptor = os.open(path, os.O_RDONLY | os.O_CLOEXEC | os.O_NONBLOCK)
    except OSError as error:
        raise unreadable(path, error) from error
    if not stat.S_ISREG(os.fstat(descriptor).st_mode):
        os.close(descriptor)
        raise RefusedError("artwork.file.no_file", field="file", name=path.name)
    return descriptor
