"""The artwork service: the daemon's side against a stand-in that starts a worker per connection.

The stand-in does what systemd does for a socket with Accept=yes and StandardInput=socket (source:
systemd.socket(5), systemd.exec(5)), but as the same user.
"""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from controller.artwork.client import (
    MOST_PREVIEW_TIME_S,
    MOST_TIME_S,
    PREVIEW_TIME_LIMIT_S,
    TIME_LIMIT_S,
    measure,
    time_limit_of_s,
    workplace_notes,
    workplace_of,
)
from controller.artwork.exchange import PREVIEW, write_answer
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.process import run_worker
from controller.artwork.result import MeasureFailedError
from controller.artwork.worker import EXIT_CRASHED
from controller.artwork.workplaces import Workplace
from controller.errors import RefusedError
from controller.texts import Message
from tests.kits.artwork.shapes import disc, save
from tests.kits.artwork.worker_kit import request_of
from tests.paths import ROOT

WAIT_S = 60.0
WORKER = "controller.artwork.worker"

Answering = Callable[[socket.socket], None]


class Service:
    """A socket that hands each connection to a function."""

    def __init__(self, path: Path, answering: Answering) -> None:
        self._listener = socket.socket(socket.AF_UNIX)
        self._listener.bind(str(path))
        self._listener.listen()
        self._answering = answering
        self._thread = threading.Thread(target=self._run, daemon=True)
        self._thread.start()

    def _run(self) -> None:
        while True:
            try:
                connection, _ = self._listener.accept()
            except OSError:
                return
            with connection:
                self._answering(connection)

    def close(self) -> None:
        self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        self._thread.join(WAIT_S)


@pytest.fixture
def artwork(tmp_path: Path) -> Path:
    return save(tmp_path / "a.png", disc(1.5, 3.0, 3.0), 600)


@pytest.fixture
def serving(tmp_path: Path) -> Iterator[Callable[[Answering], Workplace]]:
    """Return a function that starts a service and returns the workplace that uses it."""
    services: list[Service] = []

    def start(answering: Answering) -> Workplace:
        path = tmp_path / "artwork.sock"
        services.append(Service(path, answering))
        return Workplace(path)

    yield start
    for service in services:
        service.close()


def worker_of(started: list[subprocess.Popen[bytes]], module: str = WORKER) -> Answering:
    """Return a function that starts a worker for a connection and waits for its end."""

    def answering(connection: socket.socket) -> None:
        process = subprocess.Popen(
            [sys.executable, "-m", module], cwd=ROOT, stdin=connection.fileno()
        )
        started.append(process)
        connection.close()
        process.wait()

    return answering


def test_service_agrees_with_function(
    artwork: Path, tmp_path: Path, serving: Callable[[Answering], Workplace]
) -> None:
    """The service returns what the function returns, and the picture."""
    started: list[subprocess.Popen[bytes]] = []
    workplace = serving(worker_of(started))
    options = MeasureOptions(depth_mm=0.25, etch_factor=1.0)
    found = measure(artwork, options, preview_path=tmp_path / "p.png", workplace=workplace)
    assert found == measure_file(artwork, options)
    assert (tmp_path / "p.png").read_bytes().startswith(b"\x89PNG")
    with pytest.raises(RefusedError):
        measure(artwork, MeasureOptions(page=2), workplace=workplace)
    assert len(started) == 2


def test_hang_up_ends_the_worker(artwork: Path, serving: Callable[[Answering], Workplace]) -> None:
    """When its time is over, the daemon hangs up, and that ends a worker of another user."""
    started: list[subprocess.Popen[bytes]] = []
    workplace = serving(worker_of(started, "tests.kits.busy_worker"))
    end = run_worker(WORKER, request_of(artwork, cpu_limit_s=10), artwork, 2.0, workplace)
    assert end.is_late
    assert started[0].wait() in (-signal.SIGIO, EXIT_CRASHED), "not its own limit"


def test_no_service_is_a_failure(artwork: Path, tmp_path: Path) -> None:
    """Without the service nothing is read: there is no weaker way round."""
    with pytest.raises(MeasureFailedError) as failed:
        measure(artwork, MeasureOptions(), workplace=Workplace(tmp_path / "none", True))
    assert failed.value.message == Message(
        "artwork.worker.no_service", {"reason": "No such file or directory"}
    )


FLOOD = b"\x00" * 1_000_000


def endless(connection: socket.socket) -> None:
    """Send until the other side has enough."""
    try:
        while True:
            connection.sendall(FLOOD)
    except OSError:
        pass


def said(body: bytes, picture: bytes = b"") -> Answering:
    """Return a function that answers some bytes."""

    def answering(connection: socket.socket) -> None:
        frames = (len(part).to_bytes(4, "big") + part for part in (body, picture))
        connection.sendall(b"".join(frames))

    return answering


NONSENSE = {
    "endless": endless,
    "a length of 4 GB": lambda it: it.sendall(b"\xff\xff\xff\xff{}"),
    "no JSON": said(b"hello"),
    "deep JSON": said(b"[" * 100_000),
    "a list": said(b"[]"),
    "a long text": said(json.dumps({"result": "1" * 5000}).encode()),
    "a long list": said(json.dumps({"result": [0] * 6000}).encode()),
    "no number": said(b'{"result": NaN, "unconfined": null}'),
    "a picture of another kind": said(b'{"result": {}, "unconfined": null}', b"GIF89a"),
    "no measurement": said(b'{"result": {"area_mm2": 1}, "unconfined": null}'),
    "no result": said(b'{"result": null, "unconfined": null}'),
    "half a refusal": said(b'{"refused": {"key": "artwork.tones"}}'),
    "a refusal of numbers": said(b'{"refused": 7}'),
    "half a reason": said(b'{"failed": "unconfined"}'),
}


@pytest.mark.parametrize("kind", NONSENSE)
def test_nonsense_is_a_failure(
    artwork: Path, serving: Callable[[Answering], Workplace], kind: str
) -> None:
    """Whatever a captured worker answers, the daemon says that it is nonsense."""
    with pytest.raises(MeasureFailedError) as failed:
        measure(artwork, MeasureOptions(), workplace=serving(NONSENSE[kind]))
    assert failed.value.message == Message("artwork.worker.nonsense", {"name": "a.png"})


def test_endless_answer_takes_no_memory(
    artwork: Path, serving: Callable[[Answering], Workplace]
) -> None:
    """The daemon takes no more of an answer than the longest one."""
    taken: list[int] = []

    def counting(connection: socket.socket) -> None:
        sent = 0
        try:
            while sent < 20 * PREVIEW.most_answer_bytes:
                sent += connection.send(FLOOD)
        except OSError:
            pass
        taken.append(sent)

    end = run_worker(WORKER, request_of(artwork), artwork, WAIT_S, serving(counting))
    assert end.is_nonsense
    assert (end.reply, end.picture) == ({}, b"")
    assert taken == [] or taken[0] < 2 * PREVIEW.most_answer_bytes


def test_bytes_on_standard_error(artwork: Path, serving: Callable[[Answering], Workplace]) -> None:
    """Of what a worker prints, the end is kept, and after a while nothing is read."""

    def printing(connection: socket.socket) -> None:
        _, descriptors, _, _ = socket.recv_fds(connection, 4, 2)
        with open(descriptors[1], "wb", buffering=0) as errors:
            errors.write(b"x" * 30_000 + b"the end")
        os.close(descriptors[0])

    end = run_worker(WORKER, request_of(artwork), artwork, WAIT_S, serving(printing))
    assert end.error_output.endswith("the end")
    assert len(end.error_output) <= 2000


def test_longest_answer_fits(tmp_path: Path) -> None:
    """An answer of the agreed form is read as it was written."""
    from controller.artwork.exchange import read_answer

    path = tmp_path / "answer"
    reply = {"result": [[0.1, 2.5]] * 4000, "unconfined": None}
    picture = b"\x89PNG\r\n\x1a\n" + b"\0" * 3_000_000
    with path.open("wb") as file:
        write_answer(file.fileno(), reply, picture)
    assert read_answer(path.read_bytes()) == (reply, picture)


def test_small_files_hold_less_time(tmp_path: Path) -> None:
    """A few hundred bytes get a minute, a scan three; a preview gets less."""
    small, large = tmp_path / "a.pdf", tmp_path / "b.tif"
    small.write_bytes(b"x" * 650)
    with large.open("wb") as file:
        file.truncate(300_000_000)
    for is_preview, least_s, most_s in (
        (False, TIME_LIMIT_S, MOST_TIME_S),
        (True, PREVIEW_TIME_LIMIT_S, MOST_PREVIEW_TIME_S),
    ):
        assert time_limit_of_s(small, is_preview=is_preview) == pytest.approx(least_s, rel=0.01)
        assert time_limit_of_s(large, is_preview=is_preview) == most_s
    assert PREVIEW_TIME_LIMIT_S < TIME_LIMIT_S
    assert MOST_PREVIEW_TIME_S < MOST_TIME_S


def test_notes_on_the_workplace(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A rig check says when artworks are refused or read unconfined, and why."""
    import controller.artwork.client as client
    from controller.artwork.confinement import UnconfinedError

    assert workplace_notes(workplace_of({}, accept_unconfined=False)) == ()
    gone = workplace_of({"BITECLOCK_ARTWORK_SOCKET": str(tmp_path / "x")}, accept_unconfined=True)
    no_socket = Message("artwork.worker.no_socket")
    assert workplace_notes(gone) == (Message("artwork.worker.refused_note", {"reason": no_socket}),)
    monkeypatch.setattr(client, "missing", lambda: UnconfinedError("artwork.worker.no_library"))
    reason = Message("artwork.worker.no_library")
    for accept, key in ((False, "refused_note"), (True, "accepted_note")):
        note = Message(f"artwork.worker.{key}", {"reason": reason})
        assert workplace_notes(workplace_of({}, accept_unconfined=accept)) == (note,)


def unconfinable(artwork: Path, *, accept: bool) -> MeasureFailedError | Message:
    """Return the refusal, or the warning, where libseccomp is missing."""
    workplace = Workplace(accept_unconfined=accept)
    try:
        found = measure(artwork, MeasureOptions(), workplace=workplace)
    except MeasureFailedError as error:
        return error
    return found.warnings[-1]


def test_no_confinement_no_reading(artwork: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Where the library of the filter is missing, nothing is read unless that is accepted."""
    import controller.artwork.workplaces as workplaces

    popen = subprocess.Popen
    without = (
        "import ctypes, runpy\n"
        "real = ctypes.CDLL\n"
        "def cdll(name, *more, **named):\n"
        "    if name and 'seccomp' in name: raise OSError('no such library')\n"
        "    return real(name, *more, **named)\n"
        "ctypes.CDLL = cdll\n"
        "runpy.run_module('controller.artwork.worker', run_name='__main__')\n"
    )

    def start(command: list[str], **named: object) -> subprocess.Popen[bytes]:
        return popen([command[0], "-c", without], **named)  # type: ignore[call-overload,no-any-return]

    monkeypatch.setattr(workplaces.subprocess, "Popen", start)
    reason = Message("artwork.worker.no_library")
    refused = unconfinable(artwork, accept=False)
    assert isinstance(refused, MeasureFailedError)
    assert refused.message == Message("artwork.worker.unconfined", {"reason": reason})
    warned = unconfinable(artwork, accept=True)
    assert warned == Message("artwork.worker.ran_unconfined", {"reason": reason})
