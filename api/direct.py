"""The rig without a daemon: what commands ask of it directly.

Beside the composition root, this is the only module of ``api`` that imports ``hardware``.
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

from controller.assembly import assemble
from controller.config import Settings
from controller.errors import RefusedError
from controller.ports import Clock
from controller.running.loop import Board
from controller.running.rig_report import rig_report
from hardware.clock import SystemClock, SystemPacer
from hardware.host import host_notes
from hardware.off_look import OffLook, look_at_current, look_at_line
from hardware.plan_rehearsal import Rehearsal, rehearsal_rig
from hardware.rehearsal.faults.by_name import parse_fault
from hardware.rehearsal.faults.kinds import Fault
from hardware.rig import Rig, build_pi_rig, sensor_range_a

DIRECT_CHECK_S = 3.0
"""Duration of a rig check without a daemon, s: sixteen conversions and one failed read."""


def parse_faults(texts: Sequence[str]) -> tuple[Fault, ...]:
    """Return the faults given as NAME@SECONDS. Raises: RefusedError with the list of names."""
    return tuple(parse_fault(text) for text in texts)


def rig_range_a(settings: Settings) -> float:
    """Return the full scale of the current measurement, A."""
    return sensor_range_a(settings.rig)


def machine_board() -> Board:
    """Return a board on the machine's own clock."""
    return Board(SystemClock())


def machine_clock() -> Clock:
    """Return the machine's own clock."""
    return SystemClock()


def check_rig_directly(settings: Settings, *, rehearse: bool) -> dict[str, Any]:
    """Return the rig check as JSON values, from a rig opened here.

    Nothing is switched on. The panel does not follow: a second contactor stays open.
    """
    from api.http.models.rig import RigCheck

    wakeup_read, _ = os.pipe()
    rig = replace(open_rig(settings, Rehearsal() if rehearse else None, wakeup_read), followers=())
    assembly = assemble(rig, settings, board=machine_board(), new_run_id=lambda: "check")
    until_s = rig.clock.monotonic_s() + DIRECT_CHECK_S
    assembly.loop.run(lambda: rig.clock.monotonic_s() >= until_s)
    snapshot = assembly.loop.board.snapshot
    if snapshot is None:
        raise RuntimeError("the loop published nothing")
    check = assembly.supervisor.report_check()
    report = rig_report(check, snapshot, settings.limits.max_sample_age_s)
    notes = () if rehearse else [str(note) for note in host_notes(Path.cwd())]
    return RigCheck.of(report, notes).model_dump(mode="json")


def look_whether_off(pins: Sequence[str], settings: Settings | None) -> OffLook:
    """Return whether the lines are low and free, and no current flows.

    :param settings: those of the sensor, or None where no sensor is known.
    """
    problems = [problem for pin in pins if (problem := look_at_line(pin)) is not None]
    if problems or settings is None:
        return OffLook(problems[0] if problems else None)
    clock = SystemClock()
    return look_at_current(settings, clock, SystemPacer(clock))


def open_rig(settings: Settings, rehearsal: Rehearsal | None, wakeup_fd: int) -> Rig:
    """Return the real rig, or the rehearsal rig when there is a rehearsal."""
    if rehearsal is None:
        return build_pi_rig(settings, wakeup_fd)
    return rehearsal_rig(None, rehearsal, settings)


def refuse_relay_on(rig: Rig, relay_pin: str) -> None:
    """Raise RefusedError when the relay output reads on after it was turned off."""
    if rig.gate.reads_on():
        raise RefusedError("http.startup.relay_reads_on", field="relay_pin", relay_pin=relay_pin)


def refuse_another_pin(relay_pin: str) -> None:
    """Raise RefusedError when the service would force off another pin than the configured one."""
    unit_pin = os.environ.get("BITECLOCK_RELAY_PIN", relay_pin)
    if unit_pin != relay_pin:
        raise RefusedError(
            "http.startup.another_pin", field="relay_pin", relay_pin=relay_pin, unit_pin=unit_pin
        )
