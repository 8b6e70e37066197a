"""Drives the relay's pin low at once: ``biteclock-force-off --pin GPIO17``.

The pins come from the arguments alone, so that a broken configuration cannot stop it. The service
manager runs it before and after the daemon (ExecStartPre and ExecStopPost of the unit). A person
may run it by hand.
"""

from __future__ import annotations

import argparse
import contextlib
import os
import re
import sys
import tempfile
from collections.abc import Iterator, Sequence

from gpiozero import DigitalOutputDevice, Factory

LAST_RESORT = "If the relay stays on, cut the supply with its emergency stop or pull its plug."

CHIPS = "/dev/gpiochip{number}"

_held_outputs: list[DigitalOutputDevice] = []
"""Every pin driven here. They are kept until the process ends, because a collected device turns its
pin into a floating input."""


def pin_name(text: str) -> str:
    """Return the text if it names a pin of the header, GPIO0 to GPIO27.

    Raises: argparse.ArgumentTypeError.
    """
    if not re.fullmatch(r"GPIO([0-9]|1[0-9]|2[0-7])", text):
        raise argparse.ArgumentTypeError(
            f"{text!r} is not a pin. Give the relay_pin of the rig, GPIO0 to GPIO27"
        )
    return text


@contextlib.contextmanager
def fresh_directory() -> Iterator[None]:
    """Give lgpio a fresh directory while it is imported, in memory if possible.

    During the import it makes a FIFO in $LG_WD, or else in the working directory. That fails when
    it may not write there, when the disk is full, or when another user left a FIFO of that name.
    Source: lgpio 0.2.2.0, tried.
    """
    shared = "/dev/shm"  # noqa: S108 the directory made there is private
    memory = shared if os.access(shared, os.W_OK | os.X_OK) else None
    here, before = os.open(".", os.O_PATH | os.O_CLOEXEC), os.environ.get("LG_WD")
    with tempfile.TemporaryDirectory(prefix="biteclock-", dir=memory) as directory:
        os.environ["LG_WD"] = directory
        try:
            yield
        finally:
            os.fchdir(here)
            os.close(here)
            if before is None:
                del os.environ["LG_WD"]
            else:
                os.environ["LG_WD"] = before


def build_factory(name: str) -> Factory:
    """Return gpiozero's pin factory of that name, ``lgpio`` or ``mock``, and never another."""
    if name == "mock":
        from gpiozero.pins.mock import MockFactory

        return MockFactory()
    with fresh_directory():
        from gpiozero.pins.lgpio import LGPIOFactory
    return LGPIOFactory()


def holder_of(pin: str, factory: Factory) -> str | None:
    """Return the name under which a process holds the pin, or None when nobody can tell.

    Source: the kernel's GPIO character device, GPIO_V2_GET_LINEINFO_IOCTL, consumer. lgpio calls
    itself "lg".
    """
    try:
        import gpiod

        with gpiod.Chip(CHIPS.format(number=factory.chip)) as chip:
            info = chip.get_line_info(int(pin.removeprefix("GPIO")))
    except Exception:  # it only adds a name to what is already known to be wrong
        return None
    return info.consumer if info.used else None


def _named(holder: str | None) -> str:
    return f' ("{holder}")' if holder else ""


def drive_low(pin: str, factory: Factory) -> str | None:
    """Claim the pin as an output at low level and read it back.

    Return what went wrong, or None when it reads low.
    """
    try:
        output = DigitalOutputDevice(
            pin, active_high=True, initial_value=False, pin_factory=factory
        )
        _held_outputs.append(output)
        reads_high = bool(output.value)
    except Exception as error:  # whatever the library raises, the pin is not off
        if "busy" in str(error).lower():
            return (
                f"{pin} is held by another process{_named(holder_of(pin, factory))}, and the "
                "kernel lets no second one drive it. Pull the plug of the supply. To free the "
                "pin, stop that process (systemctl stop biteclock; gpioinfo lists the holders)."
            )
        return f"{pin} could not be driven low: {type(error).__name__}: {error}."
    if reads_high:
        return f"{pin} was driven low and still reads high. Look for a short to 3.3 V or a bad pin."
    return None


def force_off(pins: Sequence[str], factory_name: str) -> list[str]:
    """Drive every pin low, also when one fails, and return what went wrong."""
    try:
        factory = build_factory(factory_name)
    except Exception as error:  # as above
        return [
            f"{', '.join(pins)} could not be driven low: the pin factory {factory_name} does "
            f"not start: {type(error).__name__}: {error}. It needs a Raspberry Pi with lgpio, and "
            "root or a member of the group gpio."
        ]
    return [problem for problem in [drive_low(pin, factory) for pin in pins] if problem is not None]


def run(arguments: Sequence[str]) -> tuple[int, str]:
    """Force off the pins in the arguments. Return the exit status and what to print.

    The status is 0 when all pins read low, else 1.

    Raises: SystemExit 2 when the arguments cannot be used.
    """
    parser = argparse.ArgumentParser(
        prog="biteclock-force-off",
        description="Drive the relay's pin low. Reads no configuration.",
        epilog=(
            "Exit status: 0 when every pin reads low, 1 when one does not, 2 for wrong arguments. "
            + LAST_RESORT
        ),
    )
    parser.add_argument(
        "--pin",
        action="append",
        required=True,
        type=pin_name,
        metavar="GPIOnn",
        help="the pin; may be repeated",
    )
    parser.add_argument(
        "--pin-factory",
        choices=("lgpio", "mock"),
        default="lgpio",
        help="mock drives no pin and is for trials",
    )
    options = parser.parse_args(arguments)
    pins = list(dict.fromkeys(options.pin))
    problems = force_off(pins, options.pin_factory)
    if problems:
        return 1, "\n".join(
            [*(f"biteclock-force-off: {problem}" for problem in problems), LAST_RESORT]
        )
    mock = (
        " (mock pins: no pin of this machine was touched)" if options.pin_factory == "mock" else ""
    )
    return 0, f"biteclock-force-off: {', '.join(pins)} low{mock}"


def main(arguments: Sequence[str] | None = None) -> int:
    """Force off, print the result, and return the exit status.

    Without arguments, those of the command line are used, and the process ends here at once:
    gpiozero's cleanup would turn the pins just driven low into floating inputs. A stock Raspberry
    Pi kernel then keeps them driven low. With strict_gpiod they become inputs, and the external
    pull-down holds them.
    Source: gpiozero 2.0.1.post3, LGPIOPin.close; raspberrypi/linux, pull request 6117.
    """
    status, text = run(sys.argv[1:] if arguments is None else arguments)
    try:
        print(text, file=sys.stderr if status else sys.stdout, flush=True)
    finally:
        if arguments is None:
            os._exit(status)
    return status


if __name__ == "__main__":
    main()
