"""Films through the application."""

from __future__ import annotations

from pathlib import Path

import pytest

from controller.artwork.client import measure
from controller.artwork.options import MeasureOptions
from tests.kits.api_client import Daemon, ask, assert_problem
from tests.kits.artwork.files import svg

SVG = {"content-type": "image/svg+xml"}
BARE = {"border_mm": 0.0, "with_marks": False, "mirrored": False}


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> tuple[Daemon, str]:
    """A daemon with one artwork, a disc of 5 mm radius."""
    daemon = Daemon(tmp_path_factory.mktemp("bench"))
    content = svg('<circle cx="25" cy="15" r="5"/>')
    answer = ask(
        daemon.app,
        "POST",
        "/api/artworks",
        content=content,
        headers=SVG,
        params={"name": "fern «7».svg"},
    )
    return daemon, answer.json()["artwork"]


@pytest.mark.parametrize(
    ("file_format", "media_type"),
    [("pdf", "application/pdf"), ("png", "image/png"), ("svg", "image/svg+xml")],
)
def test_film_is_download(
    bench: tuple[Daemon, str], tmp_path: Path, file_format: str, media_type: str
) -> None:
    """A film for 0.24 mm at 1.2 makes the disc 0.2 mm smaller all round: 72.38 mm2."""
    daemon, artwork = bench
    body = {"depth_mm": 0.24, "etch_factor": 1.2, "file_format": file_format, **BARE}
    answer = ask(daemon.app, "POST", f"/api/artworks/{artwork}/film", json=body)
    assert answer.status_code == 200, answer.text
    assert answer.headers["content-type"] == media_type
    assert answer.headers["content-disposition"] == (
        f'attachment; filename="fern _7_-film.{file_format}"; '
        f"filename*=UTF-8''fern%20%C2%AB7%C2%BB-film.{file_format}"
    )
    assert answer.headers["lines-saved"] == answer.headers["lines-lost"] == "0"
    film = tmp_path / f"film.{file_format}"
    film.write_bytes(answer.content)
    assert measure(film, MeasureOptions()).area_mm2 == pytest.approx(72.382, rel=3e-3)


@pytest.mark.parametrize(
    ("changes", "field"),
    [
        ({"depth_mm": -0.1}, "depth_mm"),
        ({"depth_mm": 9.0, "etch_factor": 1.0}, "depth_mm"),
        ({"file_format": "gif"}, "file_format"),
        ({"tab_edge": "top", "with_marks": False}, "tab_edge"),
        ({"dpi": 600}, "dpi"),
    ],
)
def test_bad_film_refused(
    bench: tuple[Daemon, str], changes: dict[str, object], field: str
) -> None:
    """Each value that no film has is named."""
    daemon, artwork = bench
    body = {"depth_mm": 0.25, "etch_factor": 1.2, **changes}
    answer = ask(daemon.app, "POST", f"/api/artworks/{artwork}/film", json=body)
    problem = assert_problem(answer, 422, "bad-value")
    assert [error["field"] for error in problem["errors"]] == [field]


def test_film_of_unknown_artwork(bench: tuple[Daemon, str]) -> None:
    """Nobody's artwork is 404."""
    body = {"depth_mm": 0.25, "etch_factor": 1.2}
    answer = ask(bench[0].app, "POST", f"/api/artworks/{'0' * 64}/film", json=body)
    assert_problem(answer, 404, "unknown-artwork")


def test_film_needs_pairing(tmp_path: Path) -> None:
    """A device that is not paired gets no film."""
    daemon = Daemon(tmp_path, guarded=True)
    body = {"depth_mm": 0.25, "etch_factor": 1.2}
    answer = ask(daemon.app, "POST", f"/api/artworks/{'0' * 64}/film", json=body)
    assert_problem(answer, 401, "pairing-needed")
