"""The unit, checked by systemd's own tools and against the manual page of each setting."""

import re
import shutil
import subprocess
from pathlib import Path

import click
import pytest

from tests.paths import ROOT

UNIT = ROOT / "systemd" / "biteclock.service"
LARGEST_EXPOSURE = 2.0
"""On the scale of 0 to 10 of ``systemd-analyze security``."""


def settings(text: str) -> dict[str, list[str]]:
    """Return setting -> its values in order, as systemd reads them (the unit continues no line)."""
    found: dict[str, list[str]] = {}
    for line in text.splitlines():
        if line and not line.startswith(("#", ";", "[")):
            name, _, value = line.partition("=")
            found.setdefault(name, []).append(value)
    return found


@pytest.fixture(scope="module")
def unit() -> dict[str, list[str]]:
    return settings(UNIT.read_text())


@pytest.fixture(scope="module")
def analyze() -> str:
    path = shutil.which("systemd-analyze")
    assert path is not None, "systemd-analyze is missing: sudo apt-get install systemd"
    return path


def verify(analyze: str, directory: Path, text: str) -> str:
    """Return systemd's complaints when the unit's programs exist.

    Its exit status is 0 for an unknown key.
    """
    bin_directory = directory / "venv" / "bin"
    bin_directory.mkdir(parents=True)
    for program in ("biteclock", "biteclock-force-off"):
        (bin_directory / program).write_text("#!/bin/sh\n")
        (bin_directory / program).chmod(0o755)
    rendered = directory / "biteclock.service"
    rendered.write_text(text.replace("/opt/biteclock/venv", str(directory / "venv")))
    done = subprocess.run(
        [analyze, "verify", "--man=no", str(rendered)], capture_output=True, text=True, check=False
    )
    return done.stderr


def test_unit_is_valid(analyze, tmp_path):
    """systemd has no complaint about the unit."""
    assert verify(analyze, tmp_path, UNIT.read_text()) == ""


@pytest.mark.parametrize(
    ("old", "new"),
    [
        ("WatchdogSec=5", "WatchdogSecs=5"),
        ("RestrictNamespaces=yes", "RestrictNamespaces=perhaps"),
        ("/opt/biteclock/venv/bin/biteclock serve", "/opt/biteclock/venv/bin/clock serve"),
    ],
)
def test_verification_sees_mistakes(analyze, tmp_path, old, new):
    """The verification sees a wrong key, a wrong value and a missing program."""
    assert old in UNIT.read_text()
    assert verify(analyze, tmp_path, UNIT.read_text().replace(old, new)) != ""


def exposure(analyze: str, unit: Path) -> float:
    """Return systemd's overall exposure level of the unit, 0 (best) to 10."""
    done = subprocess.run(
        [analyze, "security", "--offline=true", str(unit)],
        capture_output=True,
        text=True,
        check=False,
    )
    found = re.search(r"Overall exposure level for \S+: (\d+\.\d+)", done.stdout)
    assert found is not None, done.stdout + done.stderr
    return float(found[1])


def test_exposure_is_low(analyze, tmp_path):
    assert exposure(analyze, UNIT) <= LARGEST_EXPOSURE
    open_unit = tmp_path / "biteclock.service"
    open_unit.write_text("[Service]\nExecStart=/bin/true\nUser=biteclock\n")
    assert exposure(analyze, open_unit) > LARGEST_EXPOSURE


def test_off_around_the_daemon(unit):
    """ExecStopPost= also runs after a crash, a kill or a failed start.

    Source: systemd.service(5).
    """
    off = "/opt/biteclock/venv/bin/biteclock-force-off --pin ${BITECLOCK_RELAY_PIN}"
    assert unit["ExecStartPre"] == [off]
    assert unit["ExecStopPost"] == [off]
    assert "BITECLOCK_RELAY_PIN=GPIO17" in unit["Environment"]


def test_daemon_accepts_unit_arguments(unit):
    """The daemon accepts the arguments in the unit.

    The working directory is in memory and vanishes with the service, so the records must go to the
    state directory.
    """
    from api.cli.command_line import main

    program, command, *arguments = unit["ExecStart"][0].split()
    assert program == "/opt/biteclock/venv/bin/biteclock"
    found = main.get_command(click.Context(main), command)
    given = found.make_context(
        command, [a.replace("%S", "/var/lib") for a in arguments], resilient_parsing=True
    )
    assert given.params is not None
    assert arguments[arguments.index("--state-directory") + 1] == "%S/biteclock"
    assert unit["StateDirectory"] == ["biteclock"]
    assert arguments[arguments.index("--config") + 1] == "/etc/biteclock/biteclock.toml"


def test_force_off_accepts_arguments():
    """The force-off program accepts the arguments in the unit."""
    from hardware.force_off import run

    command = settings(UNIT.read_text())["ExecStopPost"][0].replace(
        "${BITECLOCK_RELAY_PIN}", "GPIO17"
    )
    assert run([*command.split()[1:], "--pin-factory", "mock"])[0] == 0


def test_stuck_daemon_is_restarted(unit):
    """A stuck daemon is killed at once and started again for ever.

    The default signal and TimeoutAbortSec= would give it 90 s to abort. Source: systemd.service(5),
    systemd.kill(5).
    """
    assert unit["Type"] == ["notify"]
    assert unit["NotifyAccess"] == ["main"]
    assert unit["WatchdogSignal"] == ["SIGKILL"]
    assert float(unit["WatchdogSec"][0]) <= 5
    assert float(unit["TimeoutAbortSec"][0]) <= 2
    assert float(unit["TimeoutStopSec"][0]) <= 5
    assert unit["Restart"] == ["always"]
    assert unit["StartLimitIntervalSec"] == ["0"]


def test_lgpio_has_writable_directory(unit):
    """lgpio needs a directory for its FIFO: ProtectSystem=strict makes all others read-only.

    Source: systemd.exec(5).
    """
    assert unit["ProtectSystem"] == ["strict"]
    assert unit["RuntimeDirectory"] == ["biteclock"]
    assert unit["WorkingDirectory"] == ["%t/biteclock"]
    assert "LG_WD=%t/biteclock" in unit["Environment"]


def test_only_bench_devices_are_reached(unit):
    """Devices are named by class, because chip numbers move. PrivateDevices= would hide both.

    Source: systemd.resource-control(5), systemd.exec(5).
    """
    assert unit["DevicePolicy"] == ["closed"]
    assert unit["DeviceAllow"] == ["char-gpiochip rw", "char-i2c rw"]
    assert set(unit["SupplementaryGroups"][0].split()) == {"gpio", "i2c"}
    assert "systemd-modules-load.service" in unit["After"][0].split()
    assert "PrivateDevices" not in unit
    assert "GPIOZERO_PIN_FACTORY=lgpio" in unit["Environment"]


def test_proc_cpuinfo_stays_visible(unit):
    """gpiozero reads the board's revision there; ProcSubset=pid would hide it.

    Source: systemd.exec(5).
    """
    assert "ProcSubset" not in unit


def test_only_private_networks_are_reached(unit):
    """Source: RFC 1918 and RFC 4193; names of systemd.resource-control(5)."""
    assert unit["IPAddressDeny"] == ["any"]
    assert set(unit["IPAddressAllow"]) == {
        "localhost", "link-local", "10.0.0.0/8", "172.16.0.0/12", "192.168.0.0/16", "fc00::/7",
    }  # fmt: skip


def test_interfaces_can_be_named(unit):
    """if_nameindex(3) uses netlink: without it the daemon would not know its addresses.

    Source: systemd.exec(5).
    """
    (families,) = unit["RestrictAddressFamilies"]
    assert set(families.split()) == {"AF_UNIX", "AF_INET", "AF_INET6", "AF_NETLINK"}
