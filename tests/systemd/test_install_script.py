"""The shipped install script, run into a temporary directory.

A ``python3`` that installs nothing replaces the real one.
"""

import json
import os
import shutil
import subprocess
import sys
import threading
import tomllib
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path

import pytest
from setuptools import find_packages

from controller.config import RigSettings, load_settings
from tests.paths import ROOT

SCRIPT = ROOT / "systemd" / "install.sh"

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

PYTHON = """#!/bin/sh
# Stands in for python3 and for the one of the virtual environment; -c goes to the real one.
case "$1 $2" in
"-m venv")
    shift 2
    [ "$1" != --clear ] || { rm -rf "$2"; shift; }
    mkdir -p "$1/bin" && cp "$0" "$1/bin/python" ;;
"-m pip")
    for source; do :; done
    echo "$source" > "$(dirname "$0")/../source"
    (cd "$source" && find . -type f | sort) > "$(dirname "$0")/../installed"
    for name in biteclock biteclock-force-off; do
        echo '#!/bin/sh' > "$(dirname "$0")/$name"
    done ;;
*) case $2 in
    *urllib*) exec REAL -c "$2" "$STATUS_PORT" ;;
    *) exec REAL "$@" ;;
    esac ;;
esac
"""

SYSTEM_COMMANDS = (
    "apt-get",
    "groupadd",
    "useradd",
    "usermod",
    "systemctl",
    "modprobe",
    "udevadm",
    "mount",
    "reboot",
)


class Bench:
    """A root directory and a PATH on which commands that change the system only leave a note."""

    def __init__(self, directory: Path) -> None:
        self.root = directory / "root"
        self.notes = directory / "notes"
        self.bin = directory / "bin"
        self.bin.mkdir(parents=True)
        self._command("python3", PYTHON.replace("REAL", sys.executable))
        for name in SYSTEM_COMMANDS:
            self._command(name, f'#!/bin/sh\necho "{name} $*" >> {self.notes}\n')
        with (self.bin / "systemctl").open("a") as systemctl:
            systemctl.write('[ "$1" != is-active ] || exit "${SYSTEMCTL_ACTIVE:-3}"\n')
        self.boot = self.root / "boot" / "firmware" / "config.txt"
        self.boot.parent.mkdir(parents=True)
        self.boot.write_text(BOOT_CONFIG)
        self.config = self.root / "etc" / "biteclock" / "biteclock.toml"
        self.unit = self.root / "etc" / "systemd" / "system" / "biteclock.service"

    def _command(self, name: str, text: str) -> None:
        (self.bin / name).write_text(text)
        (self.bin / name).chmod(0o755)

    def run(self, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
        return subprocess.run(
            ["sh", str(SCRIPT), *arguments],
            env={**os.environ, "PATH": f"{self.bin}:{os.environ['PATH']}", **environment},
            capture_output=True, text=True, check=False,
        )  # fmt: skip

    def install(self, *arguments: str) -> str:
        done = self.run("--prefix", str(self.root), *arguments)
        assert (done.returncode, done.stderr) == (0, "")
        return done.stdout

    def tree(self) -> dict[str, tuple[int, str]]:
        """Return path -> (mode, content or target of the link) of everything below the root."""
        return {
            str(path.relative_to(self.root)): (
                path.lstat().st_mode,
                os.readlink(path)
                if path.is_symlink()
                else ""
                if path.is_dir()
                else path.read_text(),
            )
            for path in sorted(self.root.rglob("*"))
        }

    def pins(self) -> tuple[str, str, str]:
        """Return the relay's pin as unit, boot configuration and settings have it."""
        in_unit = [
            line
            for line in self.unit.read_text().splitlines()
            if line.startswith("Environment=BITECLOCK_RELAY")
        ]
        in_boot = [line for line in self.boot.read_text().splitlines() if line.startswith("gpio=")]
        assert (len(in_unit), len(in_boot)) == (1, 1)
        return (
            in_unit[0].rpartition("=")[2],
            "GPIO" + in_boot[0][5:].partition("=")[0],
            load_settings(self.config).rig.relay_pin,
        )


@pytest.fixture
def bench(tmp_path):
    return Bench(tmp_path)


@pytest.mark.parametrize("shell", ["sh", "bash"])
def test_script_parses(shell):
    assert (
        subprocess.run([shell, "-n", str(SCRIPT)], capture_output=True, check=False).stderr == b""
    )


def test_fresh_install(bench):
    """A fresh install puts every file in its place."""
    output = bench.install()
    tree = bench.tree()
    assert {path for path, (_, content) in tree.items() if content} == {
        "boot/firmware/config.txt",
        "etc/biteclock/biteclock.toml",
        "etc/modules-load.d/biteclock.conf",
        "etc/systemd/system/biteclock.service",
        "etc/udev/rules.d/60-biteclock.rules",
        "opt/biteclock/venv/bin/biteclock",
        "opt/biteclock/venv/bin/biteclock-force-off",
        "opt/biteclock/venv/bin/python",
        "opt/biteclock/venv/installed",
        "opt/biteclock/venv/source",
        "usr/local/bin/biteclock",
        "usr/local/bin/biteclock-force-off",
    }
    assert tree["etc/modules-load.d/biteclock.conf"][1] == "i2c-dev\n"
    assert (
        tree["usr/local/bin/biteclock-force-off"][1]
        == "/opt/biteclock/venv/bin/biteclock-force-off"
    )
    for line in ("dtparam=i2c_arm=on", "dtparam=strict_gpiod", "gpio=17=op,dl"):
        assert bench.boot.read_text().splitlines().count(line) == 1
    assert "reboot" in output


def test_second_run_changes_nothing(bench):
    """A second run changes nothing and asks for no reboot."""
    bench.install()
    before = bench.tree()
    output = bench.install()
    after = bench.tree()
    for tree in (before, after):
        del tree["opt/biteclock/venv/source"]  # the name of a temporary directory
    assert after == before
    assert "wrote" not in output
    assert "reboot" not in output


def test_boot_lines_hold(bench):
    """The lines hold for every board, and the person's own lines stay.

    They follow [all] and an empty dtoverlay=. Otherwise [cm5] and the overlay above would swallow
    them.

    Source: Raspberry Pi documentation, config.txt, conditional filters and dtparam (from memory).
    """
    bench.install()
    text = bench.boot.read_text()
    assert text.startswith(BOOT_CONFIG)
    block = [
        line for line in text.removeprefix(BOOT_CONFIG).splitlines() if not line.startswith("#")
    ]
    assert block == [
        "[all]",
        "dtoverlay=",
        "dtparam=i2c_arm=on",
        "dtparam=strict_gpiod",
        "gpio=17=op,dl",
    ]
    assert max(map(len, text.splitlines())) <= 98, (
        "the firmware reads no more of a line (from memory)"
    )


def test_pin_has_one_source(bench):
    """Unit, boot configuration and settings take the pin from one source."""
    bench.install("--pin", "GPIO22")
    assert bench.pins() == ("GPIO22", "GPIO22", "GPIO22")
    bench.install()
    assert bench.pins() == ("GPIO22", "GPIO22", "GPIO22")
    bench.config.write_text(
        bench.config.read_text().replace('relay_pin = "GPIO22"', 'relay_pin = "GPIO23"')
    )
    assert "reboot" in bench.install()
    assert bench.pins() == ("GPIO23", "GPIO23", "GPIO23")


def test_contradicting_pin_is_refused(bench):
    """A pin that contradicts the configuration is refused, and nothing is changed."""
    bench.install("--pin", "GPIO22")
    before = bench.tree()
    done = bench.run("--prefix", str(bench.root), "--pin", "GPIO27")
    assert done.returncode == 1
    assert "GPIO27" in done.stderr
    assert "GPIO22" in done.stderr
    assert bench.tree() == before


def test_default_pin_matches_program(bench):
    """Script, unit and program have the same default pin."""
    bench.install()
    assert set(bench.pins()) == {RigSettings().relay_pin}
    assert (
        f"Environment=BITECLOCK_RELAY_PIN={RigSettings().relay_pin}"
        in (ROOT / "systemd/biteclock.service").read_text()
    )
    bench.config.write_text("[server]\nport = 8421\n")
    bench.install()
    assert set(bench.pins()) == {RigSettings().relay_pin}


@pytest.mark.parametrize(
    ("pin", "why"),
    [
        ("GPIO2", "pull-up"), ("GPIO8", "pull-up"), ("GPIO14", "serial console"),
        ("GPIO15", "serial console"),
        ("GPIO28", "is no pin"), ("GPIO1x", "is no pin"), ("17", "is no pin"),
        ("GPIO17=op,dh", "is no pin"),
    ],
)  # fmt: skip
def test_unsafe_pins_are_refused(bench, pin, why):
    """GPIO0 to 8 have pull-ups: BCM2835 ARM Peripherals, table 6-31 (from memory).

    GPIO14 is the console's output, which idles high. A pin that closes the relay at power-up is
    refused, and so is a name that is not a pin.
    """
    done = bench.run("--prefix", str(bench.root), "--pin", pin)
    assert done.returncode == 1
    assert f"{pin} " in done.stderr
    assert why in done.stderr
    assert not bench.unit.exists()


def test_other_pins_are_taken(bench):
    for number in [*range(9, 14), *range(16, 28)]:
        done = bench.run("--prefix", str(bench.root), "--dry-run", "--pin", f"GPIO{number}")
        assert done.returncode == 0, done.stderr


def test_existing_configuration_is_kept(bench):
    """An existing configuration is never changed."""
    bench.install()
    own = 'rig = { relay_pin = "GPIO17" }\n# mine\n'
    bench.config.write_text(own)
    assert "kept" in bench.install()
    assert bench.config.read_text() == own


def test_prefix_spares_running_system(bench):
    """With a prefix no command reaches the running system."""
    bench.install()
    bench.install("--uninstall")
    assert not bench.notes.exists()


def test_dry_run_changes_nothing(bench, tmp_path):
    """A dry run names the commands in order and runs none of them."""
    before = bench.tree()
    done = bench.run("--dry-run")
    bench.install("--dry-run")
    assert bench.tree() == before
    wanted = [
        "apt-get update", "apt-get install", "python3 -m venv /opt/biteclock/venv",
        "-m pip install",
        "mv -f /etc/systemd/system/biteclock.service.new", "modprobe i2c-dev",
        "systemctl daemon-reload", "systemctl enable",
    ]  # fmt: skip
    places = [done.stdout.find(command) for command in wanted]
    assert -1 not in places, dict(zip(wanted, places, strict=True))
    assert places == sorted(places)
    changing = [
        line
        for line in bench.notes.read_text().splitlines()
        if not line.startswith("systemctl is-active")
    ]
    assert changing == []
    assert "apt-get" not in bench.run("--dry-run", "--no-apt").stdout


def test_uninstall_restores_boot_configuration(bench):
    """Uninstalling restores the boot configuration and keeps the program's configuration."""
    untouched = bench.tree()
    bench.install()
    kept = bench.config.read_text()
    output = bench.install("--uninstall")
    left = {path: content for path, (mode, content) in bench.tree().items() if content}
    assert left == {"boot/firmware/config.txt": BOOT_CONFIG, "etc/biteclock/biteclock.toml": kept}
    assert bench.tree()["boot/firmware/config.txt"] == untouched["boot/firmware/config.txt"]
    assert "reboot" in output
    assert "reboot" not in bench.install("--uninstall")


def test_damaged_boot_block_stays(bench):
    """A damaged block in the boot configuration is left alone."""
    bench.install()
    damaged = bench.boot.read_text().replace("# biteclock end\n", "") + "dtoverlay=w1-gpio\n"
    bench.boot.write_text(damaged)
    done = bench.run("--prefix", str(bench.root))
    assert done.returncode == 1
    assert "by hand" in done.stderr
    assert bench.boot.read_text() == damaged


def test_missing_boot_configuration(bench):
    """Without a Pi's boot configuration the script lists the lines to add by hand."""
    shutil.rmtree(bench.root / "boot")
    assert "strict_gpiod" in bench.install()
    assert not (bench.root / "boot").exists()


def test_checkout_stays_clean(bench):
    """The packages of this checkout are installed, and the checkout stays unchanged.

    A build leaves traces where it runs, and here they would belong to root.
    """
    bench.install()
    assert not Path((bench.root / "opt/biteclock/venv/source").read_text().strip()).is_relative_to(
        ROOT
    )
    installed = (bench.root / "opt/biteclock/venv/installed").read_text().splitlines()
    for wanted in (
        "pyproject.toml",
        "controller/config/reading.py",
        "hardware/force_off.py",
        "hardware/rehearsal/__init__.py",
    ):
        assert f"./{wanted}" in installed
    assert not [path for path in installed if "__pycache__" in path or "/tests/" in path]


def test_every_package_is_installed():
    """The build finds each folder of source files; an editable installation would not miss one."""
    found = tomllib.loads((ROOT / "pyproject.toml").read_text())["tool"]["setuptools"]["packages"]
    packages = set(find_packages(str(ROOT), include=found["find"]["include"]))
    there = {
        ".".join(path.parent.relative_to(ROOT).parts)
        for room in ("controller", "hardware", "api")
        for path in (ROOT / room).rglob("*.py")
    }
    assert there == packages


def test_other_python_rebuilds_environment(bench):
    """A virtual environment of another Python is built again from scratch."""
    bench.install()
    stale = bench.root / "opt/biteclock/venv/stale"
    stale.touch()
    bench.install()
    assert stale.exists()
    (bench.root / "opt/biteclock/venv/bin/python").write_text(
        "#!/bin/sh\n[ $1 != -c ] || echo '(3, 10)'\n"
    )
    bench.install()
    assert not stale.exists()


class Status(BaseHTTPRequestHandler):
    """Answers as the daemon does, as far as the script reads it."""

    def do_GET(self) -> None:
        self.send_response(200 if self.path == "/api/status" else 404)
        self.end_headers()
        self.wfile.write(json.dumps({"state": self.server.state}).encode())

    def log_message(self, *_: object) -> None:
        """Log nothing."""


@pytest.mark.parametrize("arguments", [(), ("--uninstall",)])
@pytest.mark.parametrize(
    ("state", "refused"), [("running", True), ("paused", True), ("checking", True), ("idle", False)]
)
def test_update_waits_for_run(bench, state, refused, arguments):
    """An update does not cut a run in progress."""
    with HTTPServer(("127.0.0.1", 0), Status) as server:
        server.state = state
        threading.Thread(target=server.serve_forever, daemon=True).start()
        done = bench.run(
            "--dry-run", *arguments, STATUS_PORT=str(server.server_port), SYSTEMCTL_ACTIVE="0"
        )
        server.shutdown()
    assert done.returncode == (1 if refused else 0)
    assert (f"a run is {state}" in done.stderr) == refused
    assert ("systemctl daemon-reload" in done.stdout) != refused


def test_silent_daemon_is_replaced(bench):
    """A daemon that does not answer can be replaced."""
    with HTTPServer(("127.0.0.1", 0), Status) as server:
        port = server.server_port
    assert bench.run("--dry-run", STATUS_PORT=str(port), SYSTEMCTL_ACTIVE="0").returncode == 0


def test_wrong_options_show_usage(bench):
    for arguments in (["--pins", "GPIO17"], ["--pin"]):
        done = bench.run(*arguments)
        assert done.returncode == 2
        assert "Usage:" in done.stderr
