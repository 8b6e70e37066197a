"""The command line: what scripts rely on, exit statuses, refusals in one line, help worth reading."""

from __future__ import annotations

import csv
import gc
import io
import json
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result

from api.cli.client import ApiRefusedError, NoDaemonError
from api.cli.command_line import FAULT_NAMES, main
from api.cli.command_line import check as cli_check
from controller.messages import RunState
from controller.physics.faraday import METALS
from hardware.rehearsal.faults.by_name import FAULTS
from tests.kits.logbook_kit import ManualLogbook, began, changed, mean

PLATE = (
    "--metal",
    "fine-silver",
    "--area-cm2",
    "7.67",
    "--depth-mm",
    "0.25",
    "--current-a",
    "3",
    "--thickness-mm",
    "1.2",
)


def call(*arguments: str) -> Result:
    return CliRunner().invoke(main, arguments)


def json_of(*arguments: str, status: int = 0) -> Any:
    result = call(*arguments, "--json")
    assert result.exit_code == status, result.output
    return json.loads(result.stdout)


def test_plan_prints_what_scripts_need() -> None:
    """0.25 mm over 7.67 cm2 of silver: 1800 C, 10 min at 3 A, 2.01 g, 39 A/dm2 (common practice, no source)."""
    plan = json_of("plan", *PLATE)
    assert plan["charge_coulombs"] == pytest.approx(1800.0, rel=1e-3)
    assert plan["duration_s"] == pytest.approx(600.0, rel=1e-3)
    assert plan["metal_removed_g"] == pytest.approx(2.01, rel=2e-3)
    assert plan["current_density_a_per_dm2"] == pytest.approx(39.1, rel=1e-3)
    assert any("brisk" in warning["text"] for warning in plan["warnings"])
    text = call("plan", *PLATE).output
    assert "10 min 00 s at 3.00 A" in text
    assert "warning" in text


@pytest.mark.parametrize(
    ("fault", "status", "outcome", "reason"),
    [
        (None, 0, "finished", None),
        ("lead_off@30", 3, "paused", "lost_contact"),
        ("chip_reset@30", 4, "tripped", "sensor_reset"),
    ],
)
def test_rehearse_prints_one_object_and_its_exit_status_tells_the_end(
    fault: str | None, status: int, outcome: str, reason: str | None
) -> None:
    result = json_of(
        "rehearse", *PLATE, *(() if fault is None else ("--fault", fault)), status=status
    )
    assert (result["outcome"], result["reason"]) == (outcome, reason)
    fixed = {
        "outcome", "reason", "elapsed_s", "depth_mm", "true_depth_mm", "charge_coulombs", "true_charge_coulombs",
        "off_after_fault_s", "relay_on",
    }  # fmt: skip
    assert fixed <= set(result)
    assert result["relay_on"] is False


def test_rehearsals_of_one_seed_are_the_same_and_of_another_differ() -> None:
    first, again, other = (json_of("rehearse", *PLATE, "--seed", seed) for seed in ("3", "3", "4"))
    # The virtual clock starts at a random second: the last digits of floating point differ.
    assert first["true_charge_coulombs"] == pytest.approx(again["true_charge_coulombs"], rel=1e-12)
    assert first["depth_mm"] == pytest.approx(again["depth_mm"], rel=1e-12)
    assert first["charge_coulombs"] != other["charge_coulombs"]


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("plan",), "Missing option '--metal'"),
        (
            ("plan", "--metal", "tin", *PLATE[2:]),
            "The metal 'tin' is not known. Choose one of fine-silver",
        ),
        (
            ("plan", *PLATE[:4], "--depth-mm", "-1", *PLATE[6:]),
            "The depth is -1 mm; it must be above 0 mm.",
        ),
        (("plan", *PLATE[:6]), "Give the current in A or the current density in A/dm2."),
        (("plan", *PLATE[:8], "--thickness-mm", "0.2"), "goes through the 0.2 mm sheet"),
        (
            ("plan", *PLATE[:6], "--current-a", "50"),
            "over-current limit of 65.00 A is above 85% of the sensor's 16.00 A",
        ),
        (("rehearse", *PLATE, "--fault", "gremlins@3"), "one of the names lead_off"),
        (("rehearse", *PLATE, "--fault", "lead_off@soon"), "give NAME@SECONDS"),
        (("rehearse", *PLATE, "--ripple-fraction", "1.2"), "a rectifier never reverses"),
        (("serve", "--rig", "bench"), "elsewhere use --rig rehearsal"),
        (("nonsense",), "No such command"),
        (("chek",), "No such command 'chek'. Did you mean 'check'?"),
        (("rehaerse",), "Did you mean 'rehearse'?"),
    ],
)
def test_bad_usage_is_refused_in_words_with_exit_status_two(
    arguments: tuple[str, ...], said: str
) -> None:
    result = call(*arguments)
    assert result.exit_code == 2, result.output
    assert said in " ".join(result.output.split())
    assert result.exception is None or isinstance(result.exception, SystemExit)


def test_a_daemon_that_does_not_come_up_leaves_the_collection_of_garbage_on() -> None:
    assert gc.isenabled()
    assert call("serve", "--rig", "rehearsal", "--fault", "nonsense").exit_code == 2
    assert gc.isenabled()


def test_an_unknown_key_of_the_configuration_is_named(tmp_path: Path) -> None:
    config = tmp_path / "bench.toml"
    config.write_text("[limits]\nmax_voltage_v = 5.0\nmax_volts = 5\n", encoding="utf-8")
    result = call("plan", *PLATE, "--config", str(config))
    assert result.exit_code == 2
    assert "limits.max_volts" in result.output
    config.write_text("[limits]\nmax_voltage_v = 2.5\n", encoding="utf-8")
    stopped = json_of("rehearse", *PLATE, "--config", str(config), status=4)
    assert stopped["reason"] == "over_voltage"


def test_the_faults_in_the_help_are_those_of_the_bench() -> None:
    assert tuple(FAULTS) == FAULT_NAMES


def test_help_tells_cautions_metals_faults_and_exit_statuses() -> None:
    assert "emergency stop" in " ".join(call("--help").output.split())
    text = " ".join(call("rehearse", "--help").output.split())
    for word in ("0 finished, 3 stopped or paused, 4 tripped, 2 bad usage", *FAULTS):
        assert word in text
    assert all(name in text for name in METALS if METALS[name].not_in_nitric_because is None)
    for command in (
        "serve",
        "rehearse",
        "plan",
        "measure",
        "count",
        "check",
        "runs",
        "off",
        "demo",
    ):
        assert call(command, "--help").exit_code == 0


def test_check_of_a_rig_opened_here_switches_nothing_on() -> None:
    report = json_of("check", "--direct", "--rig", "rehearsal")
    assert report["passed"] is True
    assert report["relay_on"] is False
    assert [item["name"] for item in report["items"]] == [
        "sensor",
        "relay output",
        "zero offset",
        "cell voltage",
    ]
    assert "ok   zero offset" in call("check", "--direct", "--rig", "rehearsal").output


def test_check_without_a_daemon_says_how_to_start_one() -> None:
    result = call("check", "--port", "9")
    assert result.exit_code == 2
    assert "start it with 'biteclock serve'" in result.output


class Daemon:
    """Answers as the daemon's client."""

    def __init__(self, answer: Any) -> None:
        self._answer = answer

    def post(self, path: str) -> Any:
        assert path == "/api/stop"
        if isinstance(self._answer, Exception):
            raise self._answer
        return self._answer


def test_off_asks_the_daemon_first(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        cli_check,
        "daemon_client",
        lambda *_a: Daemon({"relay_on": False, "message": "Stopped by Stop."}),
    )
    assert call("off").output == "relay off (Stopped by Stop.)\n"
    monkeypatch.setattr(
        cli_check, "daemon_client", lambda *_a: Daemon({"relay_on": True, "message": ""})
    )
    result = call("off")
    assert result.exit_code == 2
    assert "pull the supply's plug" in result.output


@pytest.mark.parametrize("error", [NoDaemonError("none"), ApiRefusedError("broken")])
def test_off_without_a_daemon_drives_the_pin_itself(
    monkeypatch: pytest.MonkeyPatch, error: Exception
) -> None:
    executed: list[list[str]] = []
    monkeypatch.setattr(cli_check, "daemon_client", lambda *_a: Daemon(error))
    monkeypatch.setattr(
        cli_check.os, "execv", lambda _program, arguments: executed.append(arguments[1:])
    )
    call("off")
    call("off", "--pin", "GPIO22", "--pin", "GPIO23")
    assert executed == [
        ["-m", "hardware.force_off", "--pin", "GPIO17"],
        ["-m", "hardware.force_off", "--pin", "GPIO22", "--pin", "GPIO23"],
    ]


@pytest.fixture
def state_directory(tmp_path: Path) -> Path:
    """A logbook with two runs."""
    desk = ManualLogbook(tmp_path / "biteclock.sqlite")
    desk.write(
        began("r1"),
        changed("r1", RunState.RUNNING),
        *(mean(i, 3.0, run_id="r1") for i in range(700)),
    )
    desk.write(
        changed("r1", RunState.FINISHED, 1800.0, depth_mm=0.25),
        began("r2"),
        changed("r2", RunState.STOPPED, 5.0),
    )
    desk.logbook.finish()
    return tmp_path


def test_runs_are_listed_shown_and_exported(state_directory: Path) -> None:
    where = ("--state-directory", str(state_directory))
    listed = json_of("runs", "list", *where)
    assert [run["run_id"] for run in listed] == ["r2", "r1"]
    assert listed[1]["state"] == "finished"
    assert listed[1]["charge_coulombs"] == 1800.0
    assert "0.250 mm" in call("runs", "list", *where).output
    assert [run["run_id"] for run in json_of("runs", "list", "--search", "stopped", *where)] == [
        "r2"
    ]
    shown = json_of("runs", "show", "r1", *where)
    assert shown["plan"]["area_mm2"] == 767.0
    assert "1800.0 C" in call("runs", "show", "r1", *where).output
    rows = list(csv.DictReader(io.StringIO(call("runs", "export", "r1", *where).output)))
    assert len(rows) == 700
    assert float(rows[0]["current_a"]) == 3.0
    samples = json.loads(call("runs", "export", "r1", "--format", "json", *where).output)
    assert len(samples) == 700
    target = state_directory / "out.csv"
    assert call("runs", "export", "r1", "--output", str(target), *where).exit_code == 0
    assert target.read_text(encoding="utf-8").count("\n") == 701


def test_an_unknown_run_and_a_missing_logbook_are_told(state_directory: Path) -> None:
    result = call("runs", "export", "nobody", "--state-directory", str(state_directory))
    assert result.exit_code == 2
    assert "nobody" in result.output
    result = call("runs", "list", "--state-directory", str(state_directory / "elsewhere"))
    assert result.exit_code == 2
    assert "Traceback" not in result.output
