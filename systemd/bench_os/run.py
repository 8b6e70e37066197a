"""The installed service on an emulated machine: systemd, kernel and lgpio are real.

The relay's line and the sensor are simulated.

``make bench-os``, by hand: puts this checkout into an image (needs root), boots it without a
network, prints one table and writes out/bench-os.json. Exit status 0: every level was right.
"""

from __future__ import annotations

import argparse
import contextlib
import json
import os
import platform
import signal
import subprocess
import sys
from dataclasses import asdict
from pathlib import Path

from judge import judge, parse, table

HERE = Path(__file__).parent
OUT = HERE.parent.parent / "out"
GIVE_UP_S = 3600
"""Longest time for the whole bench, s."""


def machine(image: Path, niceness: int) -> list[str]:
    """Return the command that runs the machine.

    Guest time counts instructions, 2 ns each, so a busy computer does not make the guest late. That
    is 500 million instructions a second: a slow Pi, by intention.
    """
    return [
        "nice", "-n", str(niceness), "qemu-system-aarch64", "-machine", "virt,gic-version=2",
        "-cpu", "cortex-a53",
        "-smp", "1", "-m", "1024", "-icount", "shift=1", "-rtc", "clock=vm",
        "-nic", "none", "-display", "none", "-monitor", "none",
        "-kernel", str(image / "kernel"), "-initrd", str(image / "initrd"), "-dtb",
        str(image / "machine.dtb"),
        "-drive", f"if=none,id=disk,file={image / 'disk'},format=raw,snapshot=on", "-device",
        "virtio-blk-device,drive=disk",
        "-device", "virtio-serial-device", "-chardev",
        f"file,id=report,path={image / 'report.jsonl'}",
        "-device", "virtconsole,chardev=report", "-serial", f"file:{image / 'console.log'}",
        "-append",
        "console=ttyAMA0 root=/dev/vda rw loglevel=4 systemd.getty_auto=no systemd.show_status=no",
    ]  # fmt: skip


def run_to_end(
    command: list[str], give_up_s: float | None = None, environment: dict[str, str] | None = None
) -> int:
    """Run a program in a session of its own and return its exit status.

    When this program is ended, that one gets SIGTERM and the time to leave the machine as it was.
    Raises: TimeoutExpired, and whatever ends this program.
    """
    child = subprocess.Popen(command, env=environment, start_new_session=True)
    try:
        return child.wait(give_up_s)
    except BaseException:
        with contextlib.suppress(ProcessLookupError):
            os.killpg(child.pid, signal.SIGTERM)
        child.wait()
        raise


def end(*_: object) -> None:
    """End as after Ctrl-C."""
    raise KeyboardInterrupt


def main() -> int:
    """Build, boot, judge; return the exit status."""
    for ending in (signal.SIGTERM, signal.SIGHUP):
        signal.signal(ending, end)
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument(
        "--image", type=Path, default=OUT / "bench-os", help="directory of the image"
    )
    parser.add_argument(
        "--nice", type=int, default=10, help="niceness of the emulator, 10 if not given"
    )
    parser.add_argument(
        "--no-build",
        action="store_true",
        help="take the image of the last time, with the project as it was",
    )
    parser.add_argument(
        "--judge-only", action="store_true", help="judge the report of the last run once more"
    )
    options = parser.parse_args()
    image: Path = options.image
    if not options.judge_only:
        build = ["sh", str(HERE / "make_image.sh"), str(image)]
        environment = {**os.environ, "PYTHON": sys.executable}
        if options.no_build and not (image / "disk").exists():
            print(f"there is no finished image in {image}: run it without RESUME", file=sys.stderr)
            return 2
        if not options.no_build and run_to_end(build, environment=environment):
            return 2
        for name in ("report.jsonl", "console.log"):
            (image / name).unlink(missing_ok=True)
        print(f"booting; the console is in {image / 'console.log'}", flush=True)
        try:
            run_to_end(machine(image, options.nice), GIVE_UP_S)
        except (subprocess.SubprocessError, OSError) as error:
            print(f"the machine did not end by itself: {error}", file=sys.stderr)
    events = parse((image / "report.jsonl").read_text(errors="replace").splitlines())
    rows = judge(events)
    facts = [event for event in events if event["kind"] in ("fact", "installed", "failed", "done")]
    wrong = [row for row in rows if row.problems]
    OUT.mkdir(exist_ok=True)
    host = f"{platform.machine()}, software emulation"
    whole = {
        "host": host,
        "facts": facts,
        "rows": [asdict(row) for row in rows],
        "wrong": len(wrong),
    }
    (OUT / "bench-os.json").write_text(json.dumps(whole, indent=1) + "\n")
    print(table(rows))
    print(f"{len(rows) - len(wrong)} of {len(rows)} scenes right; {OUT / 'bench-os.json'}")
    return 1 if wrong else 0


if __name__ == "__main__":
    sys.exit(main())
