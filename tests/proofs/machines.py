"""``make machines``, by hand: a new user on a new machine, for Debian 12 and 13.

Makes a minimal root of each (mmdebstrap, with the mirror that this machine uses itself), adds a
user with sudo, and lets the user type what README.md says, word for word: the packages, then
``make demo ONCE=1`` and ``make test``. Needs root, and nothing of the project's environment.
The roots are kept in out/machines as tar files; each try begins from a new copy.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import shlex
import shutil
import signal
import subprocess
import sys
import tempfile
import time  # noqa: TID251  a stopwatch around other programs
from collections.abc import Iterator
from pathlib import Path

ROOT = Path(__file__).parent.parent.parent
OUT = ROOT / "out" / "machines"
SUITES = ("bookworm", "trixie")
USER = "smith"
BESIDES = ("sudo", "ca-certificates")
"""What a new machine has besides the smallest Debian: README.md asks for sudo."""

CERTIFICATES = Path("/usr/local/share/ca-certificates")
"""Authorities that this machine trusts besides Debian's: the network may need them."""


def commands(readme: str) -> tuple[list[str], list[str]]:
    """Return what README.md tells a new user to type: the packages, then the two commands.

    Raises: ValueError when the page no longer says it in this form.
    """
    packages = re.findall(r"`(sudo apt-get install -y [a-z0-9 -]+)`", readme)
    for_tests = re.search(r"for the tests also\s+`([a-z0-9 -]+)`", readme)
    block = re.search(r"^Two commands do the rest:\n+```\n(.*?)```", readme, re.M | re.S)
    if len(packages) != 1 or for_tests is None or block is None:
        raise ValueError("README.md does not say how to begin in the form that is followed here")
    two = [line.partition("#")[0].strip() for line in block[1].splitlines()]
    if two != ["make demo", "make test"]:
        raise ValueError(f"README.md names other commands than two: {two}")
    return [packages[0], f"sudo apt-get install -y {for_tests[1]}"], two


def mirror() -> str:
    """Return the Debian mirror of this machine. Raises: SystemExit without one."""
    files = [Path("/etc/apt/sources.list"), *sorted(Path("/etc/apt/sources.list.d").glob("*"))]
    text = "\n".join(path.read_text() for path in files if path.is_file())
    found = re.findall(r"^(?:URIs:|deb\s+(?:\[[^]]*\]\s*)?)\s*(\S+/debian/?)(?:\s|$)", text, re.M)
    if not found:
        raise SystemExit("machines: no Debian mirror in /etc/apt")
    return str(found[0])


def make_root(suite: str) -> Path:
    """Return the tar file of a minimal root; made once."""
    packed = OUT / f"{suite}.tar"
    if not packed.exists():
        new = packed.with_suffix(".new.tar")
        subprocess.run(
            ["mmdebstrap", "--quiet", "--variant=minbase", f"--include={','.join(BESIDES)}",
             suite, str(new), mirror()],
            check=True,
        )  # fmt: skip
        new.rename(packed)
    return packed


class Machine:
    """A root with a process tree and mounts to itself, which end with it."""

    def __init__(self, root: Path, log: Path) -> None:
        self._root = root
        self._log = log

    def run(self, script: str, user: str = "root", give_up_s: float = 5400) -> int:
        """Run a script in a login shell of the user and return its exit status."""
        enter = (
            'set -e; cd "$1"; mount --rbind /dev dev; mount --make-rslave dev; '
            "mount -t proc proc proc; mount -t sysfs -o ro sysfs sys; mount -t tmpfs tmpfs run; "
            "cp /etc/resolv.conf etc/resolv.conf; "
            "exec chroot . env -i PATH=/usr/sbin:/usr/bin:/sbin:/bin TERM=dumb "
            'setpriv --reuid "$2" --regid "$2" --init-groups sh -c "$3"'
        )
        home = "/root" if user == "root" else f"/home/{user}"
        inside = f"export HOME={home} USER={user} LANG=C.UTF-8; cd {home}; {script}"
        if "PIP_CERT" in os.environ:
            inside = f"export PIP_CERT={shlex.quote(os.environ['PIP_CERT'])}; {inside}"
        command = ["unshare", "--mount", "--pid", "--fork", "--kill-child", "--uts", "--ipc"]
        with self._log.open("a") as log:
            log.write(f"\n--- {user}: {script}\n")
            log.flush()
            child = subprocess.Popen(
                [*command, "sh", "-c", enter, "machine", str(self._root), user, inside],
                stdin=subprocess.DEVNULL, stdout=log, stderr=subprocess.STDOUT,
                start_new_session=True,
            )  # fmt: skip
            try:
                return child.wait(give_up_s)
            except BaseException:
                os.killpg(child.pid, signal.SIGKILL)
                child.wait()
                raise


@contextlib.contextmanager
def machine(suite: str) -> Iterator[Machine]:
    """Give a new machine with a user, the project in the user's home, and certificates."""
    log = OUT / f"{suite}.log"
    log.write_text("")
    with tempfile.TemporaryDirectory(dir=OUT, prefix=f"{suite}-") as name:
        root = Path(name) / "root"
        root.mkdir()
        subprocess.run(["tar", "-xpf", make_root(suite), "-C", str(root)], check=True)
        new = Machine(root, log)
        if new.run(
            f"useradd --create-home --shell /bin/bash {USER} && echo box >/etc/hostname && "
            f"echo '{USER} ALL=(ALL) NOPASSWD: ALL' >/etc/sudoers.d/{USER}"
        ):
            raise SystemExit(f"machines: {suite} takes no user, see {log}")
        project = root / "home" / USER / "biteclock"
        project.mkdir()
        listed = subprocess.run(
            ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
            cwd=ROOT, check=True, capture_output=True, text=True,
        ).stdout.split("\0")  # fmt: skip
        for path in filter(None, listed):
            if (ROOT / path).exists():
                (project / path).parent.mkdir(parents=True, exist_ok=True)
                shutil.copy2(ROOT / path, project / path)
        if CERTIFICATES.is_dir():
            shutil.copytree(CERTIFICATES, root / str(CERTIFICATES)[1:], dirs_exist_ok=True)
        new.run(f"update-ca-certificates; chown -R {USER}:{USER} /home/{USER}")
        yield new


def steps(only: str | None) -> list[tuple[str, str]]:
    """Return (what the table calls it, what the user types)."""
    packages, two = commands((ROOT / "README.md").read_text(encoding="utf-8"))
    typed = [("update", "sudo apt-get update"), *[("packages", line) for line in packages]]
    for command in two:
        line = f"{command} ONCE=1" if command == "make demo" else only or command
        typed.append((line, f"cd biteclock && {line}"))
    return typed


def main() -> int:
    """Follow README.md on each machine; return 1 when a command failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("suite", nargs="*", help=f"of {', '.join(SUITES)}; all if not given")
    parser.add_argument("--test", help="a shorter command in place of make test, to look around")
    options = parser.parse_args()
    if os.geteuid() != 0 or shutil.which("mmdebstrap") is None:
        print("machines: needs root, and mmdebstrap: sudo apt-get install mmdebstrap",
              file=sys.stderr)  # fmt: skip
        return 2
    OUT.mkdir(parents=True, exist_ok=True)
    print("| machine | Python | typed | exit status | s |\n|---|---|---|---|---|", flush=True)
    failed = 0
    for suite in options.suite or SUITES:
        with machine(suite) as new:
            for name, line in steps(options.test):
                began_s = time.monotonic()
                status = new.run(line, USER)
                took_s = time.monotonic() - began_s
                python = subprocess.run(
                    ["sh", "-c", f"readlink {shlex.quote(str(new._root))}/usr/bin/python3"],
                    check=False, capture_output=True, text=True,
                ).stdout.strip()  # fmt: skip
                print(f"| {suite} | {python} | `{name}` | {status} | {took_s:.0f} |", flush=True)
                failed += status != 0
                if status:
                    break
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
