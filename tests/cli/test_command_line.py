"""The command line as a whole: its list of commands, help, and refusals."""

from __future__ import annotations

import gc
from pathlib import Path

import pytest
from click.testing import CliRunner, Result

from api.cli.command_line import COMMANDS, main
from api.cli.rehearsal.fault_option import FAULT_NAMES
from controller.physics.faraday import METALS
from hardware.rehearsal.faults.by_name import FAULTS
from tests.kits.cli_kit import PLATE, Command


def call(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments)


@pytest.mark.parametrize(
    ("command", "arguments", "field"),
    [
        ("plan", ("--metal", "tin", *PLATE[2:]), "metal"),
        ("plan", (*PLATE[:4], "--depth-mm", "-1", *PLATE[6:]), "depth_mm"),
        ("plan", PLATE[:6], "current_a"),
        ("plan", (*PLATE[:8], "--thickness-mm", "0.2"), "depth_mm"),
        ("plan", (*PLATE[:6], "--current-a", "50"), "current_a"),
        ("rehearse", (*PLATE, "--fault", "gremlins@3"), "fault"),
        ("rehearse", (*PLATE, "--fault", "lead_off@soon"), "fault"),
        ("rehearse", (*PLATE, "--ripple-fraction", "1.2"), "ripple_fraction"),
        ("serve", ("--rig", "bench"), "rig"),
    ],
)
def test_refusal_names_field(command: str, arguments: tuple[str, ...], field: str) -> None:
    assert Command(command).refused_field(*arguments) == field


@pytest.mark.parametrize(
    ("arguments", "expected"),
    [
        (("plan",), "Missing option '--metal'"),
        (("nonsense",), "No such command"),
        (("chek",), "No such command 'chek'. Did you mean 'check'?"),
        (("rehaerse",), "Did you mean 'rehearse'?"),
    ],
)
def test_bad_usage(arguments: tuple[str, ...], expected: str) -> None:
    assert expected in Command(arguments[0]).usage_error(*arguments[1:])


def test_refusal_on_terminal() -> None:
    """One line, without a traceback."""
    result = call("plan", *PLATE[:4], "--depth-mm", "-1", *PLATE[6:])
    assert result.exit_code == 2
    assert result.output.startswith("Error: ")
    assert result.output.count("\n") == 1


def test_failed_start_restores_collection() -> None:
    """Garbage collection is on again when the daemon does not start."""
    assert gc.isenabled()
    assert Command("serve").refused_field("--rig", "rehearsal", "--fault", "nonsense") == "fault"
    assert gc.isenabled()


def test_unknown_configuration_key(tmp_path: Path) -> None:
    config = tmp_path / "rig.toml"
    config.write_text("[limits]\nmax_voltage_v = 5.0\nmax_volts = 5\n", encoding="utf-8")
    assert "limits.max_volts" in str(Command("plan").refused(*PLATE, "--config", config))


def test_configuration_applies(tmp_path: Path) -> None:
    config = tmp_path / "rig.toml"
    config.write_text("[limits]\nmax_voltage_v = 2.5\n", encoding="utf-8")
    result = Command("rehearse").json_of(*PLATE, "--config", config, status=4)
    assert result["reason"] == "over_voltage"


def test_fault_names_complete() -> None:
    assert tuple(FAULTS) == FAULT_NAMES


def test_help_names_cautions() -> None:
    assert "emergency stop" in " ".join(call("--help").output.split())


def test_help_names_choices() -> None:
    """Exit statuses, faults and metals."""
    shown = " ".join(call("rehearse", "--help").output.split())
    for word in ("0 finished, 3 stopped or paused, 4 tripped, 2 bad usage", *FAULTS):
        assert word in shown
    assert all(name in shown for name in METALS if METALS[name].not_in_nitric_because is None)


@pytest.mark.parametrize("command", COMMANDS)
def test_help_of_command(command: str) -> None:
    assert call(command, "--help").exit_code == 0
