"""Names and addresses of the machine, compared with what the kernel and the system report."""

from __future__ import annotations

import ipaddress
import itertools
import re
import socket
from pathlib import Path

import pytest

from api.access import addresses
from api.access.addresses import network_names, own_addresses, own_names, search_domains
from api.access.listening import listening_socket, page_addresses
from controller.config import ServerSettings
from controller.errors import RefusedError
from tests.kits.api_client import WAIT_S

STUDIO = ServerSettings(listen="studio-network", hosts=("bench.studio.example",))


def kernel_addresses() -> set[str]:
    """Return the IPv4 addresses of the kernel's routing table.

    Source: proc(5), /proc/net/fib_trie.
    """
    lines = Path("/proc/net/fib_trie").read_text(encoding="ascii").splitlines()
    found = set()
    for before, line in itertools.pairwise(lines):
        if "/32 host LOCAL" in line and (address := re.search(r"([0-9]+(?:\.[0-9]+){3})", before)):
            found.add(address[1])
    return found


def test_addresses_match_kernel() -> None:
    local = {
        address for address in kernel_addresses() if not ipaddress.ip_address(address).is_loopback
    }
    assert set(own_addresses()) <= local
    assert len(own_addresses()) == len(set(own_addresses()))
    assert bool(own_addresses()) == bool(local)


@pytest.mark.parametrize(
    ("hostname", "names"),
    [
        ("Bench", ("bench", "bench.local")),
        ("bench.studio.example", ("bench.studio.example", "bench", "bench.local")),
        ("bench.local", ("bench.local", "bench")),
    ],
)
def test_own_names(monkeypatch: pytest.MonkeyPatch, hostname: str, names: tuple[str, ...]) -> None:
    monkeypatch.setattr(addresses.socket, "gethostname", lambda: hostname)
    assert own_names() == names


@pytest.mark.parametrize(
    ("lines", "domains"),
    [
        ("nameserver 192.0.2.1\nsearch Studio.example lan.\n", ("studio.example", "lan")),
        ("domain lan\nsearch fritz.example\n", ("fritz.example",)),
        ("search a.example\ndomain lan\n", ("lan",)),
        ("search ..evil *.example a_b -c\n# search lan\noptions search\n", ()),
        ("search\n", ()),
        ("", ()),
    ],
)
def test_search_domains(tmp_path: Path, lines: str, domains: tuple[str, ...]) -> None:
    """Source: resolv.conf(5): search and domain exclude each other, and the last line counts."""
    file = tmp_path / "resolv.conf"
    file.write_text(lines, encoding="ascii")
    assert search_domains(file) == domains
    assert search_domains(tmp_path / "missing") == ()


def test_network_names(monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    """The second bench of one name, and the name under the network's search domains."""
    monkeypatch.setattr(addresses.socket, "gethostname", lambda: "Bench.studio.example")
    file = tmp_path / "resolv.conf"
    file.write_text("search lan\n", encoding="ascii")
    names = network_names(file)
    assert {"bench-2.local", "bench-99.local", "bench.lan"} <= names
    assert not {"bench-1.local", "bench-100.local", "bench.local.lan", "lan", "bench."} & names
    assert len(names) == 99


def test_numbers_before_names(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setattr("api.access.listening.own_addresses", lambda: ("192.0.2.7",))
    monkeypatch.setattr("api.access.listening.own_names", lambda: ("bench", "bench.local"))
    assert page_addresses(STUDIO, 8420) == (
        "http://192.0.2.7:8420/", "http://bench.local:8420/", "http://bench.studio.example:8420/"
    )  # fmt: skip
    assert page_addresses(ServerSettings(), 8420) == ("http://127.0.0.1:8420/",)


def test_loopback_only() -> None:
    with listening_socket(ServerSettings(), 0) as listener:
        assert listener.getsockname()[0] == "127.0.0.1"
        port = listener.getsockname()[1]
        for address in own_addresses():
            with pytest.raises(OSError, match=r"refused|unreachable"):
                socket.create_connection((address, port), timeout=WAIT_S)


def test_ipv4_and_ipv6() -> None:
    with listening_socket(STUDIO, 0) as listener:
        port = listener.getsockname()[1]
        with socket.create_connection(("127.0.0.1", port), timeout=WAIT_S):
            accepted, client = listener.accept()
            accepted.close()
            assert client[0] in ("127.0.0.1", "::ffff:127.0.0.1")
        if socket.has_dualstack_ipv6():
            with socket.create_connection(("::1", port), timeout=WAIT_S):
                listener.accept()[0].close()


@pytest.mark.parametrize("server", [ServerSettings(), STUDIO])
def test_taken_port(server: ServerSettings) -> None:
    with listening_socket(server, 0) as taken:
        port = taken.getsockname()[1]
        with pytest.raises(RefusedError, match=f"port {port}: Address already in use") as caught:
            listening_socket(server, port)
    assert caught.value.field == "port"


def test_no_netlink(monkeypatch: pytest.MonkeyPatch) -> None:
    """A unit without AF_NETLINK: the daemon starts and only lacks an address."""

    def refuse() -> None:
        raise OSError(97, "Address family not supported by protocol")

    monkeypatch.setattr(socket, "if_nameindex", refuse)
    assert own_addresses() == ()
