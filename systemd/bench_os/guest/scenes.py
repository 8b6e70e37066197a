"""Plays every way to end a run, one scene after the other, on the installed service.

Runs with the daemon's own Python.
"""

from __future__ import annotations

import os
import select
import signal
import subprocess
import time
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path
from typing import Any

from line import Report, boot_number

from api.access.auth import read_bench_token
from api.cli.client import ApiClient, ApiRefusedError, NoDaemonError

ADDRESS = "http://127.0.0.1:8420"
STATE_DIRECTORY = Path("/var/lib/biteclock")
CONFIG = Path("/etc/biteclock/biteclock.toml")
DROP_IN = Path("/etc/systemd/system/biteclock.service.d/scene.conf")
INSTALL = "/opt/bench/project/systemd/install.sh"
FORCE_OFF = ("/usr/local/bin/biteclock-force-off", "--pin", "GPIO17")
PLATE = {
    "piece": "dummy load",
    "metal": "fine-silver",
    "area_mm2": 767.0,
    "depth_mm": 0.25,
    "current_a": 3.0,
    "thickness_mm": 1.2,
}
SHOWN = ("state", "reason", "message", "current_a", "voltage_v", "relay_on", "charge_coulombs")

HOLD_S = 3.0
"""How long a run lasts before it is ended, and the shortest watch after its end, s."""
PATIENCE_S = 120.0
"""An answer that takes longer counts as missing, s."""

report = Report()


def client() -> ApiClient:
    """Return a client with the bench's own token, which is new at each start of the daemon."""
    return ApiClient(ADDRESS, read_bench_token(STATE_DIRECTORY))


def until(condition: Callable[[dict[str, Any]], bool], what: str) -> dict[str, Any]:
    """Return the first status that fulfils the condition. Raises: TimeoutError."""
    give_up_s = time.monotonic() + PATIENCE_S
    status: dict[str, Any] = {}
    while time.monotonic() < give_up_s:
        try:
            status = client().get("/api/status")
            if condition(status):
                return status
        except (NoDaemonError, ApiRefusedError):
            pass
        time.sleep(0.2)
    raise TimeoutError(f"{what} did not come within {PATIENCE_S:g} s; the last status was {status}")


def start_run() -> dict[str, Any]:
    """Put a plate on and return the status of the run once its current is measured."""
    until(
        lambda status: status["logbook_ready"] and not status["sensor_message"],
        "a daemon that is ready",
    )
    until(lambda _: _began(), "a bench that takes a run")
    status = until(
        lambda status: (
            status["state"] not in ("idle", "checking") and status["current_a"] is not None
        ),
        "a run",
    )
    if status["state"] == "running":
        time.sleep(HOLD_S)
        status = client().get("/api/status")
    return {name: status[name] for name in SHOWN}


def _began() -> bool:
    """End the previous run and start a new one. Raises: ApiRefusedError when it is too early."""
    client().post("/api/stop")
    with suppress(ApiRefusedError):
        client().post("/api/acknowledge")
    client().post("/api/start", PLATE)
    return True


def scene(
    name: str, act: Callable[[], Any], *, run: bool = True, settle: Callable[[], Any] | None = None
) -> None:
    """Play one scene: a run, the act, what comes after it. The judge looks at the answers later.

    :param settle: waits for what must come back before the scene ends; its answer is reported.
    """
    before = start_run() if run else None
    at_s = time.monotonic()
    report.write("act", at_s, name=name, before=before)
    answer = act()
    after = settle() if settle else None
    time.sleep(HOLD_S)
    report.write("end", name=name, answer=answer, after=after)


def systemctl(*words: str) -> int:
    """Run systemctl and return its exit status."""
    return subprocess.run(["/usr/bin/systemctl", *words], check=False).returncode


def shown(name: str) -> str:
    """Return one property of the service."""
    words = ["/usr/bin/systemctl", "show", "--value", "-p", name, "biteclock"]
    return subprocess.run(words, check=True, stdout=subprocess.PIPE, text=True).stdout.strip()


def strike(number: signal.Signals) -> None:
    """Send a signal to the daemon and wait for its end: until then it goes on answering."""
    daemon = os.pidfd_open(int(shown("MainPID")))
    signal.pidfd_send_signal(daemon, number)
    select.select([daemon], [], [], PATIENCE_S)
    os.close(daemon)


def exit_of(*words: str) -> dict[str, Any]:
    """Run a command; return its exit status and the last line of its output."""
    done = subprocess.run(
        words, check=False, cwd="/", text=True, stdout=subprocess.PIPE, stderr=subprocess.STDOUT
    )
    return {"status": done.returncode, "last_line": (done.stdout.strip().splitlines() or [""])[-1]}


def back() -> dict[str, Any]:
    """Wait until the service is up again and return its status of the run that was cut."""
    status = until(
        lambda status: status["logbook_ready"] and not status["sensor_message"],
        "the service's return",
    )
    return {name: status[name] for name in ("state", "relay_on", "charge_coulombs")} | {
        "restarts": shown("NRestarts")
    }


def drop_in(text: str | None) -> None:
    """Change the unit for one scene, or put it back."""
    if text is None:
        DROP_IN.unlink()
    else:
        DROP_IN.write_text(f"[Service]\n{text}\n")
    systemctl("daemon-reload")


def second_boot() -> None:
    """The scenes of a bench that was just switched on, up to the reboot in a run."""
    report.write(
        "fact",
        kernel=os.uname().release,
        python=exit_of("/opt/biteclock/venv/bin/python", "--version")["last_line"],
        systemd=exit_of("/usr/bin/systemctl", "show", "--value", "-p", "Version")["last_line"],
        lgpio=_lgpio(),
    )
    scene("boot", lambda: None, run=False, settle=back)
    scene("run", lambda: time.sleep(HOLD_S))
    scene("force-off while the service holds the pin", lambda: exit_of(*FORCE_OFF))
    client().post("/api/stop")
    scene("install.sh in a run", lambda: exit_of(INSTALL, "--no-apt"))
    client().post("/api/stop")
    scene("Stop by the API", lambda: client().post("/api/stop")["state"])
    scene("SIGTERM", lambda: strike(signal.SIGTERM), settle=back)
    scene("SIGKILL", lambda: strike(signal.SIGKILL), settle=back)
    scene("watchdog (SIGSTOP)", lambda: strike(signal.SIGSTOP), settle=back)
    drop_in("ExecStopPost=\nRestart=no")
    systemctl("restart", "biteclock")
    scene("SIGKILL, the kernel alone", lambda: strike(signal.SIGKILL))
    drop_in(None)
    systemctl("start", "biteclock")
    scene("systemctl stop", lambda: systemctl("stop", "biteclock"))
    scene("force-off by hand, service stopped", lambda: exit_of(*FORCE_OFF), run=False)
    text = CONFIG.read_text()
    CONFIG.write_text(text + "\n[no such table]\n")
    broken = "start with a broken configuration"
    scene(
        broken,
        lambda: systemctl("start", "--no-block", "biteclock"),
        run=False,
        settle=twice_failed,
    )
    CONFIG.write_text(text)
    systemctl("restart", "biteclock")
    before = start_run()
    report.write("act", name="reboot", before=before)
    systemctl("reboot")


def twice_failed() -> dict[str, Any]:
    """Wait until the service has been started again and has failed again."""
    give_up_s = time.monotonic() + PATIENCE_S
    while time.monotonic() < give_up_s and int(shown("NRestarts")) < 2:
        time.sleep(0.5)
    return {"restarts": shown("NRestarts"), "result": shown("Result")}


def _lgpio() -> str:
    code = "import lgpio, os; print(lgpio.__file__)"
    return str(
        exit_of("/usr/bin/env", "LG_WD=/run", "/opt/biteclock/venv/bin/python", "-c", code)[
            "last_line"
        ]
    )


def main() -> None:
    """Play what this boot is for."""
    if boot_number() == 2:
        second_boot()
        return
    scene("boot after the reboot in a run", lambda: None, run=False, settle=back)
    report.write("done")
    systemctl("poweroff")


if __name__ == "__main__":
    main()
