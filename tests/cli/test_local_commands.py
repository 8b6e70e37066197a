"""The commands of the Pi's user: through the local socket, or refused in one clear sentence."""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.access.local_socket import LocalSocket
from api.cli.bench import local as cli_local
from controller.messages import RunState
from tests.access.test_local_socket import served_locally
from tests.kits.api_client import Daemon
from tests.kits.cli_kit import Command
from tests.kits.logbook_kit import began, changed, mean

RUNS, PAIR, DEVICES, CHECK = Command("runs"), Command("pair"), Command("devices"), Command("check")


@pytest.fixture
def daemon(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Daemon]:
    """A daemon whose local socket is where the installed one has it; its files are elsewhere."""
    run_directory = tmp_path / "run"
    run_directory.mkdir()
    monkeypatch.setattr(cli_local, "RUNTIME_DIRECTORY", run_directory)
    monkeypatch.chdir(tmp_path)
    daemon = Daemon(tmp_path / "state", guarded=True, name="the big bath")
    daemon.step()
    for entry in (
        began("r1"),
        changed("r1", RunState.RUNNING),
        *(mean(i, 3.0, run_id="r1") for i in range(700)),
        changed("r1", RunState.FINISHED, 1800.0, depth_mm=0.25),
        began("r2"),
        changed("r2", RunState.STOPPED, 5.0),
    ):
        daemon.logbook.put(entry)
    daemon.logbook.work()
    daemon.logbook._samples_since_s = -1e9
    daemon.logbook.work()
    local = LocalSocket(run_directory)
    try:
        with served_locally(daemon, local):
            yield daemon
    finally:
        local.close()
        daemon.close()


def test_runs_through_socket(daemon: Daemon, tmp_path: Path) -> None:
    """What the daemon tells is what its file holds, without any option."""
    through = RUNS.json_of("list")
    assert [run["run_id"] for run in through] == ["r2", "r1"]
    (tmp_path / "state" / "biteclock.sqlite").symlink_to(daemon.logbook.path)
    direct = RUNS.json_of("list", "--state-directory", tmp_path / "state")
    only_in_file = {"number", "boot_id"}
    for told, stored in zip(through, direct, strict=True):
        assert set(stored) <= set(told)
        assert {name: told[name] for name in stored if name not in only_in_file} == {
            name: it for name, it in stored.items() if name not in only_in_file
        }
    assert "0.25 mm" in RUNS.call("list").output
    assert [run["run_id"] for run in RUNS.json_of("list", "--limit", "1")] == ["r2"]


def test_show_through_socket(daemon: Daemon) -> None:
    assert RUNS.json_of("show", "r1")["plan"]["area_mm2"] == 767.0
    assert "1800.0 C" in RUNS.call("show", "r1").output
    assert "nobody" in str(RUNS.refused("show", "nobody"))


def test_export_through_socket(daemon: Daemon) -> None:
    rows = list(csv.DictReader(io.StringIO(RUNS.call("export", "r1").output)))
    assert len(rows) == 700
    assert float(rows[0]["current_a"]) == 3.0
    assert len(json.loads(RUNS.call("export", "r1", "--format", "json").output)) == 700
    assert json.loads(RUNS.call("export", "r2", "--format", "json").output) == []


def test_pair_shows_pin(daemon: Daemon) -> None:
    code = PAIR.json_of()
    assert code["pin"] == daemon.access.pins.pin
    assert (code["name"], code["valid_s"]) == ("the big bath", 86_400)
    shown = PAIR.call().output
    assert shown.startswith("the big bath\n")
    assert f"{code['pin'][:3]} {code['pin'][3:]}" in shown
    assert "http://192.0.2.7:8420/" in shown
    assert "The PIN expires in 24 h, or 10 min after its first use, whichever" in shown


def test_pair_counts_last_minutes(daemon: Daemon) -> None:
    daemon.heart.now_s += 23 * 3600.0
    assert (
        "The PIN expires in 60 min, or 10 min after its first use, whichever" in PAIR.call().output
    )


def test_pair_draws_new_pin(daemon: Daemon) -> None:
    drawn = {PAIR.json_of("--new")["pin"] for _ in range(5)}
    assert len(drawn) > 1
    assert daemon.access.pins.pin in drawn


def test_lost_phone(daemon: Daemon) -> None:
    """A lost phone costs one command."""
    daemon.access.store.add("tablet", "192.0.2.8")
    _, token = daemon.access.store.add("lost phone", "192.0.2.9")
    old_pin = daemon.access.pins.pin
    assert [it["name"] for it in DEVICES.json_of("list")] == ["tablet", "lost phone"]
    result = DEVICES.call("revoke", "Lost Phone")
    assert (result.exit_code, "is revoked" in result.output) == (0, True)
    assert daemon.access.store.of_token(token) is None
    assert daemon.access.pins._pin != old_pin, "one draw in a million repeats"
    assert [it["name"] for it in DEVICES.json_of("list")] == ["tablet"]


def test_same_address_is_named(daemon: Daemon) -> None:
    """A phone that paired itself twice under another name is found out."""
    daemon.access.store.add("lost phone", "192.0.2.9")
    daemon.access.store.add("office", "192.0.2.9")
    daemon.access.store.add("tablet", "192.0.2.8")
    shown = DEVICES.call("revoke", "lost phone").output
    assert "office" in shown
    assert "tablet" not in shown


def test_ambiguous_name_is_refused(daemon: Daemon) -> None:
    first, _ = daemon.access.store.add("phone", "192.0.2.8")
    second, _ = daemon.access.store.add("phone", "192.0.2.9")
    refused = DEVICES.usage_error("revoke", "phone")
    assert first.pairing_id in refused
    assert second.pairing_id in refused
    assert len(daemon.access.store.pairings()) == 2
    assert DEVICES.call("revoke", first.pairing_id).exit_code == 0
    assert [it.pairing_id for it in daemon.access.store.pairings()] == [second.pairing_id]
    assert "phone" in DEVICES.usage_error("revoke", "nobody")


def test_revoke_every_device(daemon: Daemon) -> None:
    daemon.access.store.add("phone")
    daemon.access.store.add("tablet")
    DEVICES.usage_error("revoke")
    DEVICES.usage_error("revoke", "phone", "--all")
    assert DEVICES.call("revoke", "--all").exit_code == 0
    assert daemon.access.store.pairings() == ()
    assert DEVICES.call("list").output == "No phone is paired.\n"


def test_check_through_socket(daemon: Daemon) -> None:
    with daemon.looping():
        daemon.watch.until(RunState.IDLE)
        report = json.loads(CHECK.call("--json").stdout)
    assert report["items"]


def test_no_daemon(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    for command in (PAIR, DEVICES):
        arguments = ("list",) if command is DEVICES else ()
        result = command.call(*arguments)
        assert result.exit_code == 1
        assert "No biteclock is running here" in result.output


def test_user_outside_group(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, daemon: Daemon
) -> None:
    """The superuser may always connect, so the kernel's refusal is put in its place."""

    allowed = os.access

    def refused(path: Path, mode: int) -> bool:
        return Path(path).name != "control.sock" and allowed(path, mode)

    monkeypatch.setattr(os, "access", refused)
    for command, arguments in ((PAIR, ()), (DEVICES, ("list",)), (RUNS, ("list",))):
        result = command.call(*arguments)
        assert result.exit_code in (1, 2)
        assert "adduser" in result.output
