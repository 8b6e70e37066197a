"""``config check``: every problem in words, weaker limits, and the exit status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

from api.cli import location
from tests.kits.cli_kit import Command
from tests.paths import ROOT

CONFIG = Command("config")
BAD = """
[rig]
relay_pin = 17
lamppin = "GPIO23"
[limits]
max_voltage_v = 99.0
max_volts = 5
[sever]
port = 9000
"""


@pytest.fixture
def file(tmp_path: Path) -> Path:
    return tmp_path / "biteclock.toml"


def test_sample_configuration() -> None:
    """The shipped sample can be used, and nothing in it is weaker than the default."""
    sample = ROOT / "systemd" / "biteclock.toml"
    result = CONFIG.call("check", sample)
    assert (result.exit_code, result.output) == (0, f"{sample} can be used.\n")


def test_every_problem_in_words(file: Path) -> None:
    """Value and limit, what is allowed, and the nearest key that there is."""
    file.write_text(BAD)
    result = CONFIG.call("check", file)
    assert result.exit_code == 1
    assert result.output.splitlines() == [
        f"{file} cannot be used:",
        "  rig.relay_pin is 17; it must be a pin, written 'GPIO17' in quotes. Give the number of "
        "the GPIO line, not of the pin on the header.",
        "  rig.lamppin is not a setting. Did you mean rig.lamp_pin?",
        "  limits.max_voltage_v is 99 V; it must be at most 15.9 V.",
        "  limits.max_volts is not a setting. Did you mean limits.max_voltage_v?",
        "  [sever] is not a table of the configuration. Did you mean [server]?",
    ]


def test_serve_says_the_same(file: Path) -> None:
    """A daemon that refuses the file names it, and says the same of each key."""
    file.write_text(BAD)
    checked = CONFIG.call("check", file).output.splitlines()[1:]
    refused = Command("serve").call("--config", file)
    assert refused.exit_code == 2
    assert f"The configuration {file} cannot be used:" in refused.output
    assert [line for line in checked if line not in refused.output.splitlines()] == []


def test_weaker_limits_listed(file: Path) -> None:
    """A weaker limit is no problem, and is named with both values."""
    file.write_text("[limits]\nmax_sample_age_s = 5.0\nmax_voltage_v = 5.0\n")
    result = CONFIG.call("check", file)
    assert result.exit_code == 0
    assert result.output.splitlines()[1:] == [
        "  weaker: limits.max_sample_age_s is 5 s; the default, 1 s, is safer."
    ]


def test_current_beyond_all_ranges(file: Path) -> None:
    """Shunt and current fit no range: the daemon would refuse it later."""
    file.write_text("[rig]\nshunt_ohm = 0.5\nmax_current_a = 10.0\n")
    result = CONFIG.call("check", file)
    assert result.exit_code == 1
    assert "fit a smaller shunt" in result.output


@pytest.mark.parametrize("text", ["[rig", "\x00", "a = " + "[" * 5000])
def test_no_toml(file: Path, text: str) -> None:
    file.write_text(text)
    result = CONFIG.call("check", file)
    assert result.exit_code == 1
    assert f"{file} cannot be used:" in result.output
    assert "Traceback" not in result.output


def test_no_such_file(file: Path) -> None:
    assert "does not exist" in CONFIG.usage_error("check", file)


def test_which_file(file: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The argument, then the environment, then the installed one; without any, bad usage."""
    assert "no configuration is installed" in CONFIG.usage_error("check")
    monkeypatch.setattr(location, "INSTALLED_CONFIG", file)
    file.write_text("[rig")
    assert CONFIG.call("check").exit_code == 1
    other = file.with_name("other.toml")
    other.touch()
    monkeypatch.setenv("BITECLOCK_CONFIG", str(other))
    assert CONFIG.call("check").exit_code == 0
    assert CONFIG.call("check", file).exit_code == 1


def test_answer_for_scripts(file: Path) -> None:
    file.write_text("[limits]\nwelded_a = 0.1\n")
    answer = json.loads(CONFIG.call("check", file, "--json").stdout)
    assert (answer["file"], answer["passed"], answer["problems"]) == (str(file), True, [])
    assert len(answer["weaker"]) == 1
    file.write_text("[limits]\nwelded = 0.1\n")
    result = CONFIG.call("check", file, "--json")
    answer = json.loads(result.stdout)
    assert (result.exit_code, answer["passed"], len(answer["problems"])) == (1, False, 1)
