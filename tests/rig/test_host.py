"""The rig check's notes on the machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.texts import Message
from hardware import host
from hardware.host import (
    SYNCHRONISED_MARK,
    TIME_ERROR,
    host_notes,
    is_clock_synchronised,
    kernel_clock_state,
)


def machine(
    root: Path, config: str = "", cmdline: str = "", where: str = "boot/firmware/config.txt"
) -> Path:
    for name, text in ((where, config), ("proc/cmdline", cmdline)):
        (root / name).parent.mkdir(parents=True, exist_ok=True)
        (root / name).write_text(text, encoding="utf-8")
    return root


@pytest.mark.parametrize("where", ["boot/firmware/config.txt", "boot/config.txt"])
def test_strict_gpiod_is_found(tmp_path: Path, where: str) -> None:
    assert (
        host_notes(
            tmp_path, machine(tmp_path, "dtparam=i2c_arm=on\ndtparam=strict_gpiod\n", where=where)
        )
        == ()
    )


def test_kernel_command_line_is_read(tmp_path: Path) -> None:
    """The setting may be on the kernel command line."""
    assert (
        host_notes(
            tmp_path, machine(tmp_path, cmdline="quiet pinctrl_rp1.persist_gpio_outputs=n rootwait")
        )
        == ()
    )


@pytest.mark.parametrize("config", ["", "#dtparam=strict_gpiod\n", "dtparam=strict_gpiodx\n"])
def test_driven_outputs_are_warned(tmp_path: Path, config: str) -> None:
    """Without the setting, a killed process leaves outputs driven, which causes a warning."""
    (note,) = host_notes(tmp_path, machine(tmp_path, config))
    assert note == Message("hardware.host.outputs_stay_driven")


def test_missing_boot_files_are_warned(tmp_path: Path) -> None:
    """A machine without boot files is warned of."""
    assert len(host_notes(tmp_path, tmp_path / "nowhere")) == 1


def test_nearly_full_card_warned(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A nearly full card causes a warning."""
    monkeypatch.setattr(host, "FREE_WARNING_BYTES", 10**18)
    (note,) = host_notes(tmp_path, machine(tmp_path, "dtparam=strict_gpiod\n"))
    assert (note.key, note.values["wanted_mb"]) == ("hardware.host.disk_full", 1e12)


def test_timesyncd_sets_the_clock(tmp_path: Path) -> None:
    """Its mark counts, whatever the kernel says. Source: systemd-timesyncd.service(8)."""
    assert not is_clock_synchronised(tmp_path, lambda: TIME_ERROR)
    mark = tmp_path / SYNCHRONISED_MARK
    mark.parent.mkdir(parents=True)
    mark.touch()
    assert is_clock_synchronised(tmp_path, lambda: TIME_ERROR)


@pytest.mark.parametrize(("state", "is_set"), [(-1, False), (0, True), (4, True), (5, False)])
def test_kernel_knows_other_services(tmp_path: Path, state: int, is_set: bool) -> None:
    """Chrony and ntpd leave no mark, but tell the kernel. Source: adjtimex(2)."""
    assert is_clock_synchronised(tmp_path, lambda: state) is is_set


def test_kernel_can_be_asked() -> None:
    assert -1 <= kernel_clock_state() <= TIME_ERROR
