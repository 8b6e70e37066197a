"""Power cuts: what the daemon writes is recorded call by call, and the disk is rebuilt as a cut may
leave it.

``python -m tests.proofs.power_cuts --cuts 500`` records a daemon (with strace) and cuts it;
``--trace FILE`` cuts an earlier recording, ``--record FILE`` keeps the new one.

The disk that is assumed: what was written before a file's last completed fsync is there. Of what
came after it any part may be there and any part missing, whichever was written first: whole writes,
or single sectors of them, with zeros where a file grew over what is missing. A file that was never
synced may be missing. A directory entry that was made before a file's fsync is there.
"""

from __future__ import annotations

import argparse
import base64
import gzip
import json
import random
import re
import shutil
import signal
import sqlite3
import subprocess
import sys
import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import closing
from dataclasses import dataclass, field
from pathlib import Path
from urllib.request import Request, urlopen

from api.access.auth import read_bench_token
from controller.logbook.entries import UNFINISHED_STATES
from controller.messages import RunState
from tests.kits.daemon_child import PLATE, ROOT
from tests.kits.logbook_kit import ManualLogbook

NAME = "biteclock.sqlite"
FILES = (NAME, f"{NAME}-wal")
"""The third, -shm, is an index that is made anew at each opening.

Source: https://sqlite.org/walformat.html, section 2.
"""

CALLS = "openat,pwrite64,fsync,fdatasync,ftruncate,unlink,unlinkat,sendto"
SECTORS = (512, 4096)
RUN_FOR_COULOMBS = 120.0
"""Length of a recording: 40 s at 3 A."""


@dataclass(frozen=True, slots=True)
class Call:
    """One thing that happened, in its order.

    :param kind: write, truncate, sync, unlink, or told: a status that somebody was shown.
    :param at: offset or new size, bytes; for ``told`` unused.
    :param told: state and charge in C that were shown.
    """

    kind: str
    file: str = ""
    at: int = 0
    data: bytes = b""
    told: tuple[str, float] | None = None


# --- recording -----------------------------------------------------------------------------------

_LINE = re.compile(r"^(?P<pid>\d+) +(?P<rest>.*)$")
_RESUMED = re.compile(r"^<\.\.\. (?P<name>\w+) resumed>(?P<rest>.*)$")
_CALL = re.compile(r"^(?P<name>\w+)\((?P<arguments>.*)$")
_OF_FILE = re.compile(rf"/(?P<file>{re.escape(NAME)}(-wal)?)[>\"]")
_STRING = re.compile(r'"(?P<hex>(\\x[0-9a-f]{2})*)"(?P<cut>\.\.\.)?')
_STATUS = re.compile(rb"data: (\{.*\})\n")


def recorded(directory: Path, charge_coulombs: float = RUN_FOR_COULOMBS) -> list[Call]:
    """Return what a daemon writes and tells from its start until it is killed in the middle of a
    run.
    """
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


# --- cutting -------------------------------------------------------------------------------------


@dataclass(slots=True)
class DiskFile:
    """A file as it is on the disk for sure, and what was done to it since."""

    durable: bytearray | None = None
    since: list[Call] = field(default_factory=list)

    def take(self, call: Call) -> None:
        if call.kind == "sync":
            image = bytearray() if self.durable is None else self.durable
            for done in self.since:
                _apply(image, done, 0, len(done.data))
            self.durable, self.since = image, []
        elif call.kind == "unlink":
            self.durable, self.since = None, []
        else:
            self.since.append(call)

    def after_cut(self, generator: random.Random) -> bytes | None:
        """Return the file as a cut may leave it, None for no file."""
        if self.durable is None and (not self.since or generator.random() < 0.2):
            return None
        image = bytearray(self.durable or b"")
        share = generator.choice((0.0, 0.5, 0.9, 1.0))
        for done in self.since:
            if done.kind == "truncate" or generator.random() < 0.7:
                if generator.random() < share:
                    _apply(image, done, 0, len(done.data))
                continue
            sector = generator.choice(SECTORS)
            start = 0
            while start < len(done.data):
                end = min(len(done.data), start + sector - (done.at + start) % sector)
                if generator.random() < share:
                    _apply(image, done, start, end)
                start = end
        return bytes(image)


def _apply(image: bytearray, call: Call, start: int, end: int) -> None:
    if call.kind == "truncate":
        del image[call.at :]
        image.extend(bytes(call.at - len(image)))
    else:
        image.extend(bytes(max(0, call.at + end - len(image))))
        image[call.at + start : call.at + end] = call.data[start:end]


@dataclass(frozen=True, slots=True)
class Cut:
    """What came back after one cut.

    :param shown_coulombs: charge that the last status before the cut showed; the process may have
        counted for 0.5 s more.
    :param kept_coulombs: charge of the run that came back, 0 when none did.
    :param uncertain_coulombs: what it says may be missing.
    """

    place: int
    state: str | None
    shown_state: str
    shown_coulombs: float
    kept_coulombs: float
    uncertain_coulombs: float
    trouble: str | None

    @property
    def lost_s(self) -> float:
        """Seconds of the planned current that were shown and did not come back."""
        return max(0.0, self.shown_coulombs - self.kept_coulombs) / PLATE["current_a"]


def cuts_of(
    calls: Sequence[Call], places: Sequence[int], generator: random.Random, directory: Path
) -> Iterator[Cut]:
    """Cut before each of the places, which rise; open what is left and look. ``directory`` is for
    the images.
    """
    disk = {name: DiskFile() for name in FILES}
    shown = ("idle", 0.0)
    done = 0
    for place in places:
        for call in calls[done:place]:
            if call.told is not None:
                shown = call.told
            else:
                disk[call.file].take(call)
        done = place
        yield _looked_at(
            place,
            shown,
            {name: file.after_cut(generator) for name, file in disk.items()},
            directory,
        )


def _looked_at(
    place: int, shown: tuple[str, float], images: dict[str, bytes | None], directory: Path
) -> Cut:
    for old in directory.iterdir():
        old.unlink()
    for name, image in images.items():
        if image is not None:
            (directory / name).write_bytes(image)
    desk = ManualLogbook(directory / NAME)
    desk.logbook.work()
    trouble = desk.logbook.health().message or desk.logbook.notice
    runs = desk.reader.list_runs().runs if trouble is None else ()
    desk.logbook.finish()
    if trouble is None:
        with closing(sqlite3.connect(directory / NAME)) as book:
            checks = [
                book.execute(f"PRAGMA {check}").fetchall()
                for check in ("quick_check", "foreign_key_check")
            ]
        trouble = None if checks == [[("ok",)], []] else f"{checks}"
    if not runs:
        return Cut(place, None, *shown, 0.0, 0.0, trouble)
    run = runs[0]
    if trouble is None and run.state in UNFINISHED_STATES and run.state is not RunState.INTERRUPTED:
        trouble = f"the run came back as {run.state}"
    return Cut(
        place,
        run.state,
        *shown,
        run.progress.charge_coulombs,
        run.progress.uncertain_charge_coulombs,
        trouble,
    )


def places_in(calls: Sequence[Call], count: int, generator: random.Random) -> list[int]:
    """Return so many places to cut, in order; half of them right around an fsync."""
    syncs = [place for place, call in enumerate(calls) if call.kind == "sync"]
    return sorted(
        max(0, generator.choice(syncs) + generator.choice((-1, 0, 1)))
        if generator.random() < 0.5
        else generator.randrange(len(calls) + 1)
        for _ in range(count)
    )


def check(cut: Cut) -> None:
    """Raise AssertionError when a cut cost more than is stated."""
    assert cut.trouble is None, f"cut {cut.place}: {cut.trouble}"
    if cut.shown_state == "running":
        assert cut.state == RunState.INTERRUPTED, (
            f"cut {cut.place}: the run that was shown came back as {cut.state}"
        )
        missing = cut.shown_coulombs - cut.kept_coulombs
        assert missing <= cut.uncertain_coulombs, (
            f"cut {cut.place}: {missing:.2f} C are missing, {cut.uncertain_coulombs:.2f} C stated"
        )


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--cuts", type=int, default=500)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--trace", type=Path)
    parser.add_argument("--record", type=Path)
    arguments = parser.parse_args()
    generator = random.Random(arguments.seed)
    with tempfile.TemporaryDirectory() as place:
        if arguments.trace is None and shutil.which("strace") is None:
            parser.error("strace is missing: sudo apt-get install -y strace, or give --trace FILE")
        calls = load(arguments.trace) if arguments.trace is not None else recorded(Path(place))
        if arguments.record is not None:
            save(calls, arguments.record)
        images = Path(place) / "images"
        images.mkdir()
        cuts = list(cuts_of(calls, places_in(calls, arguments.cuts, generator), generator, images))
    sys.stdout.write(report(calls, cuts) + "\n")
    for cut in cuts:
        check(cut)


def report(calls: Sequence[Call], cuts: Sequence[Cut]) -> str:
    """Return the figures in lines."""
    kinds: dict[str, int] = {}
    for call in calls:
        kinds[call.kind] = kinds.get(call.kind, 0) + 1
    running = sorted(cut.lost_s for cut in cuts if cut.shown_state == "running")
    lines = [
        f"recorded: {', '.join(f'{count} {kind}' for kind, count in sorted(kinds.items()))}",
        f"cuts: {len(cuts)}",
    ]
    lines.append(f"did not open or not sound: {sum(cut.trouble is not None for cut in cuts)}")
    if running:
        shares = ", ".join(
            f"p{p} {running[min(len(running) - 1, len(running) * p // 100)]:.2f} s"
            for p in (50, 90, 99)
        )
        lines.append(
            f"in mid-run: {len(running)}, shown and lost: {shares}, most {running[-1]:.2f} s "
            f"(stated: 2 s)"
        )
    return "\n".join(lines)


if __name__ == "__main__":
    main()
