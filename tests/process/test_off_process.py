"""``biteclock off`` on a Pi whose pins and sensor several processes share, each in real time."""

from __future__ import annotations

import os
import signal
from pathlib import Path

import pytest

from tests.kits.pi.shared_board import SharedBoard

PLUG = "pull the supply's plug"


@pytest.fixture
def board(tmp_path: Path) -> SharedBoard:
    return SharedBoard(tmp_path)


def test_off_finds_the_bench(board: SharedBoard) -> None:
    """The relay is on another pin, the daemon on another port: the configuration names both."""
    with board.daemon() as process:
        process.running(3.0)
        assert board.level == 1
        done = board.call("off")
        assert (done.status, board.level) == (0, 0), done.said
        assert "Three readings since then show no current" in done.said


def test_welded_contact_is_not_off(board: SharedBoard) -> None:
    """The daemon turns its output off, and the current flows on."""
    with board.daemon() as process:
        process.running(3.0)
        board.fault("welded")
        done = board.call("off")
    assert (done.status, board.level) == (1, 0)
    assert PLUG in done.said


def test_dead_sensor_shows_nothing(board: SharedBoard) -> None:
    """The daemon answers, and no fresh sample comes."""
    with board.daemon() as process:
        process.until(lambda status: status["sample_age_s"] is not None)
        board.fault("sensor_dead")
        done = board.call("off")
    assert done.status == 1
    assert PLUG in done.said


def test_hung_daemon_holds_the_line(board: SharedBoard) -> None:
    """It does not answer, and nobody else can drive its output: the holder, and the plug."""
    with board.daemon() as process:
        process.running(3.0)
        os.kill(process.pid, signal.SIGSTOP)
        done = board.call("off")
        assert board.level == 1, "the test has shown nothing"
    assert done.status == 1
    assert 'GPIO22 is held by another process ("lg")' in done.said
    assert "Pull the plug" in done.said


def test_killed_daemon_left_it_on(board: SharedBoard) -> None:
    """Nobody answers: the output is driven low, and the sensor itself shows no current."""
    board.left_high()
    done = board.call("off")
    assert (done.status, board.level) == (0, 0), done.said
    assert "GPIO22 low, held by no other process. Three readings" in done.said


def test_current_without_a_daemon(board: SharedBoard) -> None:
    board.left_high()
    board.fault("welded")
    done = board.call("off")
    assert (done.status, board.level) == (1, 0)
    assert "still reads 3.000 A" in done.said
    assert PLUG in done.said


def test_dead_sensor_without_a_daemon(board: SharedBoard) -> None:
    board.fault("sensor_dead")
    done = board.call("off")
    assert done.status == 1
    assert "does not answer" in done.said
    assert PLUG in done.said


def test_no_sensor_to_ask(board: SharedBoard) -> None:
    """Without a bus the pin alone decides, and the answer says so."""
    board.left_high()
    board.fault("no_bus")
    done = board.call("off")
    assert (done.status, board.level) == (0, 0), done.said
    assert "The current was not checked" in done.said


def test_line_held_by_another(board: SharedBoard) -> None:
    with board.held():
        done = board.call("off")
        assert board.level == 1
    assert done.status == 1
    assert 'GPIO22 is held by another process ("borrower")' in done.said
    assert "Pull the plug" in done.said


def test_rehearsal_is_not_the_bench(board: SharedBoard) -> None:
    """A rehearsal answers on the bench's port, and the bench's own pin is still high."""
    board.left_high()
    with board.daemon(rig="rehearsal") as process:
        process.until(lambda status: status["sample_age_s"] is not None)
        done = board.call("off")
        assert (done.status, board.level) == (0, 0), done.said
        assert "A rehearsal answered" in done.said


def test_fault_elsewhere_in_the_file(board: SharedBoard) -> None:
    """A mistake in another table does not hide pin and port: off comes, and the fault is named."""
    board.left_high()
    text = board.config.read_text()
    board.config.write_text(f"{text}[limits]\nmax_volts = 5\n")
    done = board.call("off")
    assert (done.status, board.level) == (0, 0), done.said
    assert "limits.max_volts is not a setting" in done.said
    board.left_high()
    board.config.write_text(f"{text}[rig.lamp]\npin = 5\n")
    done = board.call("off")
    assert (done.status, board.level) == (2, 1), "the pin may be wrong, too"


def test_broken_configuration_refused(board: SharedBoard) -> None:
    """No default takes its place, and with a pin the command works all the same."""
    board.left_high()
    board.config.write_text("[rig\n")
    done = board.call("off")
    assert (done.status, board.level) == (2, 1)
    assert "is not valid TOML" in done.said
    assert "give --pin, --port or --config" in done.said
    done = board.call("off", "--pin", "GPIO22")
    assert (done.status, board.level) == (0, 0), done.said
