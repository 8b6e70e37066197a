"""The force-off entry point, on gpiozero's real lgpio factory with a kernel of our own below it."""

import os
import subprocess
import sys
from pathlib import Path

import pytest

from hardware import force_off
from tests.kits.pi.fake_kernel import PI_5_REVISION, Kernel, KernelError, install
from tests.kits.pi.fake_kernel import kernel as kernel  # a fixture
from tests.paths import ROOT


def test_high_pin_driven_low(kernel):
    """A pin left driven high is driven low and never high on the way."""
    status, text = force_off.run(["--pin", "GPIO17"])
    assert (status, text) == (0, "biteclock-force-off: GPIO17 low")
    assert (kernel.output[17], kernel.level[17]) == (True, 0)
    assert not [call for call in kernel.calls if call[0] in ("output", "write") and call[2] != 0]


def test_only_given_pins_touched(kernel):
    """Only the pins of the argument are touched."""
    assert force_off.run(["--pin", "GPIO22", "--pin", "GPIO27", "--pin", "GPIO22"])[0] == 0
    assert {call[1] for call in kernel.calls} == {22, 27}
    assert (kernel.level[22], kernel.level[27], kernel.level[17]) == (0, 0, 1)


@pytest.mark.parametrize(("has_chip_4", "chip"), [(False, 0), (True, 4)])
def test_header_of_pi_5(monkeypatch, has_chip_4, chip):
    """Its header is chip 4 on the first kernels and chip 0 on later ones; no other chip is touched.

    Source: gpiozero 2.0.1.post3, LGPIOFactory; lines of the wrong chip would be driven low and the
    relay stay on.
    """
    kernel = Kernel(header=chip, chips=(0, 1, 4))
    install(kernel, monkeypatch, PI_5_REVISION)
    exists = os.path.exists
    monkeypatch.setattr(
        os.path, "exists", lambda path: has_chip_4 if path == "/dev/gpiochip4" else exists(path)
    )
    assert force_off.run(["--pin", "GPIO17"])[0] == 0
    assert (kernel.opened, kernel.level[17]) == ([chip], 0)
    assert [number for number in kernel.chips if not kernel.untouched(number)] == [chip]


def test_held_line_is_named(kernel):
    """A line held by another process is named, and the others go off all the same."""
    kernel.held_by_others.add(17)
    status, text = force_off.run(["--pin", "GPIO17", "--pin", "GPIO27"])
    assert status == 1
    assert "GPIO17 is held by another process" in text
    assert "GPIO27" not in text
    assert "cut the supply" in text
    assert (kernel.level[17], kernel.level[27]) == (1, 0)


def test_pin_still_high_fails(kernel):
    """A pin that still reads high is a failure."""
    kernel.stuck_high.add(17)
    status, text = force_off.run(["--pin", "GPIO17"])
    assert status == 1
    assert "still reads high" in text


def test_unopened_chip_fails(kernel):
    """A chip that does not open is a failure with what to do."""
    kernel.chip_error = KernelError("can not open gpiochip")
    status, text = force_off.run(["--pin", "GPIO17"])
    assert status == 1
    assert "GPIO17" in text
    assert "can not open gpiochip" in text
    assert "group gpio" in text


def test_unclaimable_line(kernel, monkeypatch):
    """Whatever the kernel says, it is not off: a failure that names pin and error, and the other
    pins go low.
    """
    claim = kernel.gpio_claim_output

    def refuse(handle, line, *arguments):
        if line == 17:
            raise KernelError("bad GPIO number")
        claim(handle, line, *arguments)

    monkeypatch.setattr(kernel, "gpio_claim_output", refuse, raising=False)
    status, text = force_off.run(["--pin", "GPIO17", "--pin", "GPIO27"])
    assert status == 1
    assert "GPIO17 could not be driven low: KernelError: bad GPIO number." in text
    assert "cut the supply" in text
    assert kernel.level[27] == 0


@pytest.mark.parametrize(
    "arguments",
    [[], ["--pin", "GPIO28"], ["--pin", "17"], ["--pin", "GPIO17", "--pin-factory", "rpigpio"]],
)
def test_wrong_arguments_touch_nothing(kernel, capsys, arguments):
    """Wrong arguments end before any pin is touched."""
    with pytest.raises(SystemExit) as ending:
        force_off.run(arguments)
    assert ending.value.code == 2
    assert kernel.calls == []
    assert "biteclock-force-off: error:" in capsys.readouterr().err


def _python(program: str, *arguments: str, **environment: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-c", program, *arguments],
        cwd=ROOT, env={**os.environ, **environment}, capture_output=True, text=True, check=False,
    )  # fmt: skip


NO_LGPIO = "import sys; sys.modules['lgpio'] = None; from hardware.force_off import main; main()"


def test_factory_is_never_replaced():
    """With GPIOZERO_PIN_FACTORY=mock in the environment, a missing lgpio is still a failure."""
    done = _python(NO_LGPIO, "--pin", "GPIO17", GPIOZERO_PIN_FACTORY="mock")
    assert (done.returncode, done.stdout) == (1, "")
    assert "pin factory lgpio does not start" in done.stderr
    assert "cut the supply" in done.stderr


def test_mock_pins_are_reported():
    """With mock pins the message states that no pin was touched."""
    done = _python(NO_LGPIO, "--pin", "GPIO17", "--pin-factory", "mock")
    assert (done.returncode, done.stderr) == (0, "")
    assert "no pin of this machine was touched" in done.stdout


RELEASES = """
import sys
from gpiozero.pins.mock import MockPin
from hardware import force_off
MockPin.close = lambda self: print("released", self, flush=True)
ENDING
"""


def test_pin_stays_low_after_end():
    """gpiozero's cleanup at exit would turn it into a floating input; the other ending shows that
    this can be seen.
    """
    arguments = ["--pin", "GPIO17", "--pin-factory", "mock"]
    left = _python(RELEASES.replace("ENDING", "force_off.main()"), *arguments)
    cleaned = _python(
        RELEASES.replace("ENDING", "sys.exit(force_off.run(sys.argv[1:])[0])"), *arguments
    )
    assert (left.returncode, cleaned.returncode) == (0, 0)
    assert "released" in cleaned.stdout
    assert "released" not in left.stdout


def test_caller_gets_the_status(kernel, capsys):
    """A caller that gives the arguments gets the status and goes on."""
    assert force_off.main(["--pin", "GPIO17"]) == 0
    kernel.stuck_high.add(22)
    assert force_off.main(["--pin", "GPIO22"]) == 1
    printed = capsys.readouterr()
    assert "GPIO17 low" in printed.out
    assert "GPIO22" in printed.err


def test_closed_output_keeps_status():
    """A closed output does not change the status."""
    done = _python(
        "import os, sys; os.close(1); os.close(2); from hardware.force_off import main; main()",
        "--pin", "GPIO17", "--pin-factory", "mock",
    )  # fmt: skip
    assert done.returncode == 0


def test_pin_low_before_other_imports():
    """It works at once, with any configuration."""
    done = _python(
        "import sys; from hardware import force_off; force_off.run(sys.argv[1:]);"
        "print({m.split('.')[0] for m in sys.modules}"
        " & {'controller', 'api', 'pydantic', 'tomllib', 'click'})",
        "--pin", "GPIO17", "--pin-factory", "mock",
    )  # fmt: skip
    assert done.stdout.strip() == "set()"


LGPIO_FIFO = """
import os
directory = os.environ["LG_WD"]
os.chdir(directory)
found_there = os.listdir(directory)
os.mkfifo(".lgd-nfy0")
BOTH_EDGES, RISING_EDGE, FALLING_EDGE, SET_PULL_NONE = 3, 1, 2, 128
def gpiochip_open(chip):
    return 0
"""
"""What lgpio 0.2.2.0 does while it is imported, and what gpiozero needs of it to start."""


@pytest.mark.parametrize("before", [None, "/nowhere"])
def test_lgpio_gets_fresh_directory(kernel, monkeypatch, tmp_path, before):
    """A FIFO left by another user, a full disk or an unwritable place must not stand between the
    relay and off.
    """
    called_from = tmp_path / "called_from"
    called_from.mkdir()
    (tmp_path / "lgpio.py").write_text(LGPIO_FIFO)
    monkeypatch.syspath_prepend(tmp_path)
    monkeypatch.delitem(sys.modules, "lgpio")
    monkeypatch.chdir(called_from)
    if before is None:
        monkeypatch.delenv("LG_WD", raising=False)
    else:
        monkeypatch.setenv("LG_WD", before)
    force_off.build_factory("lgpio")
    import lgpio

    assert lgpio.found_there == []
    assert not Path(lgpio.directory).exists()
    assert (Path.cwd(), list(called_from.iterdir())) == (called_from, [])
    assert os.environ.get("LG_WD") == before


def test_runs_as_a_module():
    """It runs as a module too."""
    command = [
        sys.executable,
        "-m",
        "hardware.force_off",
        "--pin",
        "GPIO17",
        "--pin-factory",
        "mock",
    ]
    done = subprocess.run(command, cwd=ROOT, capture_output=True, text=True, check=False)
    assert (done.returncode, done.stderr) == (0, "")
    assert "GPIO17 low" in done.stdout


def test_console_script_leads_here():
    from importlib.metadata import entry_points

    (script,) = entry_points(group="console_scripts", name="biteclock-force-off")
    assert script.load() is force_off.main
