"""A bench for install.sh: a root directory, checkouts of several versions, a service manager.

The commands that would change this machine are replaced on the PATH. The script runs as shipped,
but for one line: a checkout of the kit lets it talk to these commands below a prefix too.
"""

from __future__ import annotations

import json
import os
import shutil
import sqlite3
import subprocess
import sys
import threading
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path

from controller.logbook import schema
from tests.kits import versioned_program
from tests.paths import ROOT

NEWEST = len(schema.MIGRATIONS)
BOOT_CONFIG = """\
# For more options and information see
# http://rptl.io/configtxt
#dtparam=i2c_arm=on
dtparam=audio=on
dtoverlay=vc4-kms-v3d
arm_64bit=1

[cm5]
dtoverlay=dwc2,dr_mode=host
"""
"""Shortened file of a Raspberry Pi OS image: ends inside a filter and after an overlay."""

FAILING = """#!/bin/sh
# The first command that matches FAIL fails, or gets SIGNAL sent to the script.
case "${0##*/} $*" in
${FAIL:-nothing})
    if [ ! -e KIT/failed ]; then
        touch KIT/failed
        [ -n "${SIGNAL:-}" ] || exit 1
        kill -"$SIGNAL" $PPID
    fi ;;
esac
"""

PYTHON = """
# Stands in for python3 and for the one of an environment.
here=$(dirname "$0")
case "$*" in
"-m venv "*)
    mkdir -p "$3/bin" && cp "$0" "$3/bin/python" ;;
"-m pip install "*)
    for last; do :; done
    echo "$*" >> KIT/pip
    case $* in *--require-hashes*) exit 0 ;; esac
    echo "$last" > "$here/../source"
    if [ -d "$last" ]; then
        (cd "$last" && find . -type f | sort) > "$here/../installed"
        version=$(sed -n 's/^version = "\\(.*\\)"$/\\1/p' "$last/pyproject.toml")
    else
        version=$(basename "$last" | cut -d - -f 2)
    fi
    cp "$last/controller/format" "$here/../format" 2>/dev/null
    cp "$last/controller/trouble" "$here/../trouble" 2>/dev/null
    cat > "$here/biteclock" <<EOF
#!/bin/sh
[ "\\$1" != --version ] || { echo "biteclock, version $version"; exit 0; }
exit 2
EOF
    chmod +x "$here/biteclock"
    printf '#!/bin/sh\\n' > "$here/biteclock-force-off" ;;
*trial.py*)
    exec REAL CHECKOUT/tests/kits/versioned_program.py \\
        "$(cat "$here/../format" 2>/dev/null || echo NEWEST)" "$@" ;;
*)
    exec REAL "$@" ;;
esac
"""

SYSTEMCTL = """
echo "systemctl $*" >> NOTES
for unit; do :; done
case $1 in
is-active) [ -e KIT/active ] || exit 3 ;;
is-enabled) [ -e "KIT/enabled-$unit" ] || exit 1 ;;
enable) touch "KIT/enabled-$unit" ;;
disable) rm -f "KIT/enabled-$unit" ;;
stop) [ "$unit" != biteclock ] || rm -f KIT/active ;;
restart)
    [ "$unit" = biteclock ] || exit 0
    rm -f KIT/active
    environment=$(readlink -f "LINK") || exit 1
    REAL CHECKOUT/tests/kits/versioned_program.py \\
        "$(cat "$environment/format" 2>/dev/null || echo NEWEST)" daemon LOGBOOK || exit 1
    [ "$(cat "$environment/trouble" 2>/dev/null)" != start ] || exit 1
    basename "$environment" > KIT/active ;;
esac
"""

NOTED = (
    "apt-get", "groupadd", "useradd", "usermod", "modprobe", "udevadm", "mount", "reboot",
)  # fmt: skip


class Answers(BaseHTTPRequestHandler):
    """Answers as the daemon does, as far as the script reads it."""

    def do_GET(self) -> None:
        bench: Bench | None = self.server.bench  # type: ignore[attr-defined]
        if bench is None:
            return  # the connection ends without an answer
        active = bench.kit / "active"
        if not active.exists() or (self.path == "/api/health" and not bench.has_health):
            self.send_error(404)
            return
        trouble = bench.root / "opt/biteclock" / active.read_text().strip() / "trouble"
        is_well = not (trouble.exists() and trouble.read_text().strip() == "health")
        is_well = is_well and bench.is_well
        status = 200 if is_well or self.path != "/api/health" else 503
        self.send_response(status)
        self.end_headers()
        body = {"state": bench.state} if self.path == "/api/status" else {"ready": is_well}
        self.wfile.write(json.dumps(body).encode())

    def log_message(self, *_: object) -> None:
        """Log nothing."""


def answering() -> ThreadingHTTPServer:
    """Return a server that answers as the daemon of its ``bench``, None for nobody."""
    server = ThreadingHTTPServer(("127.0.0.1", 0), Answers)
    server.bench = None  # type: ignore[attr-defined]
    threading.Thread(target=server.serve_forever, daemon=True).start()
    return server


class Bench:
    """A root directory and a PATH on which commands that change the system only leave a note.

    :param server: answers as the daemon, also for later benches; None for one of its own.
    """

    def __init__(self, directory: Path, server: ThreadingHTTPServer | None = None) -> None:
        self.root = directory / "root"
        self.kit = directory / "kit"
        self.notes = directory / "notes"
        self.bin = directory / "bin"
        self.base = self.root / "opt/biteclock"
        self.link = self.base / "venv"
        self.logbook = self.root / "var/lib/biteclock/biteclock.sqlite"
        self.kept = self.root / "var/lib/biteclock-kept"
        self.boot = self.root / "boot/firmware/config.txt"
        self.config = self.root / "etc/biteclock/biteclock.toml"
        self.unit = self.root / "etc/systemd/system/biteclock.service"
        self.state, self.is_well, self.has_health = "idle", True, True
        for folder in (self.bin, self.kit, self.boot.parent, self.logbook.parent):
            folder.mkdir(parents=True)
        self.boot.write_text(BOOT_CONFIG)
        self._command("python3", PYTHON)
        self._command("systemctl", SYSTEMCTL)
        self._command("sleep", "")
        self._command("dpkg-query", '\n[ "${PACKAGES:-}" = there ]\n')
        self._command("runuser", '\nshift 3\nexec "$@"\n')
        for name in ("cp", "mv", "ln", "sync"):
            self._command(name, f'\nexec {shutil.which(name)} "$@"\n')
        for name in NOTED:
            self._command(name, f'\necho "{name} $*" >> {self.notes}\n')
        self._own = answering() if server is None else None
        self._server = server or self._own
        self._server.bench = self  # type: ignore[union-attr]
        self.port: int = self._server.server_port  # type: ignore[union-attr]

    def close(self) -> None:
        """Answer nothing more."""
        self._server.bench = None  # type: ignore[union-attr]
        if self._own is not None:
            self._own.shutdown()
            self._own.server_close()
            self._own = None

    def _command(self, name: str, text: str) -> None:
        values = {
            "KIT": self.kit, "REAL": sys.executable, "NOTES": self.notes, "CHECKOUT": ROOT,
            "LOGBOOK": self.logbook, "LINK": self.link, "NEWEST": NEWEST,
        }  # fmt: skip
        text = FAILING + text
        for key, value in values.items():
            text = text.replace(key, str(value))
        (self.bin / name).write_text(text)
        (self.bin / name).chmod(0o755)

    def checkout(self, version: str, newest: int = NEWEST, trouble: str = "") -> Path:
        """Return a small checkout whose program has this version and logbook format.

        :param trouble: ``start`` fails to start, ``health`` starts and never gets ready.
        """
        new = self.kit / f"checkout-{version}-{newest}{trouble}"
        skip = shutil.ignore_patterns("__pycache__", "bench_os", "wheels", "lock")
        shutil.copytree(ROOT / "systemd", new / "systemd", ignore=skip)
        with (new / "systemd/install/tools.sh").open("a") as tools:
            tools.write("\nconcerns_system() { true; }\n")
        (new / "pyproject.toml").write_text(f'version = "{version}"\n')
        for name in ("README.md", "LICENSE"):
            (new / name).write_text("")
        for room in ("controller", "hardware", "api"):
            (new / room).mkdir()
        (new / "controller/format").write_text(f"{newest}\n")
        if trouble:
            (new / "controller/trouble").write_text(f"{trouble}\n")
        return new

    def run(
        self, *arguments: str, checkout: Path = ROOT, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        (self.kit / "failed").unlink(missing_ok=True)
        variables = {name: value for name, value in os.environ.items() if name != "SUDO_USER"}
        # Whoever runs the tests may ignore SIGHUP, and a shell cannot undo that.
        return subprocess.run(
            ["env", "--default-signal=HUP", "sh", str(checkout / "systemd/install.sh"), *arguments],
            env={
                **variables, "PATH": f"{self.bin}:{os.environ['PATH']}", "PYTHONPATH": str(ROOT),
                "TMPDIR": str(self.kit), **environment,
            },
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    def install(self, *arguments: str, checkout: Path = ROOT) -> str:
        done = self.run("--prefix", str(self.root), *arguments, checkout=checkout)
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout

    def try_install(
        self, *arguments: str, checkout: Path, **environment: str
    ) -> subprocess.CompletedProcess[str]:
        return self.run("--prefix", str(self.root), *arguments, checkout=checkout, **environment)

    def begin(self, checkout: Path) -> None:
        """Make it a bench on which a version runs, with its configuration.

        It is no Pi: the boot configuration would ask for a reboot before the first start.
        """
        self.config.parent.mkdir(parents=True, exist_ok=True)
        self.config.write_text(f"[server]\nport = {self.port}\n")
        self.boot.unlink()
        self.install(checkout=checkout)
        assert self.running() == os.readlink(self.link)

    def running(self) -> str | None:
        """Return the environment whose daemon runs."""
        active = self.kit / "active"
        return active.read_text().strip() if active.exists() else None

    def write_logbook(self, newest: int) -> None:
        """Make a logbook of that format with one boot in it, which stands for the records."""
        versioned_program.make(self.logbook, newest)
        connection = sqlite3.connect(self.logbook)
        connection.execute("INSERT INTO boots (boot_id) VALUES ('the records')")
        connection.commit()
        connection.close()

    def records(self, path: Path | None = None) -> tuple[int, list[str]]:
        """Return the format of a logbook and what is in it."""
        connection = sqlite3.connect(path or self.logbook)
        version = connection.execute("PRAGMA user_version").fetchone()[0]
        boots = [row[0] for row in connection.execute("SELECT boot_id FROM boots ORDER BY number")]
        connection.close()
        return int(version), boots

    def tree(self, *left_out: str) -> dict[str, tuple[int, str]]:
        """Return path -> (mode, content or target of the link) of everything below the root."""
        return {
            name: (
                path.lstat().st_mode,
                os.readlink(path) if path.is_symlink() else ""
                if path.is_dir() else path.read_bytes().decode(errors="replace"),
            )
            for path in sorted(self.root.rglob("*"))
            if not (name := str(path.relative_to(self.root))).startswith(left_out or ("/",))
        }  # fmt: skip
