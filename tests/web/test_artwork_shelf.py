"""The shelf of artworks: each is measured once and kept with its file.

The oldest is removed, and no file is left behind.
"""

from __future__ import annotations

import os
import shutil
import stat
from pathlib import Path

import pytest

from api.http.artworks.artwork_shelf import (
    FREE_BYTES,
    ArtworkShelf,
    NoRoomError,
    UnknownArtworkError,
)
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, MeasureFailedError
from controller.errors import RefusedError
from hardware.clock import VirtualClock
from tests.kits.artwork.double import PNG, Measuring

OPTIONS = MeasureOptions(dpi=600.0, depth_mm=1.0, etch_factor=1.0)


@pytest.fixture
def measuring() -> Measuring:
    return Measuring()


@pytest.fixture
def shelf(tmp_path: Path, measuring: Measuring) -> ArtworkShelf:
    return ArtworkShelf(tmp_path / "artworks", VirtualClock(), measure=measuring)


def upload(
    shelf: ArtworkShelf, content: bytes, options: MeasureOptions = OPTIONS, name: str = "fern.png"
) -> tuple[str, bool]:
    file = shelf.new_file("image/png", len(content))
    file.write_bytes(content)
    try:
        found, is_new = shelf.put(file, name, "image/png", options)
    finally:
        shelf.discard(file)
    return found.artwork, is_new


def aged(shelf: ArtworkShelf, artwork: str, seconds: float) -> None:
    """Let an artwork have been used so long ago."""
    entry = shelf._entries / f"{artwork}.json"
    at_ns = entry.stat().st_mtime_ns - int(seconds * 1e9)
    os.utime(entry, ns=(at_ns, at_ns))


def test_same_file_measured_once(shelf: ArtworkShelf, measuring: Measuring, tmp_path: Path) -> None:
    """The same file with the same options is measured once."""
    first, is_new = upload(shelf, PNG + b"one")
    assert is_new
    assert upload(shelf, PNG + b"one") == (first, False)
    assert len(measuring.asked) == 1
    other, is_new = upload(shelf, PNG + b"one", MeasureOptions(dpi=300.0))
    assert (other != first, is_new) == (True, True)
    assert upload(shelf, PNG + b"two")[0] not in (first, other)
    again = ArtworkShelf(tmp_path / "artworks", VirtualClock(), measure=measuring)
    assert again.get(first) == shelf.get(first)
    assert again.get(first).name == "fern.png"
    assert again.get(first).options == OPTIONS
    assert upload(again, PNG + b"one") == (first, False)


def test_names_and_modes(shelf: ArtworkShelf, tmp_path: Path) -> None:
    """Names are hashes and files are private."""
    artwork, _ = upload(shelf, PNG + b"one")
    assert len(artwork) == 64
    assert set(artwork) <= set("0123456789abcdef")
    assert stat.S_IMODE((tmp_path / "artworks").stat().st_mode) == 0o700
    files = [path for path in (tmp_path / "artworks").rglob("*") if path.is_file()]
    assert len(files) == 2, "the file and what was measured of it"


def test_failure_leaves_nothing(shelf: ArtworkShelf, measuring: Measuring, tmp_path: Path) -> None:
    measuring.error = MeasureFailedError("longer than 180 s")
    with pytest.raises(MeasureFailedError):
        upload(shelf, PNG + b"one")
    assert [path for path in (tmp_path / "artworks").rglob("*") if path.is_file()] == []
    assert not list((tmp_path / "artworks").glob("incoming-*"))
    assert shelf.recent(10) == ()


@pytest.mark.parametrize("kind", [RefusedError, MeasureFailedError])
def test_messages_hide_paths(
    shelf: ArtworkShelf, measuring: Measuring, tmp_path: Path, kind: type[Exception]
) -> None:
    """Messages contain the file's name and not its path."""

    def measure(
        path: Path, options: MeasureOptions, *, preview_path: Path | None
    ) -> ArtworkMeasure:
        raise kind(f"cannot identify <reader of '{path}'>")

    shelf = ArtworkShelf(tmp_path / "other", VirtualClock(), measure=measure)
    with pytest.raises(kind, match=r"cannot identify <reader of 'artwork\.png'>"):
        upload(shelf, PNG)


def test_leftovers_are_cleared(shelf: ArtworkShelf, tmp_path: Path) -> None:
    """The next start clears what a killed daemon left."""
    shelf.new_file("image/png", 5).write_bytes(b"half")
    assert list((tmp_path / "artworks").glob("incoming-*"))
    ArtworkShelf(tmp_path / "artworks", VirtualClock())
    assert not list((tmp_path / "artworks").glob("incoming-*"))


def test_list_by_use(shelf: ArtworkShelf) -> None:
    names = [upload(shelf, PNG + content)[0] for content in (b"one", b"two", b"three")]
    for age, artwork in enumerate(reversed(names)):
        aged(shelf, artwork, 100.0 + age)
    assert [found.artwork for found in shelf.recent(10)] == names[::-1]
    shelf.get(names[0])
    assert [found.artwork for found in shelf.recent(2)] == [names[0], names[2]]


def test_oldest_removed_by_number(tmp_path: Path, measuring: Measuring) -> None:
    """Beyond the number of artworks those used longest ago go, with their files."""
    shelf = ArtworkShelf(tmp_path, VirtualClock(), measure=measuring, most_artworks=2)
    one, two = (upload(shelf, PNG + content)[0] for content in (b"one", b"two"))
    aged(shelf, one, 50.0)
    aged(shelf, two, 100.0)
    three = upload(shelf, PNG + b"three")[0]
    assert {found.artwork for found in shelf.recent(10)} == {one, three}
    assert len(list((tmp_path / "files").iterdir())) == 2
    with pytest.raises(UnknownArtworkError, match="removed to make room"):
        shelf.get(two)


def test_shared_file_stays(tmp_path: Path, measuring: Measuring) -> None:
    """A file stays while an artwork names it."""
    shelf = ArtworkShelf(tmp_path, VirtualClock(), measure=measuring, most_artworks=1)
    old = upload(shelf, PNG + b"one", MeasureOptions(dpi=300.0))[0]
    aged(shelf, old, 50.0)
    new = upload(shelf, PNG + b"one")[0]
    assert [found.artwork for found in shelf.recent(10)] == [new]
    assert shelf.picture(new, None).read_bytes().startswith(PNG)


def test_oldest_removed_by_size(tmp_path: Path, measuring: Measuring) -> None:
    """Beyond the bytes those used longest ago go, and never the newest."""
    shelf = ArtworkShelf(tmp_path, VirtualClock(), measure=measuring, most_bytes=50)
    one = upload(shelf, PNG + b"x" * 30)[0]
    aged(shelf, one, 50.0)
    two = upload(shelf, PNG + b"y" * 30)[0]
    assert [found.artwork for found in shelf.recent(10)] == [two]
    aged(shelf, two, 50.0)
    large = upload(shelf, PNG + b"z" * 100)[0]
    assert [found.artwork for found in shelf.recent(10)] == [large]


def test_damaged_entry_is_ignored(shelf: ArtworkShelf) -> None:
    artwork, _ = upload(shelf, PNG + b"one")
    for text in ("", "{}", "[]", '{"measure": {}}', "\x00"):
        (shelf._entries / f"{artwork}.json").write_text(text)
        with pytest.raises(UnknownArtworkError):
            shelf.get(artwork)
        assert shelf.recent(10) == ()
    assert upload(shelf, PNG + b"one") == (artwork, True)


def test_one_picture_per_undercut(shelf: ArtworkShelf, measuring: Measuring) -> None:
    artwork, _ = upload(shelf, PNG + b"one")
    assert shelf.kept_picture(artwork, 0.2) is None
    path = shelf.picture(artwork, 0.2)
    assert path.read_bytes() == PNG + b"0.2"
    assert shelf.kept_picture(artwork, 0.2) == path == shelf.picture(artwork, 0.2)
    assert shelf.picture(artwork, None).read_bytes() == PNG + b"None"
    assert [options.undercut_mm for options in measuring.asked] == [1.0, 0.2, None]
    assert {options.dpi for options in measuring.asked} == {600.0}, "read as it was read before"
    path.unlink()
    assert shelf.kept_picture(artwork, 0.2) is None


def test_no_picture_of_missing_file(shelf: ArtworkShelf) -> None:
    with pytest.raises(UnknownArtworkError):
        shelf.picture("3f" * 32, None)
    artwork, _ = upload(shelf, PNG + b"one")
    shutil.rmtree(shelf._files)
    with pytest.raises(UnknownArtworkError, match="Upload it again"):
        shelf.picture(artwork, None)


def test_room_for_logbook(shelf: ArtworkShelf, monkeypatch: pytest.MonkeyPatch) -> None:
    """An upload must leave room for the logbook."""
    usage = shutil.disk_usage("/")
    monkeypatch.setattr(
        "api.http.artworks.artwork_shelf.shutil.disk_usage",
        lambda _: usage._replace(free=FREE_BYTES + 1000),
    )
    shelf.discard(shelf.new_file("image/png", 1000))
    with pytest.raises(NoRoomError, match="300 MB is free; the file and the logbook need 300 MB"):
        shelf.new_file("image/png", 1001)
