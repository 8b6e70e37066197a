"""The shipped install script, run into a temporary directory: files, pins, options.

A ``python3`` that installs nothing replaces the real one.
"""

import shutil
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from setuptools import find_packages

from controller.config import RigSettings, load_settings
from tests.kits.install_kit import BOOT_CONFIG, Bench
from tests.paths import ROOT

SCRIPT = ROOT / "systemd" / "install.sh"

OTHER_UNITS = [
    unit
    for suffix in ("service", "socket", "path")
    for unit in (ROOT / "systemd").glob(f"*.{suffix}")
    if unit.name != "biteclock.service"
]
SCRIPTS = [SCRIPT, *sorted((ROOT / "systemd/install").glob("*.sh"))]


@pytest.fixture
def bench(tmp_path):
    bench = Bench(tmp_path)
    yield bench
    bench.close()


def pins(bench: Bench) -> tuple[str, str, str]:
    """Return the relay's pin as unit, boot configuration and settings have it."""
    in_unit = [
        line
        for line in bench.unit.read_text().splitlines()
        if line.startswith("Environment=BITECLOCK_RELAY")
    ]
    in_boot = [line for line in bench.boot.read_text().splitlines() if line.startswith("gpio=")]
    assert (len(in_unit), len(in_boot)) == (1, 1)
    return (
        in_unit[0].rpartition("=")[2],
        "GPIO" + in_boot[0][5:].partition("=")[0],
        load_settings(bench.config).rig.relay_pin,
    )


@pytest.mark.parametrize("script", SCRIPTS, ids=lambda path: path.name)
@pytest.mark.parametrize("shell", ["sh", "bash"])
def test_script_parses(shell, script):
    done = subprocess.run([shell, "-n", str(script)], capture_output=True, check=False)
    assert done.stderr == b""
    assert [line for line in script.read_text().splitlines() if len(line) > 100] == []


def test_fresh_install(bench):
    """A fresh install puts every file in its place."""
    output = bench.install()
    tree = bench.tree()
    here = "opt/biteclock/venv-0.13.0-1/"
    assert tree["opt/biteclock/venv"][1] == "venv-0.13.0-1"
    outside = {path for path, (_, content) in tree.items() if content and here not in path}
    shared = {path for path in outside if path.startswith("usr/local/share/")}
    assert len(shared) == 4, "the manual page, and the completion of three shells"
    outside -= shared
    assert outside - {f"etc/systemd/system/{unit.name}" for unit in OTHER_UNITS} == {
        "boot/firmware/config.txt",
        "etc/biteclock/biteclock.toml",
        "etc/modules-load.d/biteclock.conf",
        "etc/systemd/system/biteclock.service",
        "etc/udev/rules.d/60-biteclock.rules",
        "opt/biteclock/venv",
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
    assert bench.tree() == before
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
    assert pins(bench) == ("GPIO22", "GPIO22", "GPIO22")
    bench.install()
    assert pins(bench) == ("GPIO22", "GPIO22", "GPIO22")
    bench.config.write_text(
        bench.config.read_text().replace('relay_pin = "GPIO22"', 'relay_pin = "GPIO23"')
    )
    assert "reboot" in bench.install()
    assert pins(bench) == ("GPIO23", "GPIO23", "GPIO23")


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
    assert set(pins(bench)) == {RigSettings().relay_pin}
    assert (
        f"Environment=BITECLOCK_RELAY_PIN={RigSettings().relay_pin}"
        in (ROOT / "systemd/biteclock.service").read_text()
    )
    bench.config.write_text("[server]\nport = 8421\n")
    bench.install()
    assert set(pins(bench)) == {RigSettings().relay_pin}


@pytest.mark.parametrize(
    ("pin", "why"),
    [
        ("GPIO2", "pull-up"), ("GPIO8", "pull-up"), ("GPIO14", "serial console"),
        ("GPIO15", "serial console"),
        ("GPIO28", "usable pin"), ("GPIO1x", "usable pin"), ("17", "usable pin"),
        ("GPIO17=op,dh", "usable pin"),
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
        "apt-get update", "apt-get install", "python3 -m venv /opt/biteclock/venv-",
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
        if not line.startswith(("systemctl is-active", "systemctl is-enabled"))
    ]
    assert changing == []
    assert "apt-get" not in bench.run("--dry-run", "--no-apt").stdout
    assert "apt-get" not in bench.run("--dry-run", PACKAGES="there").stdout


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
    assert not Path((bench.link / "source").read_text().strip()).is_relative_to(ROOT)
    installed = (bench.link / "installed").read_text().splitlines()
    for wanted in (
        "pyproject.toml",
        "controller/config/reading.py",
        "hardware/force_off.py",
        "hardware/rehearsal/__init__.py",
        "systemd/source_distribution.py",
    ):
        assert f"./{wanted}" in installed
    assert not [path for path in installed if "__pycache__" in path or "/tests/" in path]


def test_only_locked_versions_are_installed(bench):
    """Every call of pip takes the lock with its hashes, or the project without requirements."""
    bench.install()
    calls = (bench.kit / "pip").read_text().splitlines()
    assert len(calls) == 2
    for lock in ("build", "product"):
        assert f"{ROOT}/systemd/lock/{lock}.txt" in calls[0]
    assert "--require-hashes --only-binary :all:" in calls[0]
    assert "--no-deps --no-build-isolation" in calls[1]


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


def test_wrong_options_show_usage(bench):
    for arguments in (["--pins", "GPIO17"], ["--pin"], ["--bundle"]):
        done = bench.run(*arguments)
        assert done.returncode == 2
        assert "Usage:" in done.stderr


def test_logbook_path_matches_program(bench):
    """The script finds the logbook where the program has it."""
    helper = ROOT / "systemd/install/bench.py"
    for text in ("", '[logbook]\npath = "/srv/records.sqlite"\n'):
        (bench.kit / "config").write_text(text)
        done = subprocess.run(
            [sys.executable, helper, "logbook", bench.kit / "config"],
            capture_output=True, text=True, check=True,
        )  # fmt: skip
        assert done.stdout.strip() == str(load_settings(bench.kit / "config").logbook.path)
