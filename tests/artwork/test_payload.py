"""Code in a captured decoder: what it tries in the product's worker, and what refuses it.

The list of attempts is our own, from the system calls that container and browser sandboxes forbid;
common practice, no source. Each layer is also tried alone, in a process that leaves the others out.
"""

from __future__ import annotations

import ctypes
import errno
import json
import os
import socket
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from controller.artwork.process import run_worker
from controller.artwork.workplaces import HERE
from tests.kits.artwork import payload
from tests.kits.artwork.worker_kit import request_of
from tests.paths import ROOT

SECRET = ctypes.create_string_buffer(b"secret!!")


@pytest.fixture
def victims(tmp_path: Path) -> Iterator[Path]:
    """Return a file that names what there is to attack: this process and what it keeps."""
    files = []
    for name in ("bench.token", "pairings.json", "biteclock.sqlite"):
        (tmp_path / name).write_text("secret")
        files.append(str(tmp_path / name))
    for name in ("gone", "old", "mode"):
        (tmp_path / name).touch()
    with socket.create_server(("127.0.0.1", 0)) as tcp, socket.socket(socket.AF_UNIX) as unix:
        unix.bind(str(tmp_path / "control.sock"))
        unix.listen()
        listing = {
            "files": files,
            "folder": str(tmp_path),
            "port": tcp.getsockname()[1],
            "unix": str(tmp_path / "control.sock"),
            "pid": os.getpid(),
            "address": ctypes.addressof(SECRET),
        }
        path = tmp_path / "victims.json"
        path.write_text(json.dumps(listing))
        yield path


def test_every_attempt_is_refused(victims: Path) -> None:
    """In a process started as the demonstration starts its worker, nothing works."""
    end = run_worker(payload.MODULE, request_of(victims), victims, 60.0, HERE)
    assert end.reply["unconfined"] is None, end
    found = end.reply["result"]
    assert len(found) >= 40
    assert {name: error for name, error in found.items() if error != "EPERM"} == {}
    assert not (victims.parent / "new").exists()
    assert (victims.parent / "gone").exists()


def run(script: str, *arguments: str) -> Any:
    """Return what a script writes as JSON."""
    done = subprocess.run(
        [sys.executable, "-c", script, *arguments],
        cwd=ROOT, capture_output=True, text=True, check=True,
    )  # fmt: skip
    return json.loads(done.stdout)


def without(*layers: str) -> str:
    """Return a line of a script that confines the process, but leaves layers out."""
    left_out = "".join(f"confinement.{layer} = lambda *_: None\n" for layer in layers)
    return f"from controller.artwork import confinement\n{left_out}confinement.confine()\n"


def outcomes(victims: Path, confining: str, names: set[str] | None = None) -> dict[str, str | None]:
    """Return what becomes of attempts after a line of a script.

    :param names: those to make, or None for all. Where nothing refuses them, root must not make
        all: it would mount and load what it can.
    """
    script = (
        "import ctypes, json, os, sys\n"
        "from tests.kits.artwork.payload import attempts, outcomes\n"
        "libc = ctypes.CDLL(None, use_errno=True)\n"
        "victim = {**json.load(open(sys.argv[1])), 'artwork': os.open(sys.argv[1], os.O_RDONLY)}\n"
        "names = json.loads(sys.argv[2])\n"
        "listed = {name: attempt for name, attempt in attempts(libc, victim).items()\n"
        "  if names is None or name in names}\n"
        f"{confining}\n"
        "os.write(1, json.dumps(outcomes(listed)).encode())\n"
    )
    found: dict[str, str | None] = run(
        script, str(victims), json.dumps(None if names is None else sorted(names))
    )
    return found


WORK_ANYWHERE = {
    "connect over TCP", "connect to a Unix socket", "read bench.token", "read pairings.json",
    "read biteclock.sqlite", "write a file", "remove a file", "rename a file", "open a device",
    "change permissions", "change permissions of the artwork", "signal the other", "fork",
    "execute a program", "make a file in memory to execute", "map memory to write and execute",
    "list a directory", "look whether a file is there", "become dumpable",
}  # fmt: skip
"""Attempts that any program of this user may make, on every system that the tests run on."""


def test_attempts_work_unconfined(victims: Path) -> None:
    """Without any confinement they work: the list is not made of attempts that fail anyway."""
    found = outcomes(victims, "", WORK_ANYWHERE)
    assert {name for name in WORK_ANYWHERE if found[name] is not None} == set()


def test_landlock_alone(victims: Path) -> None:
    """Where the kernel has Landlock, it closes files without the help of the filter."""
    libc = ctypes.CDLL(None, use_errno=True)
    version = libc.syscall(444, None, 0, 1)
    if version < 1:  # the filter alone is held by the other tests
        assert ctypes.get_errno() in (errno.ENOSYS, errno.EOPNOTSUPP)
        return
    closed = {
        "read bench.token", "read pairings.json", "read biteclock.sqlite", "list a directory",
        "write a file", "remove a file", "rename a file", "open a device", "execute a program",
        "make a link", "make a directory",
    }  # fmt: skip
    closed |= {"connect over TCP"} if version >= 4 else set()
    closed |= {"signal the other"} if version >= 6 else set()
    found = outcomes(victims, without("_filter_calls", "_check"), closed)
    assert {name for name in closed if found[name] is None} == set()


def test_filter_alone(victims: Path) -> None:
    """On a kernel without Landlock the filter refuses everything by itself."""
    found = outcomes(victims, without("_close_files"))
    assert {name: error for name, error in found.items() if error != "EPERM"} == {}


def test_rights_given_up() -> None:
    """Beside both layers: no privilege left, no file larger than nothing, no memory image.

    Source: proc(5), the fields of status; prctl(2), PR_GET_DUMPABLE is 3.
    """
    script = without("_filter_calls", "_close_files", "_check") + (
        "import ctypes, json, os, resource\n"
        "lines = open('/proc/self/status').read().splitlines()\n"
        "status = dict(line.split(':', 1) for line in lines)\n"
        "os.write(1, json.dumps({\n"
        "  **{name: int(status[name], 16) for name in ('CapEff', 'CapPrm', 'CapInh', 'CapAmb')},\n"
        "  'NoNewPrivs': int(status['NoNewPrivs']),\n"
        "  'dumpable': ctypes.CDLL(None).prctl(3, 0, 0, 0, 0),\n"
        "  'file': resource.getrlimit(resource.RLIMIT_FSIZE),\n"
        "  'processes': resource.getrlimit(resource.RLIMIT_NPROC),\n"
        "}).encode())\n"
    )
    assert run(script) == {
        "CapEff": 0, "CapPrm": 0, "CapInh": 0, "CapAmb": 0, "NoNewPrivs": 1, "dumpable": 0,
        "file": [0, 0], "processes": [0, 0],
    }  # fmt: skip


def test_broken_confinement_is_noticed() -> None:
    """A filter that lets everything through does not pass for one."""
    script = (
        "from controller.artwork import confinement\n"
        "confinement._filter_calls = confinement._close_files = lambda *_: None\n"
        "try: confinement.confine()\n"
        "except confinement.UnconfinedError as error: print('\"' + error.message.key + '\"')\n"
    )
    assert run(script) == "artwork.worker.not_in_force"


def test_worker_loads_nothing_later(tmp_path: Path) -> None:
    """After its preparations the worker imports nothing: confined, it could not."""
    from tests.artwork.loading.test_fuzz import bases

    script = (
        "import io, json, os, sys\n"
        "from pathlib import Path\n"
        "from controller.artwork.worker import measuring\n"
        "options = {'depth_mm': 0.25, 'etch_factor': 1.2}\n"
        "work = measuring({'options': options}, Path(sys.argv[1]))\n"
        "before = set(sys.modules)\n"
        "work(io.BytesIO())\n"
        "print(json.dumps(sorted(set(sys.modules) - before)))\n"
    )
    for kind, data in bases().items():
        (tmp_path / "artwork").write_bytes(data)
        assert run(script, str(tmp_path / "artwork")) == [], kind
