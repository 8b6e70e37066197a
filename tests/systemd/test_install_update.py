"""Update, failed update, way back and downgrade: a bench runs afterwards, with its records.

The service manager is a stand-in; the logbooks and their conversion are real.
"""

from __future__ import annotations

import os
import shutil
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.kits.install_kit import BOOT_CONFIG, NEWEST, Bench, answering

OLD, NEW = "0.12.0", "0.13.0"
EVERY_FORMAT = pytest.mark.parametrize("written", range(1, NEWEST + 1))
RECORDS = ["the records"]
UPDATED = 0
"""Stands for a bench that was updated, among those of each format."""


class Studio:
    """One place for the benches of all tests. An older bench is installed once for each format.

    Its paths and its port are in the commands on the PATH, so they stay the same.
    """

    def __init__(self, directory: Path) -> None:
        self.place = directory / "bench"
        self.installed: dict[int, Path] = {}
        self.server = answering()

    def bench(self) -> Bench:
        """Return a new bench in the place."""
        if self.place.exists():
            shutil.rmtree(self.place)
        return Bench(self.place, self.server)

    def older(self, bench: Bench, newest: int) -> None:
        """Put an installed bench in the place."""
        if newest not in self.installed:
            bench.write_logbook(newest)
            bench.begin(bench.checkout(OLD, newest))
            bench.notes.unlink()
            self.installed[newest] = self.place.with_name(f"format {newest}")
            shutil.copytree(self.place, self.installed[newest], symlinks=True)
            return
        self._restore(newest)

    def updated(self, bench: Bench) -> None:
        """Put a bench in the place that was updated once."""
        if UPDATED not in self.installed:
            self.older(bench, NEWEST)
            bench.install(checkout=bench.checkout(NEW))
            self.installed[UPDATED] = self.place.with_name("updated")
            shutil.copytree(self.place, self.installed[UPDATED], symlinks=True)
            return
        self._restore(UPDATED)

    def _restore(self, key: int) -> None:
        shutil.rmtree(self.place)
        shutil.copytree(self.installed[key], self.place, symlinks=True)


@pytest.fixture(scope="module")
def studio(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Studio]:
    studio = Studio(tmp_path_factory.mktemp("studio"))
    yield studio
    studio.server.shutdown()
    studio.server.server_close()


@pytest.fixture
def bench(studio: Studio) -> Iterator[Bench]:
    bench = studio.bench()
    bench.studio = studio
    yield bench
    bench.close()


def older(bench: Bench, newest: int = NEWEST) -> None:
    """Let an older version run on the bench, with records in its format."""
    bench.studio.older(bench, newest)


def updated(bench: Bench) -> None:
    """Let a newer version run on the bench, with the older one kept beside it."""
    bench.studio.updated(bench)


def state(bench: Bench) -> dict[str, tuple[int, str]]:
    """Return the files on which a running bench depends."""
    return bench.tree("var/")


# --- update -------------------------------------------------------------------------------------


@EVERY_FORMAT
def test_update_keeps_records(bench: Bench, written: int) -> None:
    """From every earlier format: converted, with a copy of how it was."""
    older(bench, written)
    output = bench.install(checkout=bench.checkout(NEW))
    assert bench.running() == os.readlink(bench.link) == f"venv-{NEW}-1"
    assert bench.records() == (NEWEST, RECORDS)
    copies = list(bench.kept.glob("before-*.sqlite")) if bench.kept.exists() else []
    assert [bench.records(copy) for copy in copies] == (
        [(written, RECORDS)] if written < NEWEST else []
    )
    assert f"biteclock {NEW} is installed" in output
    assert os.readlink(bench.base / "previous") == f"venv-{OLD}-1"


def test_environment_is_built_first(bench: Bench) -> None:
    """The service stops when all that can fail beforehand has been done."""
    older(bench)
    done = bench.try_install(checkout=bench.checkout(NEW), FAIL="systemctl stop biteclock")
    assert (bench.kit / "pip").read_text().count(f"venv-{NEW}") == 0  # it is named by its source
    assert len((bench.kit / "pip").read_text().splitlines()) == 4
    assert done.returncode == 1
    assert bench.running() == f"venv-{OLD}-1"


def test_only_one_version_is_kept(bench: Bench) -> None:
    older(bench)
    for version in (NEW, "0.14.0"):
        bench.install(checkout=bench.checkout(version))
    kept = sorted(path.name for path in bench.base.glob("venv-*"))
    assert kept == [f"venv-{NEW}-1", "venv-0.14.0-1"]


def test_first_layout_is_taken_over(bench: Bench) -> None:
    """Version 0.1.0 had one environment, a folder in the place of the link."""
    older(bench)
    (bench.base / "previous").unlink(missing_ok=True)
    bench.link.unlink()
    (bench.base / f"venv-{OLD}-1").rename(bench.link)
    (bench.link / "fingerprint").unlink()
    (bench.kit / "active").write_text("venv\n")
    bench.install(checkout=bench.checkout(NEW))
    assert bench.running() == f"venv-{NEW}-1"
    assert os.readlink(bench.base / "previous") == "venv-0.1.0-0"
    bench.install("--rollback", checkout=bench.checkout("0.13.1"))
    assert bench.running() == "venv-0.1.0-0"


def test_users_join_groups(bench: Bench) -> None:
    """The Pi's user may use the daemon's local socket."""
    older(bench)
    done = bench.try_install(checkout=bench.checkout(NEW), SUDO_USER="smith")
    assert done.returncode == 0
    assert "usermod --append --groups biteclock smith" in bench.notes.read_text()


def test_further_units_are_installed(bench: Bench) -> None:
    """A unit with a user, a socket, an announcement and a manual page; gone again with it."""
    older(bench)
    (bench.root / "etc/avahi/services").mkdir(parents=True)
    new = bench.checkout(NEW)
    for name, text in {
        "biteclock-other.service": "[Service]\nUser=other\n",
        "biteclock-other.socket": "[Socket]\nSocketGroup=talkers\n",
        "biteclock.avahi-service": "<service-group/>\n",
        "share/other.1": ".TH other 1\n",
        "share/other.bash": "complete other\n",
    }.items():
        (new / "systemd" / name).parent.mkdir(exist_ok=True)
        (new / "systemd" / name).write_text(text)
    bench.install(checkout=new)
    places = [
        "etc/systemd/system/biteclock-other.service",
        "etc/systemd/system/biteclock-other.socket",
        "etc/avahi/services/biteclock.service",
        "usr/local/share/man/man1/other.1",
        "usr/local/share/bash-completion/completions/other",
    ]
    assert [place for place in places if not (bench.root / place).exists()] == []
    notes = bench.notes.read_text()
    assert "useradd --system --gid other" in notes
    assert "groupadd --system talkers" in notes
    assert "systemctl enable biteclock-other.socket" in notes
    bench.install("--rollback", checkout=new)
    assert [place for place in places if (bench.root / place).exists()] == []


# --- a failure at each step ---------------------------------------------------------------------

STEPS = {
    "packages": "apt-get update",
    "user": "usermod --append --groups gpio*",
    "environment": "python3 -m venv *",
    "libraries": "python -m pip install * --require-hashes *",
    "program": "python -m pip install * --no-deps *",
    "configuration": "python * config *",
    "copy of the logbook": "python3 */bench.py copy *",
    "conversion of the copy": "python * convert *",
    "stop": "systemctl stop biteclock",
    "last copy": "cp -p */last *",
    "keeping the copy": "mv *.part *",
    "switch": "mv -fT *",
    "unit file": "mv -f *biteclock.service.new *",
    "boot configuration": "mv -f *config.txt.new *",
    "reload": "systemctl daemon-reload",
    "start": "systemctl restart biteclock",
}


BROKEN_OFF = ("environment", "stop", "last copy", "switch", "unit file", "start")
"""Steps in which the connection to the Pi breaks too."""


@pytest.mark.parametrize(
    ("step", "signal"),
    [*((step, "") for step in STEPS), *((step, "HUP") for step in BROKEN_OFF), ("switch", "TERM")],
)
def test_failure_leaves_bench_running(bench: Bench, step: str, signal: str) -> None:
    """The step fails, or the connection breaks in it: what ran before runs, unchanged."""
    older(bench, NEWEST - 1)
    if step == "boot configuration":
        bench.boot.write_text(BOOT_CONFIG)
    before, new = state(bench), bench.checkout(NEW)
    with (new / "systemd/biteclock.service").open("a") as unit:
        unit.write("# newer\n")
    done = bench.try_install(checkout=new, FAIL=STEPS[step], SIGNAL=signal)
    assert (bench.kit / "failed").exists()
    assert done.returncode != 0
    assert state(bench) == before
    assert bench.running() == f"venv-{OLD}-1"
    assert bench.records() == (NEWEST - 1, RECORDS)


@pytest.mark.parametrize(
    ("trouble", "written"),
    [*(("start", version) for version in range(1, NEWEST + 1)), ("health", NEWEST - 1)],
)
def test_unready_version_is_taken_back(bench: Bench, trouble: str, written: int) -> None:
    """It converted the logbook before it failed: the old version gets its own format back."""
    older(bench, written)
    before = state(bench)
    done = bench.try_install(checkout=bench.checkout(NEW, trouble=trouble))
    assert done.returncode == 1
    assert "the previous version is running again" in done.stderr
    assert bench.running() == f"venv-{OLD}-1"
    assert state(bench) == before
    assert bench.records() == (written, RECORDS)


def test_unwell_bench_can_be_updated(bench: Bench) -> None:
    """A bench whose sensor is broken was not ready before either."""
    older(bench)
    bench.is_well = False
    bench.install(checkout=bench.checkout(NEW))
    assert bench.running() == f"venv-{NEW}-1"


def test_first_install_that_fails(bench: Bench) -> None:
    """There is nothing to go back to, and the script says so."""
    bench.boot.unlink()  # its change would ask for a reboot before the first start
    done = bench.try_install(checkout=bench.checkout(NEW, trouble="start"))
    assert done.returncode == 1
    assert "nothing is running, and the relay is off" in done.stderr
    assert bench.running() is None


def test_refused_configuration_changes_nothing(bench: Bench) -> None:
    """It is checked by the new program while the old one runs."""
    older(bench)
    bench.config.write_text(bench.config.read_text() + "[limits]\nmax_curent_a = 3.0\n")
    before = state(bench)
    done = bench.try_install(checkout=bench.checkout(NEW))
    assert done.returncode == 1
    assert "max_curent_a" in done.stderr
    assert state(bench) == before
    assert "systemctl stop" not in bench.notes.read_text()


# --- a run in progress --------------------------------------------------------------------------


@pytest.mark.parametrize("arguments", [(), ("--uninstall",), ("--rollback",)])
@pytest.mark.parametrize("run", ["running", "paused", "checking"])
def test_run_is_not_cut(bench: Bench, run: str, arguments: tuple[str, ...]) -> None:
    updated(bench)
    before, bench.state = state(bench), run
    done = bench.try_install(*arguments, checkout=bench.checkout("0.14.0"))
    assert done.returncode == 1
    assert f"a run is {run}" in done.stderr
    assert state(bench) == before
    assert bench.running() == f"venv-{NEW}-1"


@pytest.mark.parametrize("arguments", [(), ("--uninstall",), ("--rollback",)])
def test_silent_daemon_is_left(bench: Bench, arguments: tuple[str, ...]) -> None:
    """Nobody knows whether a run is on: the person stops the service first, then it works."""
    updated(bench)
    before, newest = state(bench), bench.checkout("0.14.0")
    bench.close()
    done = bench.try_install(*arguments, checkout=newest)
    assert done.returncode == 1
    assert "stop the service first (sudo systemctl stop biteclock), then run this again" in (
        done.stderr
    )
    assert state(bench) == before
    assert bench.running() == f"venv-{NEW}-1"
    (bench.kit / "active").unlink()
    done = bench.try_install(*arguments, checkout=newest)
    assert done.returncode == 0, done.stderr


def test_state_without_health(bench: Bench) -> None:
    """A version that knows no health says its state, and is replaced."""
    older(bench)
    bench.has_health = False
    bench.install(checkout=bench.checkout(NEW))
    assert bench.running() == f"venv-{NEW}-1"


@pytest.mark.parametrize(
    "table",
    [
        "server = {{ port = {port} }}",
        "server.port = {grouped}",
        "[server]\nport = {grouped}",
        "[server]\nport = {hexadecimal}",
        "[logbook]\npath = 'other'\n[server]\n  port={port} # port = 1",
        "[elsewhere]\nport = 1\n[server]\nport = {port}",
    ],
)
def test_port_as_toml_has_it(bench: Bench, table: str) -> None:
    """Source: TOML 1.0.0, integers, dotted keys and inline tables."""
    older(bench)
    port = bench.port
    grouped = f"{port // 1000}_{port % 1000:03}"
    bench.config.write_text(table.format(port=port, grouped=grouped, hexadecimal=hex(port)))
    bench.state = "running"
    done = bench.try_install(checkout=bench.checkout(NEW))
    assert "a run is running" in done.stderr


# --- back to an older version -------------------------------------------------------------------


@EVERY_FORMAT
def test_rollback_restores_format(bench: Bench, written: int) -> None:
    """The runs recorded since are kept in a file that the output names."""
    older(bench, written)
    before = state(bench)
    new = bench.checkout(NEW)
    bench.install(checkout=new)
    output = bench.install("--rollback", checkout=new)
    assert bench.running() == f"venv-{OLD}-1"
    assert bench.records() == (written, RECORDS)
    newer = list(bench.kept.glob("newer-*")) if bench.kept.exists() else []
    assert [bench.records(copy) for copy in newer] == (
        [(NEWEST, RECORDS)] if written < NEWEST else []
    )
    assert all(str(copy) in output for copy in newer)
    assert bench.unit.read_text() == before["etc/systemd/system/biteclock.service"][1]
    bench.install("--rollback", checkout=new)
    assert bench.running() == f"venv-{NEW}-1"


def test_rollback_needs_earlier_version(bench: Bench) -> None:
    bench.begin(bench.checkout(OLD))
    done = bench.try_install("--rollback", checkout=bench.checkout(NEW))
    assert done.returncode == 1
    assert "no version to go back to" in done.stderr
    assert bench.running() == f"venv-{OLD}-1"


def test_rollback_keeps_the_pin(bench: Bench) -> None:
    """The pin was changed after the update: the older unit must force the present one off."""
    older(bench)
    new = bench.checkout(NEW)
    bench.install(checkout=new)
    bench.config.write_text(bench.config.read_text() + '[rig]\nrelay_pin = "GPIO22"\n')
    bench.install(checkout=new)
    bench.install("--rollback", checkout=new)
    assert "Environment=BITECLOCK_RELAY_PIN=GPIO22" in bench.unit.read_text()


@EVERY_FORMAT
def test_downgrade_restores_copy(bench: Bench, written: int) -> None:
    """An older checkout is installed over a newer bench that was once updated from it."""
    older(bench, written)
    bench.install(checkout=bench.checkout(NEW, NEWEST + 1))
    assert bench.records() == (NEWEST + 1, RECORDS)
    bench.install(checkout=bench.checkout("0.11.0", written))
    assert bench.running() == "venv-0.11.0-1"
    assert bench.records() == (written, RECORDS)


@EVERY_FORMAT
def test_downgrade_without_copy_refused(bench: Bench, written: int) -> None:
    """A bench that began with the newer version has no older copy."""
    older(bench, NEWEST + 1)
    before = state(bench)
    done = bench.try_install(checkout=bench.checkout("0.11.0", written))
    assert done.returncode == 1
    assert f"the logbook has format {NEWEST + 1}, and this version reads up to {written}" in (
        done.stderr
    )
    assert state(bench) == before
    assert bench.records() == (NEWEST + 1, RECORDS)
    assert bench.running() == f"venv-{OLD}-1"


# --- uninstall ----------------------------------------------------------------------------------


@EVERY_FORMAT
def test_uninstall_leaves_records(bench: Bench, written: int) -> None:
    older(bench, written)
    bench.install("--uninstall", checkout=bench.checkout(NEW))
    assert bench.running() is None
    assert bench.records() == (written, RECORDS)
    assert bench.config.exists()
    assert not bench.base.exists()
    assert not bench.unit.exists()
