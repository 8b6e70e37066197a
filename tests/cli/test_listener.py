"""Whose program listens on a port, from the kernel's tables."""

from __future__ import annotations

import os
import pwd
import socket
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from api.cli.bench.listener import is_ours, listeners, trusted_users

HEAD = "  sl  local_address rem_address   st tx_queue rx_queue tr tm->when retrnsmt   uid  timeout"
ME = os.geteuid()
STRANGER = 54_321


def row(address: str, state: str, user: int) -> str:
    """Return a line as in the kernel documentation, networking/proc_net_tcp.rst."""
    return (
        f"   0: {address} 00000000:0000 {state} 00000000:00000000 00:00000000 00000000 {user} 0 9"
    )


@pytest.fixture
def tables(tmp_path: Path) -> Any:
    """Write tables for IPv4 and IPv6."""

    def write(*rows: str, six: tuple[str, ...] = ()) -> tuple[Path, ...]:
        four, other = tmp_path / "tcp", tmp_path / "tcp6"
        four.write_text("\n".join((HEAD, *rows)) + "\n")
        other.write_text("\n".join((HEAD, *six)) + "\n")
        return four, other

    return write


def test_stranger_on_the_port(tables: Any) -> None:
    """8420 is 20E4 in the table. Other ports and connections to others do not count."""
    ours = row("0100007F:20E4", "0A", ME)
    connected = row("0100007F:20E4", "01", STRANGER)
    elsewhere = row("0100007F:20E5", "0A", STRANGER)
    assert is_ours(8420, tables(ours, connected, elsewhere))
    assert not is_ours(8420, tables(row("0100007F:20E4", "0A", STRANGER)))
    assert not is_ours(8420, tables(connected, elsewhere)), "nobody listens"


def test_stranger_at_another_address(tables: Any) -> None:
    """One stranger at any address is one too many: nobody knows who answered."""
    ours, other = row("0100007F:20E4", "0A", ME), row("0" * 32 + ":20E4", "0A", STRANGER)
    assert listeners(8420, tables(ours, six=(other,))) == {ME, STRANGER}
    assert not is_ours(8420, tables(ours, six=(other,)))


def test_table_that_is_missing(tables: Any, tmp_path: Path) -> None:
    four, _ = tables(row("00000000:20E4", "0A", 0))
    assert is_ours(8420, (four, tmp_path / "no_such_table"))
    assert not is_ours(8420, (tmp_path / "no_such_table",))


def test_user_of_the_daemon(tables: Any, monkeypatch: pytest.MonkeyPatch) -> None:
    known = {"biteclock": SimpleNamespace(pw_uid=STRANGER)}
    monkeypatch.setattr(pwd, "getpwnam", known.__getitem__)
    assert trusted_users() == {ME, 0, STRANGER}
    assert is_ours(8420, tables(row("0100007F:20E4", "0A", STRANGER)))


def loopbacks() -> list[tuple[socket.AddressFamily, str]]:
    """Return the loopback addresses of this machine; one without IPv6 has the first alone."""
    found = [(socket.AF_INET, "127.0.0.1")]
    if Path("/proc/net/if_inet6").exists() and "lo" in Path("/proc/net/if_inet6").read_text():
        found.append((socket.AF_INET6, "::1"))
    return found


@pytest.mark.parametrize(("family", "host"), loopbacks())
def test_tables_of_this_machine(family: socket.AddressFamily, host: str) -> None:
    with socket.socket(family, socket.SOCK_STREAM) as listener:
        listener.bind((host, 0))
        listener.listen()
        assert listeners(listener.getsockname()[1]) == {ME}
