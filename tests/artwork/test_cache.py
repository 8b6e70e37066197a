"""The same bytes with the same options are measured once."""

from __future__ import annotations

import os
import threading
from pathlib import Path

import pytest

from controller.artwork import limits
from controller.artwork.cache import MeasureCache, content_key
from controller.artwork.options import MeasureOptions
from controller.artwork.result import ArtworkMeasure, MeasureFailedError
from controller.errors import RefusedError
from tests.artwork.test_result import MEASURE


class Counting:
    """Stands in for the measuring process and counts."""

    def __init__(self) -> None:
        self.calls = 0
        self.error: Exception | None = None

    def __call__(
        self, path: Path, options: MeasureOptions, *, preview_path: Path | None
    ) -> ArtworkMeasure:
        self.calls += 1
        if self.error is not None:
            raise self.error
        assert preview_path is not None
        preview_path.write_bytes(b"\x89PNG" + path.read_bytes())
        return MEASURE


@pytest.fixture
def counting() -> Counting:
    return Counting()


@pytest.fixture
def cache(tmp_path: Path, counting: Counting) -> MeasureCache:
    return MeasureCache(tmp_path / "kept", counting)


def artwork(tmp_path: Path, name: str, content: bytes) -> Path:
    path = tmp_path / name
    path.write_bytes(content)
    return path


def test_measured_once_whatever_the_name(
    tmp_path: Path, cache: MeasureCache, counting: Counting
) -> None:
    first, preview = cache.measured(artwork(tmp_path, "a.png", b"one"), MeasureOptions())
    again, same = cache.measured(artwork(tmp_path, "b.pdf", b"one"), MeasureOptions())
    assert first == again == MEASURE
    assert preview == same
    assert preview.read_bytes() == b"\x89PNGone"
    assert counting.calls == 1


def test_changed_input_measured_again(
    tmp_path: Path, cache: MeasureCache, counting: Counting, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Other bytes other options or another version are measured."""
    path = artwork(tmp_path, "a.png", b"one")
    cache.measured(path, MeasureOptions())
    cache.measured(path, MeasureOptions(invert=True))
    cache.measured(artwork(tmp_path, "a.png", b"two"), MeasureOptions())
    assert counting.calls == 3
    monkeypatch.setattr(limits, "MEASURE_VERSION", "next")
    cache.measured(path, MeasureOptions())
    assert counting.calls == 4


def test_new_cache_finds_entries(tmp_path: Path, cache: MeasureCache, counting: Counting) -> None:
    """A new store finds what is kept."""
    path = artwork(tmp_path, "a.png", b"one")
    cache.measured(path, MeasureOptions())
    MeasureCache(tmp_path / "kept", counting).measured(path, MeasureOptions())
    assert counting.calls == 1


@pytest.mark.parametrize("damage", ["", "{}", '{"area_mm2": 1', None])
def test_damaged_entry_measured_again(
    tmp_path: Path, cache: MeasureCache, counting: Counting, damage: str | None
) -> None:
    """A damaged entry is measured again."""
    path = artwork(tmp_path, "a.png", b"one")
    _, preview = cache.measured(path, MeasureOptions())
    if damage is None:
        preview.unlink()
    else:
        preview.with_suffix(".json").write_text(damage)
    assert cache.measured(path, MeasureOptions())[0] == MEASURE
    assert counting.calls == 2
    assert preview.is_file()


@pytest.mark.parametrize("error", [RefusedError("a.b"), MeasureFailedError("a.c")])
def test_failure_leaves_nothing(
    tmp_path: Path, cache: MeasureCache, counting: Counting, error: Exception
) -> None:
    """A failure is passed on and leaves nothing."""
    counting.error = error
    path = artwork(tmp_path, "a.png", b"one")
    with pytest.raises(type(error)):
        cache.measured(path, MeasureOptions())
    assert list((tmp_path / "kept").iterdir()) == []


def test_oldest_entries_removed_first(tmp_path: Path, counting: Counting) -> None:
    """The entries used longest ago go first."""
    cache = MeasureCache(tmp_path / "kept", counting, most_entries=3)
    paths = [artwork(tmp_path, f"{k}.png", bytes([k])) for k in range(5)]
    for age, path in enumerate(paths[:3]):
        _, preview = cache.measured(path, MeasureOptions())
        os.utime(preview.with_suffix(".json"), (1000 + age, 1000 + age))
    cache.measured(paths[0], MeasureOptions())  # used again: now the youngest
    cache.measured(paths[3], MeasureOptions())
    kept = {path for path in paths if cache.kept(content_key(path, MeasureOptions())) is not None}
    assert kept == {paths[0], paths[2], paths[3]}
    assert len(list((tmp_path / "kept").glob("*.png"))) == 3


def test_two_at_once_measure_once(tmp_path: Path, cache: MeasureCache, counting: Counting) -> None:
    path = artwork(tmp_path, "a.png", b"one")
    threads = [
        threading.Thread(target=cache.measured, args=(path, MeasureOptions())) for _ in range(4)
    ]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join(timeout=60.0)
    assert counting.calls == 1


def test_a_missing_file_is_refused(tmp_path: Path, cache: MeasureCache) -> None:
    with pytest.raises(RefusedError) as refused:
        cache.measured(tmp_path / "nothing.png", MeasureOptions())
    assert refused.value.message.key == "artwork.file.unreadable"
