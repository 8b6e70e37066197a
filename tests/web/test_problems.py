"""Every kind of refusal as a problem detail.

Members and media type: RFC 9457 sections 3 and 6.1.
"""

from __future__ import annotations

import asyncio
import json
from pathlib import Path
from typing import Any

import pytest
from starlette.exceptions import HTTPException
from starlette.requests import Request

from api.access.pairing_store import NotSavedError, PairingsFullError, UnknownPairingError
from api.access.pin_gate import TooManyTriesError
from api.http import problem_kinds
from api.http.artworks.artwork_shelf import NoRoomError
from api.http.problem_documents import problem_responses
from api.http.problems import MEDIA_TYPE, ProblemError, problem_handlers
from controller.artwork.result import MeasureFailedError
from controller.errors import LoopNotAliveError, RefusedError, WrongStateError
from controller.logbook.reader import LogbookUnreadableError, UnknownRunError
from controller.running.plate_readings import ReplacedReadingError, UnknownReadingError
from controller.texts import CATALOGUE
from tests.kits.api_client import SILVER, Daemon, ask, assert_problem

KINDS = [kind for kind in vars(problem_kinds).values() if isinstance(kind, problem_kinds.Kind)]


def answered(error: Exception, path: str = "/api/x") -> tuple[int, dict[str, str], dict[str, Any]]:
    request = Request(
        {"type": "http", "method": "POST", "path": path, "headers": [], "query_string": b""}
    )
    handlers = problem_handlers()
    handler = next(handlers[kind] for kind in type(error).__mro__ if kind in handlers)
    answer = asyncio.run(handler(request, error))
    return answer.status_code, dict(answer.headers), json.loads(bytes(answer.body))


@pytest.mark.parametrize(
    ("error", "status", "slug", "extra"),
    [
        (
            RefusedError("depth_mm is 2 mm, too deep", field="depth_mm", limit="below 1.2 mm"),
            422, "bad-value", {"field": "depth_mm", "limit": "below 1.2 mm", "unit": "mm"},
        ),
        (RefusedError("these do not go together"), 422, "bad-value", {}),
        (WrongStateError("cannot pause while idle"), 409, "wrong-state", {}),
        (LoopNotAliveError("silent for 4.0 s"), 503, "loop-not-alive", {"part": "loop"}),
        (UnknownRunError("there is no run 'x'", field="run_id"), 404, "unknown-run", {}),
        (UnknownReadingError("no reading 'x'", field="reading_id"), 404, "unknown-reading", {}),
        (ReplacedReadingError("withdrawn before"), 409, "wrong-state", {}),
        (TooManyTriesError(16), 429, "too-many-tries", {"retry_after_s": 16}),
        (PairingsFullError("50 are paired"), 409, "too-many-pairings", {}),
        (UnknownPairingError("none"), 404, "unknown-pairing", {}),
        (NotSavedError("full"), 503, "not-saved", {}),
        (NoRoomError("full"), 507, "no-room", {}),
        (MeasureFailedError("no memory"), 422, "not-measurable", {}),
        (HTTPException(400, "There was an error parsing the body"), 400, "broken-json", {}),
        (
            LogbookUnreadableError("cannot read the logbook"), 503, "logbook-unreadable",
            {"part": "logbook"},
        ),
        (
            ProblemError(
                problem_kinds.TOO_MANY_STREAMS, "http.request.too_many_streams", open_streams=250
            ),
            503, "too-many-streams", {},
        ),
        (HTTPException(404), 404, "nothing-here", {}),
        (HTTPException(413, "too much"), 413, "too-large", {}),
        (HTTPException(418, "a teapot"), 418, "http-418", {}),
        (ZeroDivisionError("secret"), 500, "fault", {}),
    ],
)  # fmt: skip
def test_error_becomes_problem(
    error: Exception, status: int, slug: str, extra: dict[str, Any]
) -> None:
    code, headers, problem = answered(error)
    assert code == problem["status"] == status
    assert headers["content-type"] == MEDIA_TYPE == "application/problem+json"
    assert problem["type"] == f"/problems/{slug}"
    assert problem["instance"] == "/api/x"
    assert {"type", "title", "status", "detail", "instance"} <= set(problem)
    assert extra.items() <= problem.items()
    assert ("retry-after" in headers) == (status in (429, 503))
    assert "secret" not in json.dumps(problem)


def test_refusal_is_in_list() -> None:
    _, _, problem = answered(
        RefusedError("current_a is 20 A", field="current_a", limit="at most 10 A")
    )
    assert problem["errors"] == [
        {
            "field": "current_a",
            "message": "current_a is 20 A",
            "limit": "at most 10 A",
            "unit": "A",
            "place": "body",
        }
    ]


def test_instance_is_a_uri() -> None:
    """RFC 3986 section 2: ASCII only, others percent-encoded."""
    assert (
        answered(HTTPException(404), "/api/runs/\u00fc\n ")[2]["instance"]
        == "/api/runs/%C3%BC%0A%20"
    )


def test_kinds_are_distinct() -> None:
    assert (
        len({kind.slug for kind in KINDS})
        == len({kind.title for kind in KINDS})
        == len(KINDS)
        >= 13
    )


def test_every_kind_has_title() -> None:
    """The catalogue has a title for each kind, and for nothing else."""
    titles = {key.removeprefix("title.") for key in CATALOGUE.part("http") if key[:6] == "title."}
    assert titles == {kind.slug for kind in KINDS}


def test_kinds_share_status_entry() -> None:
    documented = problem_responses(problem_kinds.LOOP_NOT_ALIVE, problem_kinds.LOGBOOK_UNREADABLE)
    assert set(documented) == {503, 500}
    assert set(documented[503]["content"]) == {MEDIA_TYPE}
    assert set(documented[503]["content"][MEDIA_TYPE]["examples"]) == {
        "loop-not-alive",
        "logbook-unreadable",
    }


# --- through the application ----------------------------------------------------------------------


@pytest.fixture
def app(tmp_path: Path) -> Any:
    return Daemon(tmp_path).app


JSON = {"content-type": "application/json"}


@pytest.mark.parametrize(
    ("content", "status", "slug"),
    [
        (b"{", 400, "broken-json"),
        (b"", 422, "bad-value"),
        (b"null", 422, "bad-value"),
        (b"[]", 422, "bad-value"),
        (b"\xff\xfe", 400, "broken-json"),
        (b"[" * 30_000, 400, "broken-json"),
        (b'{"area_mm2":' + b"9" * 5000 + b"}", 400, "broken-json"),
        (b'{"metal":"copper","area_mm2":1e999,"depth_mm":NaN}', 422, "bad-value"),
        (b" " * 96_001, 413, "too-large"),
    ],
)
def test_unusable_bodies(app: Any, content: bytes, status: int, slug: str) -> None:
    assert_problem(ask(app, "POST", "/api/plan", content=content, headers=JSON), status, slug)


@pytest.mark.parametrize(
    "kind",
    ["text/plain", "application/x-www-form-urlencoded", "multipart/form-data; boundary=x", ""],
)
def test_other_body_type(app: Any, kind: str) -> None:
    for path in ("/api/plan", "/api/start"):
        answer = ask(app, "POST", path, content=json.dumps(SILVER), headers={"content-type": kind})
        assert_problem(answer, 415, "not-json")


def test_all_bad_values_listed(app: Any) -> None:
    answer = ask(
        app, "POST", "/api/plan", json={**SILVER, "depth_mm": -1, "current_a": 1e9, "colour": "red"}
    )
    problem = assert_problem(answer, 422, "bad-value")
    assert [error["field"] for error in problem["errors"]] == ["depth_mm", "current_a", "colour"]
    assert (problem["field"], problem["limit"], problem["unit"]) == (
        "depth_mm",
        "at least 0.0001 mm",
        "mm",
    )


def test_plan_refusal_members(app: Any) -> None:
    """A refusal by the planner has field, limit and unit."""
    problem = assert_problem(
        ask(app, "POST", "/api/plan", json={**SILVER, "depth_mm": 1.3}), 422, "bad-value"
    )
    assert (problem["field"], problem["limit"], problem["unit"]) == (
        "depth_mm",
        "below 1.2 mm",
        "mm",
    )


@pytest.mark.parametrize(
    ("method", "path", "allow"),
    [
        ("GET", "/api/start", {"POST"}),
        ("GET", "/api/stop", {"POST"}),
        ("POST", "/api/status", {"GET"}),
        ("DELETE", "/api/runs/r1", {"GET"}),
        ("PUT", "/api/baths", {"GET", "POST"}),
        ("DELETE", "/api/runs/r1/readings", {"GET", "POST"}),
        ("POST", "/", {"GET", "HEAD"}),
    ],
)
def test_wrong_method(app: Any, method: str, path: str, allow: set[str]) -> None:
    """RFC 9110 section 15.5.6: 405 carries Allow."""
    answer = ask(app, method, path)
    assert_problem(answer, 405, "wrong-method")
    assert set(answer.headers["allow"].split(", ")) == allow


@pytest.mark.parametrize(
    "path", ["/api/nothing", "/api", "/api/", "/nothing.js", "/api/stop/", "/../pyproject.toml"]
)
def test_nothing_here(app: Any, path: str) -> None:
    assert_problem(ask(app, "GET", path), 404, "nothing-here")


def test_fault_reveals_nothing(tmp_path: Path, caplog: pytest.LogCaptureFixture) -> None:
    def broken() -> object:
        raise ZeroDivisionError("secret of /home")

    answer = ask(Daemon(tmp_path, truth=broken).app, "GET", "/api/rehearsal")
    assert_problem(answer, 500, "fault")
    assert "secret" not in answer.text
    assert "ZeroDivisionError" in caplog.text
