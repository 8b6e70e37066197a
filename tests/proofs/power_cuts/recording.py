"""Records what a daemon writes, call by call, with strace; keeps and loads recordings."""

from __future__ import annotations

import base64
import gzip
import json
import re
import signal
import subprocess
import sys
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from pathlib import Path
from urllib.request import Request, urlopen

from api.access.auth import read_bench_token
from tests.kits.daemon_child import PLATE, ROOT

NAME = "biteclock.sqlite"
FILES = (NAME, f"{NAME}-wal")
"""The third file, -shm, is an index that SQLite rebuilds at each opening.

Source: https://sqlite.org/walformat.html, section 2.
"""

CALLS = "openat,pwrite64,fsync,fdatasync,ftruncate,unlink,unlinkat,sendto"
RUN_FOR_COULOMBS = 120.0
"""Length of a recording: 40 s at 3 A."""


@dataclass(frozen=True, slots=True)
class Call:
    """One thing that happened, in its order.

    :param kind: write, truncate, sync, unlink, or told: a status that was sent.
    :param at: offset or new size, bytes; for ``told`` unused.
    :param told: state and charge in C that were sent.
    """

    kind: str
    file: str = ""
    at: int = 0
    data: bytes = b""
    told: tuple[str, float] | None = None


_LINE = re.compile(r"^(?P<pid>\d+) +(?P<rest>.*)$")
_RESUMED = re.compile(r"^<\.\.\. (?P<name>\w+) resumed>(?P<rest>.*)$")
_CALL = re.compile(r"^(?P<name>\w+)\((?P<arguments>.*)$")
_OF_FILE = re.compile(rf"/(?P<file>{re.escape(NAME)}(-wal)?)[>\"]")
_STRING = re.compile(r'"(?P<hex>(\\x[0-9a-f]{2})*)"(?P<cut>\.\.\.)?')
_STATUS = re.compile(rb"data: (\{.*\})\n")


def recorded(directory: Path, charge_coulombs: float = RUN_FOR_COULOMBS) -> list[Call]:
    """Return what a daemon writes and sends from its start until it is killed during a run."""
    log = directory / "calls"
    state = directory / "state"
    command = [
        "strace",
        "-f",
        "-qq",
        "-xx",
        "-y",
        "-s",
        "200000",
        "-e",
        f"trace={CALLS}",
        "-o",
        str(log),
    ]
    command += [
        sys.executable,
        "-m",
        "api.cli.command_line",
        "serve",
        "--rig",
        "rehearsal",
        "--port",
        "0",
        "--state-directory",
        str(state),
    ]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True, cwd=ROOT) as tracer:
        assert tracer.stdout is not None
        words = (word for line in tracer.stdout for word in line.split())
        address = next(word for word in words if word.startswith("http://127.0.0.1:"))
        is_started = False
        with urlopen(f"{address}api/events", timeout=60) as stream:
            for line in stream:
                status = json.loads(line[5:]) if line.startswith(b"data:") else {}
                if status.get("logbook_ready") and not is_started:
                    is_started = True
                    token = read_bench_token(state)
                    headers = {
                        "Content-Type": "application/json",
                        "Authorization": f"Bearer {token}",
                    }
                    with urlopen(
                        Request(f"{address}api/start", json.dumps(PLATE).encode(), headers),
                        timeout=60,
                    ):
                        pass
                if (status.get("charge_coulombs") or 0.0) > charge_coulombs:
                    break
        tracer.send_signal(signal.SIGTERM)  # strace detaches and ends, and takes the daemon with it
        for line in Path(f"/proc/{tracer.pid}/task/{tracer.pid}/children").read_text().split():
            subprocess.run(["kill", "-KILL", line], check=False)
    return list(parsed(log.read_text(encoding="ascii", errors="replace").splitlines()))


def parsed(lines: Iterable[str]) -> Iterator[Call]:
    """Return the calls in strace's lines: writes at their beginning, fsyncs at their end."""
    begun: dict[str, str] = {}
    for line in lines:
        match = _LINE.match(line)
        if match is None:
            continue
        pid, rest = match["pid"], match["rest"]
        resumed = _RESUMED.match(rest)
        if resumed is not None:
            whole = begun.pop(pid, "") + resumed["rest"]
            yield from _call(whole, is_begin=False, is_end=True)
        elif rest.endswith("<unfinished ...>"):
            begun[pid] = rest.removesuffix("<unfinished ...>")
            yield from _call(begun[pid], is_begin=True, is_end=False)
        else:
            yield from _call(rest, is_begin=True, is_end=True)


def _call(text: str, *, is_begin: bool, is_end: bool) -> Iterator[Call]:
    match = _CALL.match(text)
    if match is None:
        return
    name, arguments = match["name"], match["arguments"]
    if name == "sendto":
        found = (
            _STATUS.search(_bytes(arguments))
            if is_begin and "64\\x61\\x74\\x61\\x3a" in arguments
            else None
        )
        status = {} if found is None else json.loads(found[1])
        if status.get("charge_coulombs") is not None:
            yield Call("told", told=(status["state"], status["charge_coulombs"]))
        return
    file = _OF_FILE.search(_plain(arguments))
    if file is None:
        return
    if name == "pwrite64" and is_begin:
        yield Call(
            "write", file["file"], int(arguments.split(", ")[-1].split(")")[0]), _bytes(arguments)
        )
    elif name == "ftruncate" and is_begin:
        yield Call("truncate", file["file"], int(arguments.split(", ")[-1].split(")")[0]))
    elif name in ("fsync", "fdatasync") and is_end:
        yield Call("sync", file["file"])
    elif name in ("unlink", "unlinkat") and is_begin:
        yield Call("unlink", file["file"])


def _plain(arguments: str) -> str:
    """Return the arguments with the paths in them readable: -xx writes those in hex too."""
    return re.sub(
        r"(\\x[0-9a-f]{2}){1,400}(?=[>\"])",
        lambda found: bytes.fromhex(found[0].replace("\\x", "")).decode("latin-1"),
        arguments[:2000],
    )


def _bytes(arguments: str) -> bytes:
    match = _STRING.search(arguments)
    assert match is not None, arguments[:200]
    assert not match["cut"], "strace cut a write short"
    return bytes.fromhex(match["hex"].replace("\\x", ""))


def save(calls: Sequence[Call], path: Path) -> None:
    """Keep a recording."""
    rows = [[c.kind, c.file, c.at, base64.b64encode(c.data).decode(), c.told] for c in calls]
    path.write_bytes(gzip.compress("\n".join(json.dumps(row) for row in rows).encode(), 9, mtime=0))


def load(path: Path) -> list[Call]:
    """Return a recording that was kept."""
    rows = [json.loads(line) for line in gzip.decompress(path.read_bytes()).splitlines()]
    return [
        Call(kind, file, at, base64.b64decode(data), None if told is None else tuple(told))
        for kind, file, at, data, told in rows
    ]
