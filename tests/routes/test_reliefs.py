"""Reliefs through the application, made in the confined worker."""

from __future__ import annotations

import io
import math
from collections.abc import Iterator

import httpx
import pytest
from PIL import Image

from api.http.context import Slot
from api.http.problem_kinds import MEASURING
from api.http.problems import ProblemError
from controller.artwork.relief.field_form import MAGIC
from tests.kits.api_client import Daemon, ask, assert_problem
from tests.kits.artwork.files import svg

SQUARE = svg(
    '<rect x="2" y="2" width="6" height="6"/>', 'width="10mm" height="10mm"', 'viewBox="0 0 10 10"'
)
LINE = {"depth_mm": 0.25, "etch_factor": 1.25, "evenness": 0.0, "x0_mm": 5.0, "y0_mm": 5.0}


@pytest.fixture(scope="module")
def daemon(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Daemon]:
    daemon = Daemon(tmp_path_factory.mktemp("reliefs"))
    daemon.step()
    yield daemon
    daemon.close()


@pytest.fixture(scope="module")
def uploaded(daemon: Daemon) -> httpx.Response:
    headers = {"content-type": "image/svg+xml"}
    return ask(daemon.app, "POST", "/api/artworks", content=SQUARE, headers=headers)


@pytest.fixture(scope="module")
def artwork(uploaded: httpx.Response) -> str:
    return str(uploaded.json()["artwork"])


def got(daemon: Daemon, artwork: str, what: str, **query: object) -> httpx.Response:
    return ask(daemon.app, "GET", f"/api/artworks/{artwork}/{what}", params=query)


@pytest.mark.parametrize(("what", "mode"), [("relief.png", "L"), ("height-map.png", "I;16")])
def test_pictures_are_sent(daemon: Daemon, artwork: str, what: str, mode: str) -> None:
    answer = got(daemon, artwork, what, depth_mm=0.25)
    assert answer.status_code == 200
    with Image.open(io.BytesIO(answer.content)) as image:
        assert image.mode == mode


def test_field_is_packed_on_the_way(daemon: Daemon, artwork: str) -> None:
    """A client that takes gzip gets the kept bytes; another one gets them unpacked."""
    packed = got(daemon, artwork, "field")
    assert packed.headers["content-encoding"] == "gzip"
    assert packed.content.startswith(MAGIC)
    address = f"/api/artworks/{artwork}/field"
    plain = ask(daemon.app, "GET", address, headers={"accept-encoding": "identity"})
    assert "content-encoding" not in plain.headers
    assert plain.content == packed.content


def test_section_over_an_edge(daemon: Daemon, artwork: str) -> None:
    """From the floor over the quarter ellipse to the surface: the undercut is 0.2 mm."""
    answer = got(daemon, artwork, "section", **LINE, x1_mm=9.0, y1_mm=5.0, points=41)
    profile = dict(answer.json()["profile"])
    assert answer.json()["length_mm"] == 4.0
    assert profile[0.0] == pytest.approx(0.25, rel=1e-6)
    assert profile[3.1] == pytest.approx(0.25 * math.sqrt(0.75), abs=0.01)
    assert profile[3.3] == 0.0


def test_artwork_found_by_its_file(daemon: Daemon, uploaded: httpx.Response) -> None:
    """A run's plan holds the hash of the file."""
    sha256 = uploaded.json()["measure"]["sha256"]
    answer = got(daemon, sha256, "place", x_mm=5.0, y_mm=5.0)
    assert answer.status_code == 200
    assert len(answer.json()["ratios"]) == len(answer.json()["evenness_grid"])


def test_refusals_name_the_value(daemon: Daemon, artwork: str) -> None:
    assert_problem(got(daemon, artwork, "place", x_mm=1.0, y_mm=1.0), 422, "bad-value")
    assert_problem(
        got(daemon, artwork, "relief.png", depth_mm=3.0, etch_factor=0.5), 422, "bad-value"
    )
    assert_problem(got(daemon, artwork, "relief.png"), 422, "bad-value")
    assert_problem(got(daemon, "ab" * 32, "field"), 404, "unknown-artwork")


def test_second_request_starts_no_process(
    daemon: Daemon, artwork: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """What was made is kept."""
    first = got(daemon, artwork, "relief.png", depth_mm=0.25).content
    monkeypatch.setattr("controller.artwork.process.started", None)
    assert got(daemon, artwork, "relief.png", depth_mm=0.251).content == first
    assert got(daemon, artwork, "field").status_code == 200


def test_kept_field_needs_no_seat(
    daemon: Daemon, artwork: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    """While the bench measures another file, a kept field is sent and a new picture is not."""
    got(daemon, artwork, "field")

    def taken(slot: Slot) -> None:
        raise ProblemError(MEASURING, "http.artwork.busy")

    monkeypatch.setattr(Slot, "held", taken)
    assert got(daemon, artwork, "place", x_mm=5.0, y_mm=5.0).status_code == 200
    assert_problem(got(daemon, artwork, "relief.png", depth_mm=0.4), 503, "measuring")
