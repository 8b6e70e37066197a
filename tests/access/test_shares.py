"""Shares: what counts as one address, and who may use which places."""

from __future__ import annotations

import pytest

from api.access.shares import ShareLimits, Shares, guest_share, share_of


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
    assert guest_share({"client": None}, is_paired=False) is None


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
