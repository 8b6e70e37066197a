"""The sensor driver imports on a Pi.

Its import chain asks for gpiod there, which pip does not bring and x86 does not show.
"""

import os
import subprocess
import sys

import pytest

IMPORTS = """
import adafruit_extended_bus
import adafruit_ina219
from adafruit_blinka.agnostic import board_id, chip_id
driver = adafruit_ina219.INA219.__name__
print(board_id, chip_id, adafruit_extended_bus.ExtendedI2C.__name__, driver)
"""

WITHOUT_GPIOD = (
    """
import sys
class Hide:
    def find_spec(self, name, path=None, target=None):
        if name.partition(".")[0] == "gpiod":
            raise ModuleNotFoundError("No module named 'gpiod'", name="gpiod")
sys.meta_path.insert(0, Hide())
"""
    + IMPORTS
)

BOARDS = ("RASPBERRY_PI_ZERO_2_W", "RASPBERRY_PI_4B", "RASPBERRY_PI_5")


def on_a_pi(program: str, board: str) -> subprocess.CompletedProcess[str]:
    """Run the program as on that board.

    Both variables: with one alone Blinka still takes the chip of this machine.
    """
    environment = {**os.environ, "BLINKA_FORCEBOARD": board, "BLINKA_FORCECHIP": "BCM2XXX"}
    command = [sys.executable, "-c", program]
    return subprocess.run(command, env=environment, capture_output=True, text=True, check=False)


@pytest.mark.parametrize("board", BOARDS)
def test_driver_imports_on_pi(board):
    """The driver imports on a Pi."""
    done = on_a_pi(IMPORTS, board)
    assert done.returncode == 0, done.stderr
    assert done.stdout.split() == [board, "BCM2XXX", "ExtendedI2C", "INA219"]


@pytest.mark.parametrize("board", BOARDS)
def test_without_gpiod_it_does_not(board):
    """Or the test above proves nothing, and the dependency could go."""
    done = on_a_pi(WITHOUT_GPIOD, board)
    assert done.returncode != 0
    assert "gpiod" in done.stderr
