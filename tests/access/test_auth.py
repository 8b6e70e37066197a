"""Who may control: by what is shown, never by where it comes from."""

from __future__ import annotations

import logging
import stat
from pathlib import Path

import pytest
from starlette.requests import Request

from api.access.auth import COOKIE, Access, read_bench_token
from hardware.clock import VirtualClock


def request(**headers: str) -> Request:
    raw = [
        (name.replace("_", "-").encode(), value.encode("latin-1"))
        for name, value in headers.items()
    ]
    return Request(
        {
            "type": "http",
            "method": "POST",
            "path": "/api/start",
            "headers": raw,
            "client": ("127.0.0.1", 5),
        }
    )


@pytest.fixture
def access(tmp_path: Path) -> Access:
    return Access(tmp_path, VirtualClock())


def test_no_credentials(access: Access) -> None:
    """A request without credentials is anonymous, also from the Pi itself."""
    assert access.caller(request()) is None
    assert access.caller(request(x_forwarded_for="127.0.0.1", forwarded="for=127.0.0.1")) is None


def test_own_token(access: Access, tmp_path: Path) -> None:
    token = read_bench_token(tmp_path)
    assert token is not None
    assert stat.S_IMODE((tmp_path / "bench-token").stat().st_mode) == 0o600
    for shown in (f"Bearer {token}", f"bearer  {token}"):
        caller = access.caller(request(authorization=shown))
        assert caller is not None
        assert caller.pairing is None
    for wrong in (
        token,
        f"Basic {token}",
        "Bearer ",
        f"Bearer {token}x",
        f"Bearer {token[:-1]}",
        "Bearer \xff",
    ):
        assert access.caller(request(authorization=wrong)) is None


def test_new_token_each_start(access: Access, tmp_path: Path) -> None:
    old = read_bench_token(tmp_path)
    again = Access(tmp_path, VirtualClock())
    assert read_bench_token(tmp_path) != old
    assert again.caller(request(authorization=f"Bearer {old}")) is None


def test_cookie_or_token(access: Access) -> None:
    pairing, token = access.store.add("phone")
    for shown in ({"cookie": f"a=b; {COOKIE}={token}"}, {"authorization": f"Bearer {token}"}):
        caller = access.caller(request(**shown))
        assert caller is not None
        assert caller.pairing == pairing
    for wrong in (
        f"{COOKIE}=",
        f"{COOKIE}={token}x",
        f"other={token}",
        f"{COOKIE}={token.swapcase()}",
    ):
        assert access.caller(request(cookie=wrong)) is None
    access.store.revoke(pairing.pairing_id)
    assert access.caller(request(cookie=f"{COOKIE}={token}")) is None


def test_token_not_written(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, caplog: pytest.LogCaptureFixture
) -> None:
    """Without room for its token the daemon starts and logs a warning."""

    def full(_path: Path, _text: str) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("api.access.auth.write_private", full)
    with caplog.at_level(logging.WARNING, "biteclock"):
        Access(tmp_path, VirtualClock())
    assert "bench-token cannot be written: No space left on device" in caplog.text
    assert read_bench_token(tmp_path) is None
