"""``off``: asked first, seen later, and never guessed."""

from __future__ import annotations

import subprocess
from pathlib import Path
from typing import Any

import pytest

import api.main as root
from api.cli.bench import off as cli_off
from api.cli.bench import off_sight
from api.cli.bench.off_sight import LOOKS, UNANSWERED, watch_until_off
from api.cli.client import ApiRefusedError, NoDaemonError
from controller.errors import BiteclockError
from controller.texts import Message
from hardware.off_look import OffLook
from tests.kits.cli_kit import Command

OFF = Command("off")
PLUG = "pull the supply's plug"


class Daemon:
    """Stands in for the client of a daemon.

    :param answer: what it answers to Stop, or the error that it raises.
    :param statuses: what it tells then, one after the other; the last one again and again.
    """

    def __init__(self, answer: Any, *statuses: Any) -> None:
        self.is_local = False
        self._answer = answer
        self._statuses = list(statuses)
        self.asked: list[str] = []

    def post(self, path: str) -> Any:
        self.asked.append(path)
        if isinstance(self._answer, Exception):
            raise self._answer
        return self._answer

    def get(self, path: str) -> Any:
        self.asked.append(path)
        status = self._statuses.pop(0) if len(self._statuses) > 1 else self._statuses[0]
        if isinstance(status, Exception):
            raise status
        return status


def answered(relay_on: bool | None = False) -> dict[str, Any]:
    return {"relay_on": relay_on, "message": "The relay is off.", "off_at_s": 100.0}


def status(at_s: float, **changes: Any) -> dict[str, Any]:
    """Return a status whose sample is as old as the status is."""
    return {
        "rig": "bench",
        "at_s": at_s + 0.02,
        "sample_age_s": 0.02,
        "relay_on": False,
        "relay_welded": False,
        "sample_shows_off": True,
        "current_a": 0.0,
        "voltage_v": 0.2,
        **changes,
    }


def watched(*statuses: Any, off_at_s: float | None = 100.0) -> Message | None:
    """Return what the watch makes of these statuses; the last one stays."""
    told = iter(statuses)
    newest: list[Any] = []

    def read() -> Any:
        newest[:] = [next(told, *newest)]
        if isinstance(newest[0], Exception):
            raise newest[0]
        return newest[0]

    return watch_until_off(read, off_at_s, lambda: None)


@pytest.fixture
def no_wait(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(off_sight, "a_moment", lambda: None)


@pytest.fixture
def answers(monkeypatch: pytest.MonkeyPatch, no_wait: None) -> Any:
    """Let a stand-in answer in the daemon's place."""

    monkeypatch.setattr(cli_off, "is_ours", lambda _port: True)

    def use(daemon: Daemon) -> Daemon:
        monkeypatch.setattr(cli_off, "daemon_client", lambda *_a, **_named: daemon)
        return daemon

    return use


# --- the samples after off -----------------------------------------------------------------------


def test_three_fresh_samples() -> None:
    assert watched(status(100.1), status(100.2), status(100.3)) is None


def test_same_sample_counts_once() -> None:
    """A status may repeat the sample of the one before; the sensor may have fallen silent."""
    problem = watched(status(100.1), status(100.2), status(100.2))
    assert problem is not None
    assert problem.key == "command_line.off.no_fresh_sample"


def test_samples_before_off() -> None:
    """They were taken with the relay on or off: either way they show nothing of now."""
    assert watched(status(99.7), status(99.8), status(99.9), status(100.0)) is not None


def test_current_starts_over() -> None:
    """Three in a row: a sample that straddles the moment of off takes nothing away."""
    flowing = {"sample_shows_off": False, "current_a": 2.9}
    few = [status(100.1), status(100.2), status(100.3, **flowing), status(100.4), status(100.5)]
    problem = watched(*few)
    assert problem == Message("command_line.off.current", {"current_a": 2.9, "voltage_v": 0.2})
    assert watched(*few, status(100.6)) is None


@pytest.mark.parametrize(
    ("changes", "case"), [({"relay_on": True}, "relay_on"), ({"relay_welded": True}, "welded")]
)
def test_relay_on_again(changes: dict[str, Any], case: str) -> None:
    """Samples without current do not count while the relay reads on, or is known to be welded."""
    statuses = [status(100.0 + n / 10.0, **changes) for n in range(1, 9)]
    problem = watched(*statuses)
    assert problem is not None
    assert problem.key == f"command_line.off.{case}"


def test_silent_sensor() -> None:
    problem = watched(status(100.1, sample_age_s=None))
    assert problem is not None
    assert problem.key == "command_line.off.no_fresh_sample"


def test_daemon_falls_silent() -> None:
    """After two looks without an answer the watch gives up, and one is forgiven."""
    gone = NoDaemonError("command_line.client.no_daemon", address="here")
    assert UNANSWERED == 2
    assert watched(status(100.1), gone) == gone.message
    assert watched(status(100.1), gone, status(100.2), status(100.3)) is None


def test_without_a_time_of_off() -> None:
    """An older daemon does not tell it: then the first status begins the count."""
    statuses = [status(100.1), status(100.2), status(100.3)]
    assert watched(*statuses, off_at_s=None) is not None
    assert watched(*statuses, status(100.4), off_at_s=None) is None


def test_watch_ends() -> None:
    looks: list[int] = []

    def read() -> dict[str, Any]:
        looks.append(1)
        return status(99.0)

    assert watch_until_off(read, 100.0, lambda: None) is not None
    assert len(looks) == LOOKS


# --- the command ---------------------------------------------------------------------------------


def test_off_seen(answers: Any) -> None:
    """Off is asked before anything is looked at."""
    daemon = answers(Daemon(answered(), *(status(100.0 + n / 10.0) for n in range(1, 4))))
    result = OFF.call("--port", "9")
    assert (result.exit_code, daemon.asked[0]) == (0, "/api/stop")
    assert result.output == "The relay is off. Three readings since then show no current.\n"


@pytest.mark.parametrize(("relay_on", "said"), [(True, PLUG), (None, "The relay is off.")])
def test_output_not_low(answers: Any, relay_on: bool | None, said: str) -> None:
    """The output reads on, or cannot be read: exit status 1, and the daemon's own words."""
    answers(Daemon(answered(relay_on), status(101.0)))
    result = OFF.call("--port", "9")
    assert result.exit_code == 1
    assert said in result.output


def test_current_flows_on(answers: Any) -> None:
    answers(Daemon(answered(), status(101.0, sample_shows_off=False, current_a=3.0)))
    result = OFF.call("--port", "9")
    assert result.exit_code == 1
    assert PLUG in result.output
    assert "3.000 A" in result.output


def test_nothing_to_go_by() -> None:
    """Nothing is installed and nothing is given: bad usage, which says what to give."""
    said = OFF.usage_error()
    assert "no configuration is installed" in said
    assert "give --pin, --port or --config" in said


@pytest.mark.parametrize(
    "error", [NoDaemonError("none"), ApiRefusedError("broken"), {"html": "no"}, "hello"]
)
def test_port_alone(answers: Any, error: Any) -> None:
    """Nobody answers there, and no configuration names a pin: not seen to be off."""
    answers(Daemon(error))
    result = OFF.call("--port", "9")
    assert result.exit_code == 1
    assert PLUG in result.output


class Driven:
    """Stands in for force-off and the look after it."""

    def __init__(self, patch: pytest.MonkeyPatch) -> None:
        self.commands: list[list[str]] = []
        self.looks: list[tuple[tuple[str, ...], bool]] = []
        self.done = subprocess.CompletedProcess([], 0, "", "")
        self.look = OffLook(None)
        patch.setattr(cli_off.subprocess, "run", self._run)
        patch.setattr(root, "look_whether_off", self._look)

    def _run(self, command: list[str], **_named: Any) -> subprocess.CompletedProcess[str]:
        self.commands.append(command[2:])
        return self.done

    def _look(self, pins: tuple[str, ...], settings: Any) -> OffLook:
        self.looks.append((pins, settings is not None))
        return self.look


@pytest.fixture
def driven(monkeypatch: pytest.MonkeyPatch) -> Driven:
    return Driven(monkeypatch)


@pytest.fixture
def bench(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A configuration, named by the environment."""
    config = tmp_path / "biteclock.toml"
    config.write_text('[rig]\nrelay_pin = "GPIO22"\n[server]\nport = 9000\n')
    monkeypatch.setenv("BITECLOCK_CONFIG", str(config))
    return config


@pytest.mark.usefixtures("bench")
def test_configured_pin(driven: Driven, answers: Any) -> None:
    """Nobody answers: the configured pin is driven low, and the sensor is asked."""
    answers(Daemon(NoDaemonError("none")))
    assert OFF.call().exit_code == 0
    assert driven.commands == [["hardware.force_off", "--pin", "GPIO22"]]
    assert driven.looks == [(("GPIO22",), True)]


@pytest.mark.usefixtures("bench")
def test_pins_given(driven: Driven, answers: Any) -> None:
    """The daemon is not asked. The sensor is, where the configured pin is among them."""
    daemon = answers(Daemon(answered(), status(101.0)))
    assert OFF.call("--pin", "GPIO23", "--pin", "GPIO22").exit_code == 0
    assert "The current was not checked" in OFF.call("--pin", "GPIO23").output
    assert driven.looks == [(("GPIO23", "GPIO22"), True), (("GPIO23",), False)]
    assert daemon.asked == []


@pytest.mark.parametrize(("status", "expected"), [(1, 1), (2, 2)])
def test_force_off_fails(driven: Driven, status: int, expected: int) -> None:
    """Its sentence and its status are those of the command, and nothing is looked at."""
    driven.done = subprocess.CompletedProcess([], status, "", "biteclock-force-off: no. Plug.\n")
    result = OFF.call("--pin", "GPIO22")
    assert (result.exit_code, driven.looks) == (expected, [])
    assert "no. Plug." in result.output


def test_force_off_hangs(driven: Driven, monkeypatch: pytest.MonkeyPatch) -> None:
    def hang(command: list[str], timeout: float, **_named: Any) -> None:
        raise subprocess.TimeoutExpired(command, timeout)

    monkeypatch.setattr(cli_off.subprocess, "run", hang)
    result = OFF.call("--pin", "GPIO22")
    assert (result.exit_code, driven.looks) == (1, [])
    assert PLUG in result.output


def test_look_fails(driven: Driven) -> None:
    driven.look = OffLook(Message("hardware.off_look.high", {"pin": "GPIO22"}))
    result = OFF.call("--pin", "GPIO22")
    assert result.exit_code == 1
    assert PLUG in result.output
    assert "GPIO22 was driven low and is high again" in result.output


@pytest.mark.usefixtures("bench")
def test_model_in_the_benchs_place(driven: Driven, answers: Any) -> None:
    """A rehearsal on the bench's port is no proof, except where its port was given."""
    model = status(101.0, rig="rehearsal")
    answers(Daemon(answered(), model))
    OFF.call()
    assert driven.commands == [["hardware.force_off", "--pin", "GPIO22"]]
    later = [status(101.0 + n, rig="rehearsal") for n in range(3)]
    answers(Daemon(answered(), *later))
    assert OFF.call("--port", "9000").exit_code == 0
    assert len(driven.commands) == 1


@pytest.mark.usefixtures("bench")
def test_strangers_answer(driven: Driven, answers: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """While no daemon runs, any user's program may listen on its port and say that all is off."""
    asked: list[int] = []
    answers(Daemon(answered(), *(status(100.0 + n / 10.0) for n in range(1, 4))))
    monkeypatch.setattr(cli_off, "is_ours", lambda port: bool(asked.append(port)))
    driven.look = OffLook(Message("hardware.off_look.high", {"pin": "GPIO22"}))
    result = OFF.call()
    assert (result.exit_code, asked) == (1, [9000])
    assert "Another user's program answered at port 9000" in result.output
    assert PLUG in result.output
    assert driven.commands == [["hardware.force_off", "--pin", "GPIO22"]]
    driven.look = OffLook(None)
    assert OFF.call().exit_code == 0, "off was seen without it"


def test_stranger_without_a_pin(answers: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    answers(Daemon(answered(), *(status(100.0 + n / 10.0) for n in range(1, 4))))
    monkeypatch.setattr(cli_off, "is_ours", lambda _port: False)
    result = OFF.call("--port", "9")
    assert result.exit_code == 1
    assert PLUG in result.output


@pytest.mark.usefixtures("bench")
def test_local_socket_is_believed(answers: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    """Its file says who made it, whoever listens on the port."""
    daemon = answers(Daemon(answered(), *(status(100.0 + n / 10.0) for n in range(1, 5))))
    daemon.is_local = True
    monkeypatch.setattr(cli_off, "is_ours", lambda _port: False)
    assert OFF.call().exit_code == 0


def test_errors_of_the_project() -> None:
    """What the watch forgives is what the client raises."""
    assert issubclass(NoDaemonError, BiteclockError)
    assert issubclass(ApiRefusedError, BiteclockError)
