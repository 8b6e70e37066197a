"""Each command finds configuration and records in the same places."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from api.cli import location, options
from api.cli.location import Place, locate, state_directory
from api.cli.serve_command import _beside_the_bench, serve
from controller.config import Settings
from tests.kits.cli_kit import PLATE, Command
from tests.kits.logbook_kit import ManualLogbook, began

LOW_LIMIT = "[limits]\nmax_voltage_v = 2.5\n"


@pytest.fixture
def installed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """The place of the installed configuration, where nothing is yet."""
    config, state = tmp_path / "etc" / "biteclock.toml", tmp_path / "var"
    config.parent.mkdir()
    state.mkdir()
    monkeypatch.setattr(location, "INSTALLED_CONFIG", config)
    monkeypatch.setattr(location, "INSTALLED_STATE", state)
    monkeypatch.chdir(tmp_path)
    return config


def meets_the_limit(*arguments: str) -> bool:
    """Return whether a rehearsal has met the low limit."""
    return Command("rehearse").call(*PLATE, *arguments).exit_code == 4


def test_option_before_environment(
    installed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Option, then environment, then the installed file, then the defaults."""
    low, plain = tmp_path / "low.toml", tmp_path / "plain.toml"
    low.write_text(LOW_LIMIT)
    plain.touch()
    assert not meets_the_limit()
    installed.write_text(LOW_LIMIT)
    assert meets_the_limit()
    monkeypatch.setenv("BITECLOCK_CONFIG", str(plain))
    assert not meets_the_limit()
    assert meets_the_limit("--config", str(low))
    monkeypatch.setenv("BITECLOCK_CONFIG", "")
    assert meets_the_limit(), "an empty variable is no path"


@pytest.mark.parametrize("case", ["not_toml", "a directory", "a link to nowhere"])
def test_unusable_installed_file(installed: Path, case: str) -> None:
    """It is refused: the defaults do not take its place."""
    if case == "not_toml":
        installed.write_text("[rig")
    elif case == "a directory":
        installed.mkdir()
    else:
        installed.symlink_to("nowhere")
    for command in ("plan", "rehearse"):
        assert "configuration" in Command(command).usage_error(*PLATE)
    assert "configuration" in Command("off").usage_error()
    assert "configuration" in Command("check").usage_error()


def test_unreadable_place(installed: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A directory that this user may not look into may hold one."""

    def refuse(_self: Path) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "lstat", refuse)
    assert locate(None).file == installed


def test_help_with_a_broken_file(installed: Path) -> None:
    installed.write_text("[rig")
    for command in ("plan", "off", "serve"):
        assert Command(command).call("--help").exit_code == 0


def test_records_of_the_bench(
    installed: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The installed configuration brings its state directory; option and environment come first."""
    here, other = tmp_path, tmp_path / "other"
    other.mkdir()
    for directory, name in ((here, "here"), (location.INSTALLED_STATE, "bench"), (other, "other")):
        book = ManualLogbook(directory / "biteclock.sqlite")
        book.write(began(name))
        book.logbook.finish()

    def listed(*arguments: str) -> list[str]:
        result = Command("runs").call("list", "--json", *arguments)
        assert result.exit_code == 0, result.output
        return [run["run_id"] for run in json.loads(result.stdout)]

    assert listed() == ["here"]
    installed.touch()
    assert listed() == ["bench"]
    assert listed("--config", str(installed)) == ["bench"]
    monkeypatch.setenv("BITECLOCK_STATE_DIRECTORY", str(other))
    assert listed() == ["other"]
    assert listed("--state-directory", str(here)) == ["here"]


def test_given_file_is_no_bench(installed: Path, tmp_path: Path) -> None:
    """Another configuration says nothing of the installed records."""
    installed.touch()
    assert state_directory(None, Place(tmp_path / "mine.toml", is_given=True)) == Path()


def test_rehearsal_leaves_the_bench(installed: Path) -> None:
    """From the installed file it takes limits and sensor, never pins, port and logbook."""
    installed.write_text(
        '[rig]\nrelay_pin = "GPIO22"\nlamp_pin = "GPIO23"\nshunt_ohm = 0.05\n'
        'thermometer_id = "28-0123456789ab"\n[limits]\nmax_voltage_v = 2.5\n'
        '[server]\nport = 9000\nlisten = "studio-network"\n[logbook]\npath = "bench.sqlite"\n'
    )
    settings = locate(None).for_rehearsal()
    defaults = Settings()
    assert (settings.rig.shunt_ohm, settings.limits.max_voltage_v) == (0.05, 2.5)
    assert settings.rig.relay_pin == defaults.rig.relay_pin
    assert (settings.rig.lamp_pin, settings.rig.thermometer_id) == (None, None)
    assert (settings.server, settings.logbook) == (defaults.server, defaults.logbook)
    assert locate(installed).for_rehearsal().rig.relay_pin == "GPIO22", "it was given"


def test_state_directory_not_made(tmp_path: Path) -> None:
    """The words of the system, and no traceback."""
    (tmp_path / "file").touch()
    refused = Command("serve").refused_field(
        "--rig", "rehearsal", "--state-directory", str(tmp_path / "file" / "state")
    )
    assert refused == "state_directory"


def test_help_names_the_places() -> None:
    shown = " ".join(Command("runs").call("list", "--help").output.split())
    assert str(options.INSTALLED_CONFIG) in shown
    assert str(options.INSTALLED_STATE) in shown
    assert "BITECLOCK_CONFIG" in shown
    assert "BITECLOCK_STATE_DIRECTORY" in shown


def test_rehearsal_leaves_the_records(installed: Path, tmp_path: Path) -> None:
    """Served beside an installed bench, it keeps its records elsewhere, unless a place is given."""
    installed.write_text("[server]\nport = 9000\n")

    def beside(*arguments: str) -> tuple[Settings, Path]:
        with serve.make_context("serve", ["--rig", "rehearsal", *arguments]) as context:
            given = context.params
            return _beside_the_bench(given["settings"], given["state_directory"])

    settings, directory = beside()
    assert (settings.server.port, directory) == (8420, Path())
    assert beside("--state-directory", str(tmp_path))[1] == tmp_path
    assert beside("--config", str(installed))[0].server.port == 9000
