"""Pairing through the application: the PIN, the cookie and its flags, the list, unpairing."""

from __future__ import annotations

from collections.abc import Iterator
from http.cookies import SimpleCookie
from pathlib import Path
from types import SimpleNamespace
from typing import Any
from xml.etree import ElementTree

import httpx
import pytest

from api.access.auth import COOKIE
from api.access.pairing_store import MAX_PAIRINGS, MOST_PER_ADDRESS
from api.access.shares import CONNECTION
from tests.kits.api_client import ADDRESSES, SILVER, Daemon, ask, assert_problem

PAGE = {"origin": "http://bench.local:8420"}


@pytest.fixture
def daemon(tmp_path: Path) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, guarded=True)
    daemon.step()
    yield daemon
    daemon.close()


def wrong_pin(daemon: Daemon) -> str:
    return "000000" if daemon.access.pins.pin != "000000" else "111111"


def pair(
    daemon: Daemon, pin: str | None = None, name: str = "phone on the easel", **headers: str
) -> httpx.Response:
    body = {"pin": daemon.access.pins.pin if pin is None else pin, "name": name}
    return ask(daemon.app, "POST", "/api/pair", json=body, headers={**PAGE, **headers})


def morsel(answer: httpx.Response) -> Any:
    return SimpleCookie(answer.headers["set-cookie"])[COOKIE]


def paired(daemon: Daemon, name: str = "phone on the easel") -> dict[str, str]:
    """Return what a paired browser sends."""
    return {"cookie": f"{COOKIE}={morsel(pair(daemon, name=name)).value}", **PAGE}


def bench(daemon: Daemon) -> dict[str, str]:
    return {"authorization": f"Bearer {daemon.bench_token}"}


def test_pin_pairs_device(daemon: Daemon) -> None:
    """The PIN pairs a device, which may control from then on."""
    assert ask(daemon.app, "GET", "/api/access").json() == {
        "may_view": True, "may_control": False, "pairing": None, "pin_wait_s": 0
    }  # fmt: skip
    answer = pair(daemon)
    assert answer.status_code == 201
    reported = answer.json()
    assert (reported["may_view"], reported["may_control"]) == (True, True)
    assert (reported["pairing"]["name"], reported["pairing"]["is_this_one"]) == (
        "phone on the easel",
        True,
    )
    shown = {"cookie": f"{COOKIE}={morsel(answer).value}", **PAGE}
    assert ask(daemon.app, "GET", "/api/access", headers=shown).json() == reported
    assert ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=shown).status_code == 200


def test_cookie_attributes(daemon: Daemon) -> None:
    """RFC 6265 section 5.2; SameSite: its successor (draft-ietf-httpbis-rfc6265bis)."""
    cookie = morsel(pair(daemon))
    assert cookie["httponly"] is True
    assert cookie["samesite"].lower() == "strict"
    assert cookie["path"] == "/"
    assert cookie["domain"] == ""
    assert int(cookie["max-age"]) == 90 * 24 * 3600


@pytest.mark.parametrize("form", ["{} {}", " {}{} ", "{}  {}"])
def test_pin_with_spaces(daemon: Daemon, form: str) -> None:
    pin = daemon.access.pins.pin
    assert pair(daemon, form.format(pin[:3], pin[3:])).status_code == 201


@pytest.mark.parametrize(
    "pin",
    [
        "",
        "12345",
        "1234567",
        "abcdef",
        "12345\n",
        "\u0661\u0662\u0663\u0664\u0665\u0666",
        "123-456",
    ],
)
def test_malformed_pin(daemon: Daemon, pin: str) -> None:
    """A malformed PIN does not count as a try."""
    assert assert_problem(pair(daemon, pin), 422, "bad-value")["field"] == "pin"
    assert daemon.access.pins.wait_s() == 0


def test_wrong_pin(daemon: Daemon) -> None:
    """A wrong PIN gets the wait and no cookie."""
    answer = pair(daemon, wrong_pin(daemon))
    problem = assert_problem(answer, 403, "wrong-pin")
    assert (problem["retry_after_s"], answer.headers["retry-after"]) == (1, "1")
    assert "set-cookie" not in answer.headers
    answer = pair(daemon)
    problem = assert_problem(answer, 429, "too-many-tries")
    assert (problem["retry_after_s"], answer.headers["retry-after"]) == (1, "1")
    assert "set-cookie" not in answer.headers
    assert ask(daemon.app, "GET", "/api/access").json()["pin_wait_s"] == 1
    daemon.heart.now_s += 1.0
    assert pair(daemon).status_code == 201


def test_wait_is_shared(daemon: Daemon) -> None:
    body = {"pin": wrong_pin(daemon)}
    statuses = [
        ask(
            daemon.app,
            "POST",
            "/api/pair",
            json=body,
            headers=PAGE,
            client=(f"192.0.2.{index}", 4000),
        ).status_code
        for index in range(20)
    ]
    assert statuses == [403] + [429] * 19


def test_foreign_page_cannot_pair(daemon: Daemon) -> None:
    assert_problem(
        pair(daemon, wrong_pin(daemon), origin="http://elsewhere.example"), 403, "foreign-origin"
    )
    assert daemon.access.pins.wait_s() == 0


def test_pairing_twice(daemon: Daemon) -> None:
    first = paired(daemon)
    again = pair(daemon, name="renamed", cookie=first["cookie"])
    assert again.status_code == 201
    assert [known.name for known in daemon.access.store.pairings()] == ["renamed"]
    assert ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=first).status_code == 401


def test_list_has_no_tokens(daemon: Daemon) -> None:
    one, two = paired(daemon, "phone"), paired(daemon, "tablet")
    answer = ask(daemon.app, "GET", "/api/pairings", headers=two)
    listed = answer.json()["pairings"]
    assert [(known["name"], known["is_this_one"]) for known in listed] == [
        ("phone", False),
        ("tablet", True),
    ]
    assert "token" not in answer.text
    assert one["cookie"].split("=")[1] not in answer.text


def test_revoked_device_may_stop(daemon: Daemon) -> None:
    lost, kept = paired(daemon, "lost phone"), paired(daemon, "tablet")
    pairing_id = ask(daemon.app, "GET", "/api/access", headers=lost).json()["pairing"]["pairing_id"]
    left = ask(daemon.app, "POST", f"/api/pairings/{pairing_id}/revoke", headers=kept).json()[
        "pairings"
    ]
    assert [known["name"] for known in left] == ["tablet"]
    assert_problem(
        ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=lost), 401, "pairing-needed"
    )
    assert ask(daemon.app, "POST", "/api/stop", headers=lost).status_code == 200
    assert_problem(
        ask(daemon.app, "POST", f"/api/pairings/{pairing_id}/revoke", headers=kept),
        404,
        "unknown-pairing",
    )


def test_revoked_device_stays_out(daemon: Daemon) -> None:
    """It knows the PIN of before, and cannot pair again, read a PIN, or revoke the owner."""
    lost, kept = paired(daemon, "lost phone"), paired(daemon, "owner")
    known_pin = ask(daemon.app, "GET", "/api/pairing", headers=lost).json()["pin"]
    rows = ask(daemon.app, "GET", "/api/pairings", headers=kept).json()["pairings"]
    ids = {row["name"]: row["pairing_id"] for row in rows}
    revoked = ask(daemon.app, "POST", f"/api/pairings/{ids['lost phone']}/revoke", headers=kept)
    assert revoked.status_code == 200
    assert_problem(pair(daemon, known_pin), 403, "wrong-pin")
    for asked in ("GET /api/pairing", "GET /api/pairings", "POST /api/pairing/new"):
        assert_problem(ask(daemon.app, *asked.split(), headers=lost), 401, "pairing-needed")
    owner = f"/api/pairings/{ids['owner']}/revoke"
    assert_problem(ask(daemon.app, "POST", owner, headers=lost), 401, "pairing-needed")
    assert [known.name for known in daemon.access.store.pairings()] == ["owner"]


def test_unpaired_device_stays_out(daemon: Daemon) -> None:
    """A phone that was unpaired to be given away knows the PIN as well."""
    shown = paired(daemon)
    known_pin = daemon.access.pins.pin
    ask(daemon.app, "POST", "/api/unpair", headers=shown)
    assert_problem(pair(daemon, known_pin), 403, "wrong-pin")


def test_one_address_cannot_fill(daemon: Daemon) -> None:
    """One device that pairs again and again replaces its own oldest pairings, nobody else's."""
    owner = paired(daemon, "owner")
    for number in range(MAX_PAIRINGS + 3):
        ask(
            daemon.app,
            "POST",
            "/api/pair",
            json={"pin": daemon.access.pins.pin, "name": f"again {number}"},
            client=("192.0.2.66", 4000),
            headers=PAGE,
        )
    names = [known.name for known in daemon.access.store.pairings()]
    last = MAX_PAIRINGS + 2
    assert names == ["owner", *(f"again {n}" for n in range(last - MOST_PER_ADDRESS + 1, last + 1))]
    assert ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=owner).status_code == 200
    rows = ask(daemon.app, "GET", "/api/pairings", headers=owner).json()["pairings"]
    assert {row["paired_from"] for row in rows} == {"127.0.0.1", "192.0.2.66"}


def test_unpair_device(daemon: Daemon) -> None:
    shown = paired(daemon)
    answer = ask(daemon.app, "POST", "/api/unpair", headers=shown)
    assert answer.json()["may_control"] is False
    assert int(morsel(answer)["max-age"]) == 0
    assert ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=shown).status_code == 401
    assert_problem(
        ask(daemon.app, "POST", "/api/unpair", headers=bench(daemon)), 404, "unknown-pairing"
    )


def test_too_many_devices(daemon: Daemon) -> None:
    for _ in range(MAX_PAIRINGS):
        daemon.access.store.add("")
    assert_problem(pair(daemon), 409, "too-many-pairings")


def test_unsaved_revocation(daemon: Daemon, monkeypatch: pytest.MonkeyPatch) -> None:
    shown = paired(daemon)
    pairing_id = daemon.access.store.pairings()[0].pairing_id

    def full(*_: object) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("api.access.pairing_store.write_private", full)
    problem = assert_problem(
        ask(daemon.app, "POST", f"/api/pairings/{pairing_id}/revoke", headers=shown),
        503,
        "not-saved",
    )
    assert "No space left" in problem["detail"]


def test_code_needs_pairing(daemon: Daemon) -> None:
    """The pairing code is only for devices that may control."""
    pin = daemon.access.pins.pin
    for headers in ({}, {"host": "127.0.0.1:8420"}, PAGE):
        answer = ask(daemon.app, "GET", "/api/pairing", headers=headers)
        assert_problem(answer, 401, "pairing-needed")
        assert pin not in answer.text
    reported = ask(daemon.app, "GET", "/api/pairing", headers=paired(daemon)).json()
    assert reported["pin"] == pin
    assert ElementTree.fromstring(reported["qr_svg"]).tag == "{http://www.w3.org/2000/svg}svg"


def test_code_uses_own_address(daemon: Daemon) -> None:
    """The PIN is in the fragment, which is never sent (RFC 3986 section 3.5)."""
    pin = daemon.access.pins.pin
    by_name = ask(daemon.app, "GET", "/api/pairing", headers=paired(daemon)).json()
    assert by_name["url"] == f"http://bench.local:8420/#pin={pin}"
    assert sorted(by_name["addresses"]) == sorted(ADDRESSES)
    here = ask(
        daemon.app, "GET", "/api/pairing", headers={**bench(daemon), "host": "127.0.0.1:8420"}
    ).json()
    assert here["url"] == f"{ADDRESSES[0]}#pin={pin}"


def test_new_pin(daemon: Daemon) -> None:
    """A new PIN ends the wait and leaves paired devices alone."""
    shown = paired(daemon)
    old = daemon.access.pins.pin
    pair(daemon, wrong_pin(daemon))
    reported = ask(daemon.app, "POST", "/api/pairing/new", headers=bench(daemon)).json()
    assert reported["pin"] == daemon.access.pins.pin
    assert daemon.access.pins.wait_s() == 0
    assert ask(daemon.app, "POST", "/api/plan", json=SILVER, headers=shown).status_code == 200
    if old != reported["pin"]:
        assert_problem(pair(daemon, old), 403, "wrong-pin")


def test_pairing_without_guards(tmp_path: Path) -> None:
    """The routes check for themselves: without the guards the application gives nothing away."""
    daemon = Daemon(tmp_path)
    for asked in (
        "GET /api/pairing",
        "GET /api/pairings",
        "POST /api/pairing/new",
        "POST /api/unpair",
    ):
        assert_problem(
            ask(daemon.app, *asked.split(), headers=bench(daemon)), 401, "pairing-needed"
        )


def test_reset_connection_has_address(daemon: Daemon, caplog: pytest.LogCaptureFixture) -> None:
    """A client that resets its connection is known by the address that the door noted.

    The server knows none then. The log of wrong PINs and the limit of an address need one.
    """

    async def reset(scope: Any, receive: Any, send: Any) -> None:
        connection = SimpleNamespace(share="192.0.2.7", note_caller=lambda **_: None)
        await daemon.app(
            {**scope, "client": None, "state": {CONNECTION: connection}}, receive, send
        )

    for pin in [daemon.access.pins.pin] * (MOST_PER_ADDRESS + 1) + [wrong_pin(daemon)]:
        ask(reset, "POST", "/api/pair", json={"pin": pin, "name": "phone"}, headers=PAGE)
    known = [pairing.paired_from for pairing in daemon.access.store.pairings()]
    assert known == ["192.0.2.7"] * MOST_PER_ADDRESS
    assert "192.0.2.7" in caplog.messages[-1]
