"""All guards in front of the real application: who may do what, and Stop passes them all."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from api.access.auth import COOKIE
from api.http.guards.base import SAFE_METHODS
from controller.messages import OffRequest
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem
from tests.kits.artwork.double import Measuring

WAIT_FOR_THE_LOOP = {"/api/pause", "/api/resume", "/api/acknowledge", "/api/lifted", "/api/left-in"}
"""Nothing runs it here."""

PAGE = {"origin": "http://bench.local:8420"}


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


def document(daemon: Daemon) -> Any:
    return ask(daemon.app, "GET", "/api/openapi.json").json()


def posts(daemon: Daemon) -> list[str]:
    """Return an address for every operation that changes something, Stop and pairing left out."""
    paths = [path for path, methods in document(daemon)["paths"].items() if "post" in methods]
    return [
        re.sub(r"\{[a-z_]+\}", "x1", path)
        for path in paths
        if path not in ("/api/stop", "/api/pair")
    ]


def gets(daemon: Daemon) -> list[str]:
    paths = [
        path
        for path, methods in document(daemon)["paths"].items()
        if "get" in methods and path != "/api/events"
    ]
    return [path.replace("{artwork}", "3f" * 32).replace("{name}", "a b") for path in paths]


def cookie_of(daemon: Daemon, name: str = "phone") -> dict[str, str]:
    return {"cookie": f"{COOKIE}={daemon.access.store.add(name)[1]}"}


# --- control --------------------------------------------------------------------------------------


def test_unpaired_changes_nothing(
    daemon: Daemon,
) -> None:
    """A client that is not paired can only stop and pair."""
    assert len(posts(daemon)) >= 15
    for path in posts(daemon):
        for shown in (
            {},
            PAGE,
            {"cookie": f"{COOKIE}=guess", **PAGE},
            {"authorization": "Bearer guess"},
        ):
            answer = ask(daemon.app, "POST", path, json={}, headers=shown)
            problem = assert_problem(answer, 401, "pairing-needed")
            assert "Stop needs no PIN" in problem["detail"]
            assert answer.headers["www-authenticate"].startswith("Bearer")


def test_paired_may_control(daemon: Daemon) -> None:
    for shown in ({**cookie_of(daemon), **PAGE}, {"authorization": f"Bearer {daemon.bench_token}"}):
        assert ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=shown).status_code == 200
        for path in (
            set(posts(daemon)) - {"/api/unpair", "/api/pairings/revoke-all"} - WAIT_FOR_THE_LOOP
        ):
            answer = ask(
                daemon.app,
                "POST",
                path,
                content=b"{",
                headers={**shown, "content-type": "application/json"},
            )
            assert answer.status_code not in (401, 403, 421), path


def test_local_caller_is_refused(daemon: Daemon) -> None:
    """The test client is 127.0.0.1, as any program and any page in a browser there is."""
    for headers in (
        {"host": "127.0.0.1:8420"},
        {"x-forwarded-for": "127.0.0.1"},
        {"host": "localhost", "origin": "http://localhost"},
    ):
        assert_problem(
            ask(daemon.app, "POST", "/api/start", json=SILVER, headers=headers),
            401,
            "pairing-needed",
        )


@pytest.mark.parametrize(
    ("headers", "status", "slug"),
    [
        ({"origin": "http://elsewhere.example"}, 403, "foreign-origin"),
        ({"origin": "null"}, 403, "foreign-origin"),
        ({}, 403, "foreign-origin"),
        ({"host": "elsewhere.example", "origin": "http://elsewhere.example"}, 421, "unknown-host"),
        ({**PAGE, "content-type": "text/plain"}, 415, "not-json"),
    ],
)
def test_cross_site_refused(
    daemon: Daemon, headers: dict[str, str], status: int, slug: str
) -> None:
    cookie = cookie_of(daemon)
    answer = ask(daemon.app, "POST", "/api/start", json=SILVER, headers={**cookie, **headers})
    assert_problem(answer, status, slug)
    assert daemon.assembly.supervisor.run is None


def test_guard_order(daemon: Daemon) -> None:
    """A request under a foreign name learns nothing about origins and pairings."""
    everything_wrong = {
        "host": "elsewhere.example",
        "origin": "http://else.example",
        "content-type": "text/plain",
    }
    assert_problem(
        ask(daemon.app, "POST", "/api/start", content=b"x", headers=everything_wrong),
        421,
        "unknown-host",
    )


# --- looking --------------------------------------------------------------------------------------


def test_open_views(daemon: Daemon) -> None:
    for path in gets(daemon):
        expected = path.startswith(
            ("/api/pairing", "/api/artworks", "/api/messages", "/api/backup")
        )
        assert (ask(daemon.app, "GET", path).status_code == 401) is expected, path


def test_get_changes_nothing(daemon: Daemon) -> None:
    """RFC 9110 section 9.2.1: safe methods."""
    shown = {"authorization": f"Bearer {daemon.bench_token}"}
    before = (
        daemon.access.pins.pin,
        daemon.access.store.pairings(),
        daemon.assembly.supervisor.state,
    )
    for path in [*gets(daemon), "/api/stop", "/api/start", "/api/pairing/new", "/api/unpair"]:
        for method in SAFE_METHODS:
            ask(daemon.app, method, path, headers=shown, params={"pin": daemon.access.pins.pin})
    assert (
        daemon.access.pins.pin,
        daemon.access.store.pairings(),
        daemon.assembly.supervisor.state,
    ) == before
    assert daemon.rig.gate.standing_request() is None


def test_view_needs_pairing(
    tmp_path: Path,
) -> None:
    daemon = Daemon(tmp_path, guarded=True, tables={"server": {"view_needs_pairing": True}})
    daemon.step()

    def status(path: str, client: str, **headers: str) -> int:
        return ask(daemon.app, "GET", path, client=(client, 40000), headers=headers).status_code

    for path in (
        "/api/status",
        "/api/runs",
        "/api/events",
        "/api/openapi.json",
        "/api/nothing",
        "/metrics",
    ):
        assert status(path, "192.0.2.30") == 401, path
        assert status(path, "192.0.2.30", **{"x-forwarded-for": "127.0.0.1"}) == 401
    for path in ("/api/status", "/api/runs"):
        assert status(path, "192.0.2.30", **cookie_of(daemon)) == 200
        assert (
            status(path, "127.0.0.1")
            == status(path, "::1")
            == status(path, "::ffff:127.0.0.1")
            == 200
        )
    assert status("/", "192.0.2.30") == status("/api/access", "192.0.2.30") == 200
    assert ask(daemon.app, "POST", "/api/stop", client=("192.0.2.30", 40000)).status_code == 200
    reported = ask(daemon.app, "GET", "/api/access", client=("192.0.2.30", 40000)).json()
    assert (reported["may_view"], reported["may_control"]) == (False, False)


def test_artworks_need_pairing(tmp_path: Path) -> None:
    """Guests see no file name and no picture, and start no worker. The Pi's own users neither."""
    measuring = Measuring()
    daemon = Daemon(tmp_path, guarded=True, measure=measuring)
    upload = {"content-type": "image/png", "authorization": f"Bearer {daemon.bench_token}"}
    artwork = ask(
        daemon.app, "POST", "/api/artworks", content=b"\x89PNG\r\n\x1a\n", headers=upload
    ).json()["artwork"]
    drawn = len(measuring.asked)
    paths = ("", f"/{artwork}", f"/{artwork}/preview.png?depth_mm=0.25&etch_factor=1.2")
    for client in ("192.0.2.30", "127.0.0.1"):
        for path in paths:
            answer = ask(daemon.app, "GET", f"/api/artworks{path}", client=(client, 40000))
            assert_problem(answer, 401, "pairing-needed")
    assert len(measuring.asked) == drawn
    for path in paths:
        answer = ask(daemon.app, "GET", f"/api/artworks{path}", headers=cookie_of(daemon))
        assert answer.status_code == 200
        assert answer.headers["cache-control"] == "no-store", "nothing to see after a revocation"
    daemon.close()


# --- Stop -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "request_",
    [
        {}, {"headers": {"host": "elsewhere.example"}}, {"headers": {"host": ""}},
        {"headers": {"origin": "http://elsewhere.example"}},
        {"headers": {"origin": "null", "cookie": f"{COOKIE}=nobody"}},
        {"content": b"{", "headers": {"content-type": "text/plain"}},
        {"data": {"a": "b"}}, {"content": b"\xff" * 200_000},
        {"headers": {"authorization": "Bearer nobody"}},
        {"headers": {"content-length": "99999999999"}}, {"client": ("192.0.2.30", 1)},
    ],
)  # fmt: skip
def test_stop_passes_guards(daemon: Daemon, request_: dict[str, Any]) -> None:
    answer = ask(daemon.app, "POST", "/api/stop", **request_)
    assert answer.status_code == 200
    assert answer.json()["relay_on"] is False
    standing = daemon.rig.gate.standing_request()
    assert standing is not None
    assert standing[0] is OffRequest.STOP


def test_stop_during_pin_wait(daemon: Daemon) -> None:
    wrong = "000000" if daemon.access.pins.pin != "000000" else "111111"
    for _ in range(3):
        ask(daemon.app, "POST", "/api/pair", json={"pin": wrong}, headers=PAGE)
    assert daemon.access.pins.wait_s() > 0
    for _ in range(50):
        assert ask(daemon.app, "POST", "/api/stop").status_code == 200


@pytest.mark.parametrize(
    "path", ["/api/stop/", "/api/Stop", "//api/stop", "/api/stop%00", "/api/stop;x"]
)
def test_stop_lookalikes(daemon: Daemon, path: str) -> None:
    answer = ask(daemon.app, "POST", path, json=SILVER)
    assert answer.status_code in (401, 404, 405)
    assert daemon.rig.gate.standing_request() is None
