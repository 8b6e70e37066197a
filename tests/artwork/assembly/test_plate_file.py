"""Plate files from strangers: damaged, nested or compressed ones are refused."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import pytest

from controller.artwork.assembly.plate_file import entry_of, write_plate
from controller.artwork.client import measure
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.artwork.workplaces import Workplace
from controller.errors import RefusedError
from tests.kits.artwork.shapes import disc, save


def plate(folder: Path, artwork: Path) -> Path:
    target = folder / "plate.zip"
    place = (2.0, 2.0, 0.0)
    write_plate(
        target, (20.0, 20.0), [(entry_of(artwork, "one", place, MeasureOptions()), artwork)]
    )
    return target


def changed(folder: Path, **changes: Any) -> Path:
    """Return a plate file whose layout was changed."""
    whole = plate(folder, save(folder / "disc.png", disc(3.0), 600))
    with zipfile.ZipFile(whole) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    layout = {**json.loads(members["plate.json"]), **changes}
    members["plate.json"] = json.dumps(layout).encode()
    with zipfile.ZipFile(whole, "w") as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    return whole


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"plate": 2}, "newer version"),
        ({"width_mm": "wide"}, "no plate of artworks"),
        ({"height_mm": 1e9}, "must be from 0.5 to 1000 mm"),
        ({"pieces": []}, "There are 0 pieces"),
        ({"pieces": [{"name": "x"}]}, "no plate of artworks"),
        ({"pieces": 5}, "no plate of artworks"),
    ],
)
def test_damaged_layout_refused(tmp_path: Path, changes: dict[str, Any], words: str) -> None:
    with pytest.raises(RefusedError, match=words):
        measure_file(changed(tmp_path, **changes), MeasureOptions())


def test_plate_in_plate_refused(tmp_path: Path) -> None:
    inner = plate(tmp_path, save(tmp_path / "disc.png", disc(3.0), 600))
    inner = inner.rename(tmp_path / "inner.zip")
    with pytest.raises(RefusedError, match="itself a plate"):
        measure_file(plate(tmp_path, inner), MeasureOptions())


def test_compressed_member_refused(tmp_path: Path) -> None:
    """A member that may grow when it is read is not read."""
    whole = plate(tmp_path, save(tmp_path / "disc.png", disc(3.0), 600))
    with zipfile.ZipFile(whole) as archive:
        members = {name: archive.read(name) for name in archive.namelist()}
    with zipfile.ZipFile(whole, "w", zipfile.ZIP_DEFLATED) as archive:
        for name, data in members.items():
            archive.writestr(name, data)
    with pytest.raises(RefusedError, match="no plate of artworks"):
        measure_file(whole, MeasureOptions())


def test_other_zip_refused(tmp_path: Path) -> None:
    path = tmp_path / "letters.zip"
    with zipfile.ZipFile(path, "w") as archive:
        archive.writestr("letter.txt", "Dear studio")
    with pytest.raises(RefusedError, match="no plate of artworks"):
        measure_file(path, MeasureOptions())
    path.write_bytes(path.read_bytes()[:40])
    with pytest.raises(RefusedError, match="no plate of artworks"):
        measure_file(path, MeasureOptions())


def test_worker_reads_plates(tmp_path: Path) -> None:
    """The confined process has all that it needs before it is confined."""
    whole = plate(tmp_path, save(tmp_path / "disc.png", disc(3.0), 600))
    found = measure(whole, MeasureOptions(), workplace=Workplace(accept_unconfined=True))
    assert [piece.name for piece in found.pieces] == ["one"]
    assert found == measure_file(whole, MeasureOptions())
