"""What the rig check says of the machine."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.texts import Message
from hardware import host
from hardware.host import host_notes


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


def test_the_kernel_command_line_does_it_too(tmp_path: Path) -> None:
    assert (
        host_notes(
            tmp_path, machine(tmp_path, cmdline="quiet pinctrl_rp1.persist_gpio_outputs=n rootwait")
        )
        == ()
    )


@pytest.mark.parametrize("config", ["", "#dtparam=strict_gpiod\n", "dtparam=strict_gpiodx\n"])
def test_without_it_a_killed_process_is_warned_of(tmp_path: Path, config: str) -> None:
    (note,) = host_notes(tmp_path, machine(tmp_path, config))
    assert note == Message("hardware.host.outputs_stay_driven")


def test_a_machine_without_boot_files_is_warned_of(tmp_path: Path) -> None:
    assert len(host_notes(tmp_path, tmp_path / "nowhere")) == 1


def test_a_nearly_full_card_is_told(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(host, "FREE_WARNING_BYTES", 10**18)
    (note,) = host_notes(tmp_path, machine(tmp_path, "dtparam=strict_gpiod\n"))
    assert (note.key, note.values["wanted_mb"]) == ("hardware.host.disk_full", 1e12)
