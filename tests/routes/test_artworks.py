"""Artworks through the application: upload, measure, list, picture, and what is refused."""

from __future__ import annotations

import asyncio
import math
import socket
import threading
import tracemalloc
from collections.abc import AsyncIterator, Iterator
from pathlib import Path
from typing import Any

import httpx
import pytest

from api.http.artworks.artwork_shelf import NoRoomError
from api.http.body_limit import Bounds
from api.http.routes import artworks as routes_artworks
from controller.artwork.result import MeasureFailedError
from controller.errors import RefusedError
from tests.kits.api_client import WAIT_S, Daemon, ask, assert_problem
from tests.kits.artwork.double import PNG, Measuring
from tests.kits.artwork.files import pdf, svg

IMAGE = {"content-type": "image/png"}
REQUEST = {"metal": "fine-silver", "depth_mm": 0.25, "current_a": 3.0, "thickness_mm": 1.2}


@pytest.fixture
def measuring() -> Measuring:
    return Measuring()


@pytest.fixture
def daemon(tmp_path: Path, measuring: Measuring) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path, measure=measuring)
    daemon.step()
    yield daemon
    daemon.close()


def upload(
    daemon: Daemon, content: Any = PNG, headers: dict[str, str] = IMAGE, **query: Any
) -> httpx.Response:
    return ask(daemon.app, "POST", "/api/artworks", content=content, headers=headers, params=query)


def leftovers(daemon: Daemon, tmp_path: Path) -> list[Path]:
    return list((tmp_path / "artworks").glob("incoming-*"))


# --- with the real measuring ----------------------------------------------------------------------


def test_upload_and_plan(tmp_path: Path) -> None:
    """A disc of 5 mm radius: area pi r2 = 78.54 mm2, edge 2 pi r = 31.42 mm.

    For the mean depth, its plan equals the plan of a disc that is typed in. For the depth in its
    middle, which the current reaches less, it needs more.
    """
    daemon = Daemon(tmp_path)
    content = svg('<circle cx="25" cy="15" r="5"/>')
    answer = upload(daemon, content, {"content-type": "image/svg+xml"}, name="disc.svg")
    assert answer.status_code == 201, answer.text
    reported = answer.json()
    assert answer.headers["location"] == f"/api/artworks/{reported['artwork']}"
    assert (reported["name"], reported["file_format"], reported["file_bytes"]) == (
        "disc.svg",
        "SVG",
        len(content),
    )
    assert (
        reported["measure"]["area_mm2"]
        == reported["area_mm2"]
        == pytest.approx(math.pi * 25, rel=1e-3)
    )
    assert reported["measure"]["edge_mm"] == pytest.approx(math.pi * 10, rel=5e-3)
    assert reported["measure"]["growth_mm2"][-1] == pytest.approx([1.0, math.pi * 36], rel=2e-3)
    assert upload(daemon, content, {"content-type": "image/svg+xml"}).status_code == 200, (
        "measured before"
    )
    asked = {**REQUEST, "artwork": reported["artwork"]}
    middle = ask(daemon.app, "POST", "/api/plan", json=asked).json()
    plan = ask(daemon.app, "POST", "/api/plan", json={**asked, "target_place": "mean"}).json()
    typed = ask(
        daemon.app,
        "POST",
        "/api/plan",
        json={**REQUEST, "area_mm2": math.pi * 25, "edge_mm": math.pi * 10},
    ).json()
    assert plan["charge_coulombs"] == pytest.approx(typed["charge_coulombs"], rel=5e-3)
    assert 1.02 < middle["charge_coulombs"] / plan["charge_coulombs"] < 1.15
    assert plan["request"]["artwork"] == reported["artwork"]
    assert ask(daemon.app, "POST", "/api/plan", json=plan["request"]).json() == plan
    picture = ask(
        daemon.app,
        "GET",
        f"/api/artworks/{reported['artwork']}/preview.png?depth_mm=0.25&etch_factor=1.2",
    )
    assert picture.status_code == 200
    assert picture.headers["content-type"] == "image/png"
    assert picture.content.startswith(PNG)


def test_lost_lines_from_storage(tmp_path: Path) -> None:
    """Two bars leave 0.4 mm of resist between them.

    0.25 mm deep at an etch factor of 0.77 undercuts 0.32 mm from each side.
    """
    daemon = Daemon(tmp_path)
    content = pdf(["10 5 5 15 re f 15.4 5 5 15 re f"], 30.0, 25.0)
    reported = upload(daemon, content, {"content-type": "application/pdf"}).json()
    assert reported["measure"]["narrowest_resist_mm"] == pytest.approx(0.4, abs=0.02)
    plan = ask(
        daemon.app, "POST", "/api/plan", json={**REQUEST, "artwork": reported["artwork"]}
    ).json()
    assert any(
        warning["field"] == "depth_mm" and "wash" in warning["text"] for warning in plan["warnings"]
    )
    shallow = ask(
        daemon.app,
        "POST",
        "/api/plan",
        json={**REQUEST, "depth_mm": 0.1, "artwork": reported["artwork"]},
    ).json()
    assert not any("wash" in warning["text"] for warning in shallow["warnings"])


@pytest.mark.parametrize(
    ("content", "kind", "field"),
    [
        (b"", "image/png", "file"), (b"hello", "image/png", "file"), (PNG, "image/png", "file"),
        (b"%PDF-1.7", "application/pdf", "file"),
        (svg('<script>alert(1)</script><rect width="5" height="5"/>'), "image/svg+xml", "file"),
        (
            svg('<rect width="5" height="5"/>', size="", box='viewBox="0 0 5 5"'),
            "image/svg+xml", "width_mm",
        ),
    ],
)  # fmt: skip
def test_unmeasurable_files(tmp_path: Path, content: bytes, kind: str, field: str) -> None:
    daemon = Daemon(tmp_path)
    problem = assert_problem(upload(daemon, content, {"content-type": kind}), 422, "bad-value")
    assert problem["field"] == field
    assert str(tmp_path) not in problem["detail"]
    assert leftovers(daemon, tmp_path) == []
    assert ask(daemon.app, "GET", "/api/artworks").json() == {"artworks": []}


# --- what is sent ---------------------------------------------------------------------------------


def test_options_in_query(daemon: Daemon, measuring: Measuring) -> None:
    query = {
        "dpi": "1200",
        "page": "2",
        "invert": "true",
        "plate_width_mm": "60",
        "plate_height_mm": "40.5",
        "name": "Fl\u00fcgel.tif",
    }
    reported = upload(daemon, **query).json()
    assert reported["name"] == "Fl\u00fcgel.tif"
    assert reported["read_as"] == {
        "dpi": 1200.0, "width_mm": None, "page": 2, "invert": True, "plate_width_mm": 60.0,
        "plate_height_mm": 40.5,
        "margin_mm": None,
    }  # fmt: skip
    (asked,) = measuring.asked
    assert (asked.dpi, asked.page, asked.invert, asked.undercut_mm, asked.reach_mm) == (
        1200.0,
        2,
        True,
        1.0,
        1.0,
    )
    assert measuring.read == [PNG]


def test_deep_target_measures_further(daemon: Daemon, measuring: Measuring) -> None:
    upload(daemon, dpi=600, depth_mm=0.8)
    assert measuring.asked[0].reach_mm == 3.0
    assert measuring.asked[0].undercut_mm == 3.0


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ({"dpi": 49}, "dpi"), ({"dpi": "nan"}, "dpi"), ({"dpi": "inf"}, "dpi"),
        ({"dpi": "x"}, "dpi"),
        ({"width_mm": 0}, "width_mm"), ({"page": 0}, "page"), ({"page": 1.5}, "page"),
        ({"invert": "maybe"}, "invert"),
        ({"plate_width_mm": 60}, "plate_width_mm"),
        ({"dpi": 600, "width_mm": 60}, "dpi"), ({"margin_mm": -1}, "margin_mm"),
        ({"name": "x" * 121}, "name"), ({"resolution": 600}, "resolution"),
        ({"depth_mm": 11}, "depth_mm"),
    ],
)  # fmt: skip
def test_bad_options_refused_first(
    daemon: Daemon, measuring: Measuring, query: dict[str, Any], field: str
) -> None:
    problem = assert_problem(upload(daemon, **query), 422, "bad-value")
    assert (problem["field"], problem["errors"][0]["place"]) == (field, "query")
    assert measuring.read == []


@pytest.mark.parametrize(
    "kind", ["text/plain", "application/json", "multipart/form-data; boundary=x", "image/gif", ""]
)
def test_other_types_refused(daemon: Daemon, kind: str) -> None:
    answer = upload(daemon, PNG, {"content-type": kind})
    assert "image/png" in assert_problem(answer, 415, "no-artwork-type")["detail"]


@pytest.mark.parametrize(
    "kind", ["image/png", "IMAGE/TIFF", "image/jpeg; q=1", "application/octet-stream"]
)
def test_accepted_types(daemon: Daemon, kind: str) -> None:
    assert upload(daemon, PNG, {"content-type": kind}).status_code == 201


def test_large_file_memory(daemon: Daemon, measuring: Measuring) -> None:
    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(600):
            yield bytes(64_000)

    seen: list[int] = []

    def measure(path: Path, options: Any, *, preview_path: Path | None) -> Any:
        seen.append(path.stat().st_size)
        raise RefusedError("enough")

    daemon.artworks._measure = measure
    tracemalloc.start()
    try:
        assert upload(daemon, pieces()).status_code == 422
        _, peak_bytes = tracemalloc.get_traced_memory()
    finally:
        tracemalloc.stop()
    assert seen == [600 * 64_000]
    assert peak_bytes < 8_000_000, "of 38 400 000 that were sent"


def test_file_too_large(tmp_path: Path, measuring: Measuring, monkeypatch: Any) -> None:
    monkeypatch.setattr("api.http.application.UPLOAD_BOUNDS", Bounds(1000, 5.0))
    daemon = Daemon(tmp_path, measure=measuring)

    async def pieces() -> AsyncIterator[bytes]:
        for _ in range(20):
            yield b"x" * 100

    for content in (b"x" * 1001, pieces()):
        assert_problem(upload(daemon, content), 413, "too-large")
    assert upload(daemon, b"x" * 1000).status_code == 201
    assert leftovers(daemon, tmp_path) == []
    assert routes_artworks.UPLOAD_BOUNDS.max_bytes == 64_000_000


def test_slow_file(tmp_path: Path, measuring: Measuring, monkeypatch: Any) -> None:
    monkeypatch.setattr("api.http.application.UPLOAD_BOUNDS", Bounds(1000, 0.1))
    daemon = Daemon(tmp_path, measure=measuring)
    daemon.step()
    with (
        daemon.served() as client,
        socket.create_connection((client.base_url.host, client.base_url.port or 0), WAIT_S) as slow,
    ):
        slow.sendall(
            b"POST /api/artworks HTTP/1.1\r\nHost: b\r\nContent-Type: image/png\r\n"
            b"Content-Length: 100\r\n\r\nabc"
        )
        assert slow.recv(65536).startswith(b"HTTP/1.1 408")
        assert client.post("/api/artworks", content=PNG, headers=IMAGE).status_code == 201, (
            "its place is free again"
        )
    assert leftovers(daemon, tmp_path) == []


def test_client_leaves(daemon: Daemon, tmp_path: Path) -> None:
    with daemon.served() as client:
        with socket.create_connection(
            (client.base_url.host, client.base_url.port or 0), WAIT_S
        ) as gone:
            gone.sendall(
                b"POST /api/artworks HTTP/1.1\r\nHost: b\r\nContent-Type: image/png\r\n"
                b"Content-Length: 100\r\n\r\nabc"
            )
        answer = client.post("/api/artworks", content=PNG, headers=IMAGE)
        while answer.status_code == 503:
            answer = client.post("/api/artworks", content=PNG, headers=IMAGE)
        assert answer.status_code == 201
    assert leftovers(daemon, tmp_path) == []


def test_one_measurement_at_once(daemon: Daemon, measuring: Measuring) -> None:
    """One artwork is measured at a time, and the API answers meanwhile."""
    measuring.go.clear()
    answers: list[httpx.Response] = []
    with daemon.served() as client:
        first = threading.Thread(
            target=lambda: answers.append(client.post("/api/artworks", content=PNG, headers=IMAGE))
        )
        first.start()
        assert measuring.begun.wait(WAIT_S)
        answer = client.post("/api/artworks", content=PNG + b"2", headers=IMAGE)
        assert_problem(answer, 503, "measuring")
        assert int(answer.headers["retry-after"]) > 0
        assert_problem(client.get(f"/api/artworks/{'3f' * 32}/preview.png"), 503, "measuring")
        assert client.post("/api/stop").json()["relay_on"] is False
        assert client.post("/api/plan", json={**REQUEST, "area_mm2": 767.0}).status_code == 200
        assert client.get("/api/artworks").status_code == 200
        measuring.go.set()
        first.join(WAIT_S)
        assert answers[0].status_code == 201
        assert client.post("/api/artworks", content=PNG + b"2", headers=IMAGE).status_code == 201


# --- what fails -----------------------------------------------------------------------------------


def test_failed_measurement(daemon: Daemon, measuring: Measuring, tmp_path: Path) -> None:
    measuring.error = MeasureFailedError(
        "measuring artwork.png took longer than 180 s: save the artwork at 600 dpi"
    )
    problem = assert_problem(upload(daemon), 422, "not-measurable")
    assert "600 dpi" in problem["detail"]
    assert leftovers(daemon, tmp_path) == []
    measuring.error = None
    assert upload(daemon).status_code == 201


def test_no_room_for_file(daemon: Daemon, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    def full(*_: object) -> Path:
        raise NoRoomError("12 MB are free, 364 MB are wanted: make room")

    monkeypatch.setattr(daemon.artworks, "new_file", full)
    assert_problem(upload(daemon), 507, "no-room")


def test_card_fills_up(daemon: Daemon, monkeypatch: pytest.MonkeyPatch, tmp_path: Path) -> None:
    class Full:
        def write(self, _piece: bytes) -> int:
            raise OSError(28, "No space left on device")

        def close(self) -> None:
            pass

    real = Path.open

    def opened(path: Path, mode: str = "r", *arguments: Any, **options: Any) -> Any:
        return Full() if "x" in mode else real(path, mode, *arguments, **options)

    monkeypatch.setattr(Path, "open", opened)
    assert "No space left" in assert_problem(upload(daemon), 507, "no-room")["detail"]
    monkeypatch.undo()
    assert leftovers(daemon, tmp_path) == []


# --- list and picture -----------------------------------------------------------------------------


def test_list_and_get(daemon: Daemon) -> None:
    reported = upload(daemon, name="fern.png").json()
    (listed,) = ask(daemon.app, "GET", "/api/artworks").json()["artworks"]
    assert listed == {
        name: value for name, value in reported.items() if name not in ("read_as", "measure")
    }
    assert ask(daemon.app, "GET", f"/api/artworks/{reported['artwork']}").json() == reported
    for query in ("limit=0", "limit=51"):
        assert_problem(ask(daemon.app, "GET", f"/api/artworks?{query}"), 422, "bad-value")


@pytest.mark.parametrize(
    "name", ["x", "../../etc/passwd", "%2e%2e", "3F" * 32, "3f" * 31, "3f" * 33, "3f" * 32 + "%0a"]
)
def test_name_is_no_hash(daemon: Daemon, name: str) -> None:
    for path in (f"/api/artworks/{name}", f"/api/artworks/{name}/preview.png"):
        assert ask(daemon.app, "GET", path).status_code in (404, 422)


def test_unknown_artwork(daemon: Daemon) -> None:
    for path in (f"/api/artworks/{'3f' * 32}", f"/api/artworks/{'3f' * 32}/preview.png"):
        assert_problem(ask(daemon.app, "GET", path), 404, "unknown-artwork")
    problem = assert_problem(
        ask(daemon.app, "POST", "/api/plan", json={**REQUEST, "artwork": "3f" * 32}),
        422,
        "bad-value",
    )
    assert problem["field"] == "artwork"


@pytest.mark.parametrize(
    ("query", "undercut"),
    [
        ("", b"None"), ("depth_mm=0.25&etch_factor=1.2", b"0.21"),
        ("depth_mm=0.252&etch_factor=1.2", b"0.21"),
        ("depth_mm=0.0001&etch_factor=20", b"0.01"),
    ],
)  # fmt: skip
def test_picture_in_steps(
    daemon: Daemon, measuring: Measuring, query: str, undercut: bytes
) -> None:
    artwork = upload(daemon).json()["artwork"]
    for _ in range(3):
        answer = ask(daemon.app, "GET", f"/api/artworks/{artwork}/preview.png?{query}")
        assert answer.content == PNG + undercut
    assert len(measuring.asked) == 2, "the upload, and the picture once"


@pytest.mark.parametrize(
    ("query", "field"),
    [
        ("depth_mm=0.25", "depth_mm"),
        ("etch_factor=1.2", "depth_mm"),
        ("depth_mm=5&etch_factor=1", "depth_mm"),
        ("x=1", "x"),
    ],
)
def test_impossible_undercut(daemon: Daemon, query: str, field: str) -> None:
    artwork = upload(daemon).json()["artwork"]
    problem = assert_problem(
        ask(daemon.app, "GET", f"/api/artworks/{artwork}/preview.png?{query}"), 422, "bad-value"
    )
    assert problem["field"] == field


def test_slot_is_freed(daemon: Daemon) -> None:
    async def story() -> None:
        from api.http.context import Slot
        from api.http.problems import ProblemError

        slot = Slot()
        for _ in range(2):
            with pytest.raises(KeyError), slot.held():
                raise KeyError
        with slot.held(), pytest.raises(ProblemError), slot.held():
            pass
        with slot.held():
            pass

    asyncio.run(story())
