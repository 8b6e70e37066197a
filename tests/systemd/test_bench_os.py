"""Parts of the emulated bench: the judge, the simulated bus under the daemon's driver, scripts."""

from __future__ import annotations

import ctypes
import importlib
import os
import re
import struct
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path
from types import ModuleType, SimpleNamespace
from typing import Any

import pytest
from Adafruit_PureIO import smbus

from tests.paths import ROOT

BENCH = ROOT / "systemd" / "bench_os"
SCRIPTS = sorted(BENCH.rglob("*.sh"))
FILES = sorted(
    path for path in BENCH.rglob("*") if path.is_file() and "__pycache__" not in path.parts
)


@pytest.fixture
def load(monkeypatch: pytest.MonkeyPatch) -> Iterator[Any]:
    """Return an import of the bench's programs, which lie outside the packages."""
    before = set(sys.modules)
    monkeypatch.syspath_prepend(str(BENCH))
    monkeypatch.syspath_prepend(str(BENCH / "guest"))
    yield importlib.import_module
    for name in set(sys.modules) - before:
        if name in ("judge", "run", "line", "sensor", "scenes", "watcher"):
            del sys.modules[name]


# --- scripts --------------------------------------------------------------------------------------


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
def test_scripts_are_shell(script: Path) -> None:
    subprocess.run(["sh", "-n", script], check=True)


@pytest.mark.parametrize("path", FILES, ids=lambda path: path.name)
def test_files_name_no_host(path: Path) -> None:
    """No file names a registry or a path of the machine that it was written on."""
    text = path.read_text()
    assert not re.search(r"https?://(?!127\.0\.0\.1)", text)
    assert not re.search(r"/(work|home|root)/|(?<!/var)/tmp/\w", text)


def test_scenes_match_judge(load: Any) -> None:
    """Every scene that is played is judged, and every judged scene is played."""
    text, expected = (BENCH / "guest" / "scenes.py").read_text(), load("judge").EXPECTED
    assert [name for name in expected if f'"{name}"' not in text] == []
    assert [name for name in re.findall(r'scene\("([^"]+)"', text) if name not in expected] == []


@pytest.mark.parametrize("there", [True, False], ids=["mounted before", "not mounted before"])
@pytest.mark.parametrize("ending", ["done", "failed", "TERM"])
def test_machine_is_left_alone(tmp_path: Path, there: bool, ending: str) -> None:
    """What the image needs of this machine's kernel is taken away again, however it ends."""
    script = (BENCH / "make_image.sh").read_text()
    registry = tmp_path / "binfmt_misc"
    registry.mkdir()
    if there:
        (registry / "register").touch()
        (registry / "qemu-aarch64").touch()
    (tmp_path / "bin").mkdir()
    for name, body in {
        "mount": f"echo mount >>{tmp_path}/notes; touch {registry}/register",
        "umount": f"echo umount >>{tmp_path}/notes; rm -f {registry}/*",
        "dpkg": "echo amd64",
    }.items():
        (tmp_path / "bin" / name).write_text(f"#!/bin/sh\n{body}\n")
        (tmp_path / "bin" / name).chmod(0o755)
    conf = tmp_path / "qemu-aarch64.conf"
    conf.write_text(":qemu-aarch64:\n")
    # The script's own functions and its end, with the steps between them replaced by an ending.
    functions = script[script.index("foreign_programs() {") : script.index("bootstrap() {")]
    tail = script[script.index("\nregistry=") : script.index("\nbootstrap\n")]
    what = {"done": "true", "failed": "false", "TERM": "kill -TERM $$"}[ending]
    text = f"set -eu\ntree={tmp_path}/tree\n{functions}\n{tail}\n"
    text = text.replace("/proc/sys/fs/binfmt_misc", str(registry))
    text = text.replace("/usr/lib/binfmt.d/qemu-aarch64.conf", str(conf))
    done = subprocess.run(
        ["sh", "-c", f"{text}\n[ -e {registry}/register ]\n{what}"],
        env={**os.environ, "PATH": f"{tmp_path}/bin:{os.environ['PATH']}"}, check=False,
    )  # fmt: skip
    assert done.returncode == {"done": 0, "failed": 1, "TERM": 143}[ending]
    notes = (tmp_path / "notes").read_text().split() if not there else []
    assert notes == ([] if there else ["mount", "umount"])
    assert (tmp_path / "notes").exists() != there
    left = {path.name for path in registry.iterdir()}
    assert left == ({"register", "qemu-aarch64"} if there else set())


def test_resuming_needs_image(tmp_path: Path) -> None:
    done = subprocess.run(
        [sys.executable, BENCH / "run.py", "--no-build", "--image", tmp_path],
        capture_output=True, text=True, check=False,
    )  # fmt: skip
    assert done.returncode == 2
    assert "no finished image" in done.stderr


def test_machine_is_isolated(load: Any) -> None:
    """The machine has no network and leaves its disk unchanged."""
    words = load("run").machine(Path("image"), 10)
    assert words[words.index("-nic") + 1] == "none"
    assert words[words.index("-smp") + 1] == "1"
    assert "snapshot=on" in words[words.index("-drive") + 1]


# --- the judge ------------------------------------------------------------------------------------


def watching(at_s: float, high: bool, boot: int = 2) -> dict[str, Any]:
    return {"kind": "watching", "boot": boot, "at_s": at_s, "high": high, "holder": None}


def scene(
    name: str, levels: list[tuple[float, bool]], reply: Any = None, state: str | None = None
) -> list[dict[str, Any]]:
    """Return the events of a scene. The act is at 10 s, the end at the last level's time."""
    act = {"kind": "act", "boot": 2, "at_s": 10.0, "name": name}
    end = {
        "kind": "end",
        "boot": 2,
        "at_s": levels[-1][0],
        "name": name,
        "answer": reply,
        "after": {"state": state},
    }
    return [*(watching(*level) for level in levels), act, end]


def row_of(judge: ModuleType, name: str, events: list[dict[str, Any]]) -> Any:
    return next(row for row in judge.judge(events) if row.scene == name)


FALL = [(9.5, True), (10.0, True), (10.25, False), (10.5, False), (11.0, False)]


def test_prompt_fall_is_right(load: Any) -> None:
    """A line that falls in time is right."""
    row = row_of(load("judge"), "SIGTERM", scene("SIGTERM", FALL, state="interrupted"))
    assert row.problems == ()
    assert (row.off_after_s, row.watched_s) == (0.25, 1.0)


@pytest.mark.parametrize(
    ("levels", "state", "problem"),
    [
        (
            [(9.5, True), (10.3, True), (11.2, False), (11.5, False)],
            "interrupted",
            "off after 1.200 s, the limit is 1 s",
        ),
        (
            [(9.5, True), (10.2, False), (10.9, True), (11.0, False)],
            "interrupted",
            "high again after it was off 0.200 s",
        ),
        ([(9.5, True), (10.2, True), (10.9, True)], "interrupted", "high at the end"),
        ([(9.5, True), (10.2, False), (10.9, True)], "interrupted", "high at the end"),
        ([(9.5, False), (10.2, False), (10.9, False)], "interrupted", "not high before the act"),
        ([(9.5, True), (10.2, False), (12.0, False)], "interrupted", "not watched for 1.80 s"),
        (FALL, "running", "expected the state interrupted"),
    ],
    ids=["late", "bounces", "stays on", "comes back", "was never on", "unwatched", "wrong state"],
)
def test_other_levels_are_wrong(
    load: Any, levels: list[tuple[float, bool]], state: str, problem: str
) -> None:
    """A line that is late, bounces, stays on or is not watched is wrong, and so is the state."""
    row = row_of(load("judge"), "SIGTERM", scene("SIGTERM", levels, state=state))
    assert any(problem in found for found in row.problems), row.problems


def test_boot_pulse_is_wrong(load: Any) -> None:
    """A pulse at boot is wrong, however short it is."""
    judge = load("judge")
    quiet = scene("boot", [(3.0, False), (3.9, False), (10.5, False)], state="idle")
    quiet[2:2] = [watching(4.0 + 0.5 * step, False) for step in range(12)]
    assert row_of(judge, "boot", quiet).problems == ()
    pulse = [watching(3.9, False), watching(3.905, True), watching(3.91, False), *quiet]
    pulse.sort(key=lambda event: float(event["at_s"]))
    assert any("high 3.905 s" in found for found in row_of(judge, "boot", pulse).problems)


def test_missing_refusal_is_wrong(load: Any) -> None:
    """A command that should refuse and does not is wrong."""
    name = "force-off while the service holds the pin"
    levels = [(9.5, True), (10.2, True), (10.9, True)]
    judge = load("judge")
    assert (
        row_of(judge, name, scene(name, levels, reply={"status": 1, "last_line": ""})).problems
        == ()
    )
    assert (
        row_of(judge, name, scene(name, levels, reply={"status": 0, "last_line": ""})).problems
        != ()
    )


def test_missing_scene_is_wrong(load: Any) -> None:
    """A scene that was not played is wrong."""
    judge = load("judge")
    assert [row.problems for row in judge.judge([])] == [("not played",)] * len(judge.EXPECTED)


def test_cut_lines_are_ignored(load: Any) -> None:
    """Lines that are cut short are left out."""
    lines = ['{"kind": "level", "boot": 1, "at_s": 2.0, "high": false}\r', '{"kind": "le', "7", ""]
    assert len(load("judge").parse(lines)) == 1


# --- the simulated bus ----------------------------------------------------------------------------


class Kernel:
    """The part of CUSE between a process and the device.

    Copies the memory that the device asks for and calls it again.


    Source: Linux, fs/fuse/ioctl.c (unrestricted ioctls are retried with the vectors of the answer)
    and include/uapi/linux/fuse.h.
    """

    def __init__(self, bus: Any) -> None:
        self._answer = bus._answer

    def ioctl(self, command: int, argument: int) -> int:
        given, outputs = b"", []
        for _ in range(4):
            out_size = sum(size for _, size in outputs)
            body = struct.pack("<QIIQII", 0, 1, command, argument, len(given), out_size) + given
            answer = self._answer(39, body)
            result, flags, in_count, out_count = struct.unpack_from("<iIII", answer)
            if not flags & 4:
                data = answer[16:]
                assert len(data) <= out_size
                for address, size in outputs:
                    ctypes.memmove(address, data[:size], size)
                    data = data[size:]
                return int(result)
            vectors = [
                struct.unpack_from("<QQ", answer, 16 + 16 * index)
                for index in range(in_count + out_count)
            ]
            given = b"".join(
                ctypes.string_at(address, size) for address, size in vectors[:in_count]
            )
            outputs = vectors[in_count:]
        raise AssertionError("the device asks for ever")


@pytest.fixture
def bus(load: Any, monkeypatch: pytest.MonkeyPatch) -> Any:
    """The bus with its chip, a relay's line that is high, and a clock at 100 s."""
    sensor = load("sensor")
    now = SimpleNamespace(s=100.0)
    monkeypatch.setattr(sensor.time, "monotonic", lambda: now.s)
    monkeypatch.setattr(sensor, "Line", lambda: SimpleNamespace(is_high=lambda: now.high))
    now.high = True
    bus = object.__new__(sensor.Bus)
    bus._circuit, bus._slave = sensor.Circuit(), 0
    return SimpleNamespace(kernel=Kernel(bus), answer=bus._answer, now=now)


def read_word(bus: Any, register: int, address: int = 0x40) -> int:
    """Read a register as the daemon's I2C library does: write and read in a combined transfer."""
    pointer, result = (
        ctypes.create_string_buffer(bytes([register]), 1),
        ctypes.create_string_buffer(2),
    )
    byte = ctypes.POINTER(ctypes.c_uint8)
    request = smbus.make_i2c_rdwr_data(
        [
            (address, 0, 1, ctypes.cast(pointer, byte)),
            (address, smbus.I2C_M_RD, 2, ctypes.cast(result, byte)),
        ]
    )
    assert bus.kernel.ioctl(smbus.I2C_RDWR, ctypes.addressof(request)) == 2
    return int.from_bytes(result.raw, "big", signed=register == 0x01)


def test_power_on_value(bus: Any) -> None:
    """The configuration register has its power-on value."""
    assert read_word(bus, 0x00) == 0x399F  # TI SBOS448, table of registers


def test_current_follows_line(bus: Any) -> None:
    """3 A on 0.02 ohm are 6000 steps of 10 uV, 3 V are 750 steps of 4 mV. Source: TI SBOS448."""
    bus.now.s += 0.1
    assert read_word(bus, 0x01) == pytest.approx(6000, abs=5)
    assert read_word(bus, 0x02) >> 3 == pytest.approx(750, abs=3)
    bus.now.high = False
    bus.now.s += 0.1
    assert read_word(bus, 0x01) == pytest.approx(0, abs=5)
    assert read_word(bus, 0x02) >> 3 == pytest.approx(0, abs=3)


def test_plain_reads_and_writes(bus: Any) -> None:
    """Plain reads and writes go to the chosen address."""
    assert bus.kernel.ioctl(smbus.I2C_SLAVE, 0x40) == 0
    assert struct.unpack(
        "<II", bus.answer(16, struct.pack("<QQIIQII", 0, 0, 3, 0, 0, 0, 0) + b"\x00\x3f\xff")
    ) == (3, 0)
    assert bus.answer(15, struct.pack("<QQIIQII", 0, 0, 2, 0, 0, 0, 0)) == b"\x3f\xff"


def test_other_address_is_silent(bus: Any) -> None:
    with pytest.raises(OSError, match="no acknowledge"):
        read_word(bus, 0x00, address=0x41)
