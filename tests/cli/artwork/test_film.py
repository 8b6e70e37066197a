"""``biteclock film``: JSON keys, files, options and refusals."""

from __future__ import annotations

from pathlib import Path

import pytest
from shapely.geometry import box
from shapely.ops import unary_union

from controller.artwork.client import measure
from controller.artwork.options import MeasureOptions
from tests.kits.artwork.shapes import save
from tests.kits.cli_kit import Command

FILM = Command("film")
SHAPE = unary_union([box(1.0, 2.0, 4.0, 8.0), box(4.3, 2.0, 9.0, 8.0)])
"""Two fields with 0.3 mm of resist between them: lost as drawn at 0.2 mm of undercut."""

PROMISED = {
    *("undercut_mm", "etch_factor", "lines_saved", "lines_lost", "lost_lines"),
    *("openings_limited", "width_mm", "height_mm", "scale_bar_mm"),
}


@pytest.fixture(scope="module")
def artwork(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return save(tmp_path_factory.mktemp("artwork") / "work.png", SHAPE, 600)


@pytest.mark.parametrize("ending", ["pdf", "png", "svg", "PDF"])
def test_film_is_written(artwork: Path, tmp_path: Path, ending: str) -> None:
    """The file's name decides its kind; measured again, the line between the fields stays."""
    out = tmp_path / f"film.{ending}"
    found = FILM.json_of(artwork, "--depth-mm", 0.24, "--etch-factor", 1.2, "--out", out)
    assert set(found) >= PROMISED
    assert found["undercut_mm"] == pytest.approx(0.2)
    assert (found["lines_saved"], found["lines_lost"], found["openings_limited"]) == (1, 0, 0)
    assert (found["scale_bar_mm"], found["file"]) == (100.0, str(out))
    assert found["file_format"] == ending.lower()
    bare = ("--etch-factor", 1.2, "--no-marks", "--out", out)
    assert FILM.json_of(artwork, "--depth-mm", 0.24, *bare)["lines_saved"] == 1
    assert measure(out, MeasureOptions(depth_mm=0.24, etch_factor=1.2)).lost_line_count == 0


def test_usual_etch_factor(artwork: Path, tmp_path: Path) -> None:
    """Without an etch factor, the usual one counts, and the command says so."""
    result = FILM.call(artwork, "--depth-mm", 0.25, "--out", tmp_path / "film.svg")
    assert result.exit_code == 0
    assert "etch factor 1.2 is the usual one" in result.output
    assert "0.208 mm on each side" in result.output
    assert "measure it on the printed film" in result.output


def test_marks_may_be_left_out(artwork: Path, tmp_path: Path) -> None:
    """The bare film is the plate: the sheet and its border."""
    out = tmp_path / "film.pdf"
    options = ("--no-marks", "--border-mm", 2, "--out", out)
    found = FILM.json_of(artwork, "--depth-mm", 0.2, *options)
    assert found["scale_bar_mm"] is None
    assert found["width_mm"] == pytest.approx(9.99 + 4.0, abs=0.01)
    assert found["plate_width_mm"] == found["width_mm"]


def test_resolutions_are_apart(artwork: Path, tmp_path: Path) -> None:
    """The artwork's resolution scales it, the film's does not."""
    out = tmp_path / "film.png"
    bare = ("--no-marks", "--border-mm", 0, "--out", out)
    half = FILM.json_of(artwork, "--depth-mm", 0.1, "--dpi", 1200, *bare)
    fine = FILM.json_of(artwork, "--depth-mm", 0.1, "--film-dpi", 2400, *bare)
    assert half["width_mm"] == pytest.approx(9.99 / 2, abs=0.01)
    assert (fine["width_mm"], fine["dpi"]) == (pytest.approx(9.99, abs=0.01), 2400)


def test_uneven_depth(artwork: Path, tmp_path: Path) -> None:
    """With an uneven depth the undercut differs over the plate, and is least at the target."""
    out = tmp_path / "film.pdf"
    found = FILM.json_of(artwork, "--depth-mm", 0.24, "--evenness", 0.5, "--out", out)
    assert found["evenness"] == 0.5
    assert found["least_undercut_mm"] <= found["undercut_mm"] < found["most_undercut_mm"]
    even = FILM.json_of(artwork, "--depth-mm", 0.24, "--evenness", 0, "--out", out)
    assert even["least_undercut_mm"] == even["most_undercut_mm"] == pytest.approx(0.2)


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (("--out", "film.gif"), "end its name in .pdf, .png or .svg"),
        (("--out", "/no/such/place/film.pdf"), "/no/such/place cannot be written to"),
        (("--out", "f.pdf", "--etch-factor", 1, "--bath", "b"), "not both"),
        (("--out", "f.pdf", "--gap-mm", 60), "of no use without --evenness"),
        (("--out", "f.pdf", "--depth-mm", 9), "7.5 mm"),
        (("--out", "f.pdf", "--border-mm", 101), "100 mm"),
        (("--out", "f.pdf", "--tab", "top", "--no-marks"), "leave out the tab"),
        (("--out", "f.pdf", "--bath", "blue"), "none answers"),
    ],
)
def test_refusals(
    artwork: Path,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    options: tuple[object, ...],
    words: str,
) -> None:
    """Each refusal says what is wrong and what to do; nothing is written."""
    monkeypatch.chdir(tmp_path)
    monkeypatch.setattr("api.cli.bench.local.local_socket", lambda _settings: None)
    assert words in str(FILM.refused(artwork, "--depth-mm", 0.25, *options))
    assert list(tmp_path.iterdir()) == []


def test_too_deep_for_all(artwork: Path, tmp_path: Path) -> None:
    """A depth at which all openings would close is refused with the width that is needed."""
    out = tmp_path / "film.pdf"
    error = FILM.refused(artwork, "--depth-mm", 2.9, "--etch-factor", 1, "--out", out)
    assert "wider than 5.800 mm" in str(error)
    assert not out.exists()


def test_bath_gives_etch_factor(
    artwork: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The etch factor of a bath comes from the daemon."""

    class Client:
        @staticmethod
        def through(_local: object) -> Client:
            return Client()

        def get(self, address: str) -> dict[str, object]:
            assert address == "/api/baths"
            return {"baths": [{"name": "blue", "etch_factor": 1.6}]}

    monkeypatch.setattr("api.cli.bench.local.local_socket", lambda _settings: object())
    monkeypatch.setattr("api.cli.client.ApiClient", Client)
    out = tmp_path / "film.pdf"
    found = FILM.json_of(artwork, "--depth-mm", 0.24, "--bath", "blue", "--out", out)
    assert found["undercut_mm"] == pytest.approx(0.15)
    error = FILM.refused(artwork, "--depth-mm", 0.24, "--bath", "red", "--out", out)
    assert "'red'" in str(error)
