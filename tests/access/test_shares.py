"""Shares: what counts as one address, and who may use which places."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from api.access.auth import LOCAL
from api.access.shares import CONNECTION, ShareLimits, Shares, guest_share, peer_of, share_of


@pytest.mark.parametrize(
    ("host", "share"),
    [
        ("192.0.2.7", "192.0.2.7"),
        ("::ffff:192.0.2.7", "192.0.2.7"),
        ("2001:db8:1:2:3:4:5:6", "2001:db8:1:2::/64"),
        ("2001:db8:1:2::9", "2001:db8:1:2::/64"),
        ("fe80::1%wlan0", "fe80::/64"),
        ("testclient", "testclient"),
    ],
)
def test_share_of_address(host: str, share: str) -> None:
    """Addresses for documentation. Source: RFC 5737 and RFC 3849."""
    assert share_of(host) == share


def test_whose_share() -> None:
    """Paired devices use the reserve, and so does whoever comes through the local socket."""
    scope = {"client": ("192.0.2.7", 4000)}
    assert guest_share(scope, is_paired=False) == "192.0.2.7"
    assert guest_share(scope, is_paired=True) is None
    assert guest_share({"client": None, "state": {LOCAL: True}}, is_paired=False) is None


def test_guest_who_resets() -> None:
    """The server finds no address of a connection that was reset. The door noted it before."""
    scope = {"client": None, "state": {CONNECTION: SimpleNamespace(share="192.0.2.7")}}
    assert guest_share(scope, is_paired=False) == peer_of(scope) == "192.0.2.7"
    assert guest_share(scope, is_paired=True) is None
    assert guest_share({"client": None}, is_paired=False) is not None, "never the paired share"


def test_peer_of_local_socket() -> None:
    """It has no address, and its share in the door is none."""
    state = {LOCAL: True, CONNECTION: SimpleNamespace(share="local socket")}
    assert peer_of({"client": None, "state": state}) is None


def test_guests_leave_the_reserve() -> None:
    shares = Shares(ShareLimits(guests=3, per_address=2, paired=2))
    assert [shares.take("a") for _ in range(3)] == [True, True, False]
    assert shares.used_and_most("a") == (2, 2)
    assert [shares.take("b") for _ in range(2)] == [True, False]
    assert shares.used_and_most("b") == (3, 3)
    assert [shares.take(None) for _ in range(3)] == [True, True, False]
    assert shares.used_and_most(None) == (2, 2)
    assert shares.taken == 5
    shares.give_back("a")
    assert shares.take("b")
