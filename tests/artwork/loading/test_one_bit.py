"""One-bit PNG files, read as bytes of eight pixels, against Pillow reading and averaging the
pixels.
"""

from __future__ import annotations

import io
import zlib
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from controller.artwork.loading.one_bit import PackedPixels, packed_png
from controller.artwork.loading.raster import load_raster
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from tests.kits.artwork.shapes import file_bytes

BLACK_OPEN = np.arange(255, -1, -1, dtype=np.uint8)
WHITE_OPEN = BLACK_OPEN[::-1].copy()


def noise(width: int, height: int) -> Image.Image:
    pixels = np.random.default_rng(width).random((height, width)) < 0.4
    return Image.fromarray((255 * pixels).astype(np.uint8)).convert("1")


def saved(path: Path, image: Image.Image, **options: object) -> Path:
    path.write_bytes(file_bytes(image, "PNG", 1200, **options))
    return path


def averages(image: Image.Image, first: int, last: int, step: int, table: np.ndarray) -> np.ndarray:
    """Return what Pillow makes of the rows."""
    band = image.crop((0, first, image.width, last)).convert("L")
    if table is BLACK_OPEN:
        return 255 - np.asarray(band.reduce(step))
    return np.asarray(band.point(table.tolist()).reduce(step))


@pytest.mark.parametrize("width", [8, 9, 15, 16, 17, 40, 63])
@pytest.mark.parametrize("step", [1, 2, 3, 4, 8])
def test_rows_and_averages_are_pillows(tmp_path: Path, width: int, step: int) -> None:
    image = noise(width, 37)
    picture = load_raster(saved(tmp_path / "a.png", image), "PNG", MeasureOptions())
    for table in (BLACK_OPEN, WHITE_OPEN):
        for first, last in ((0, 37), (24, 37), (0, 24), (24, 25)):
            found = picture.read(first, last, step, table)
            assert (found == averages(image, first, last, step, table)).all()
    assert picture.histogram is not None
    assert picture.histogram.tolist() == image.convert("L").histogram()


def test_bits_beyond_last_pixel() -> None:
    """A writer may leave anything there. Source: ISO/IEC 15948, 7.2."""
    bits = PackedPixels(np.full((6, 2), 255, np.uint8), 11)
    assert bits.histogram().nonzero()[0].tolist() == [255]
    assert bits.histogram()[255] == 66
    black = PackedPixels(np.array([[0, 31]] * 6, np.uint8), 11)
    for step in (1, 2, 3, 4):
        assert (black.read(0, 6, step, BLACK_OPEN) == 255).all()


def test_packed_file_is_png(tmp_path: Path) -> None:
    """Pillow reads the file too: its rows of bits take the same number of bytes."""
    image = noise(43, 20)
    packed = packed_png(saved(tmp_path / "a.png", image))
    assert packed is not None
    with Image.open(packed) as opened:
        assert (opened.mode, opened.size) == ("L", (6, 20))
        assert opened.tobytes() == image.tobytes()


def edited(path: Path, place: int, value: int, *, sum_too: bool) -> Path:
    data = bytearray(path.read_bytes())
    data[place] = value
    if sum_too:
        data[29:33] = zlib.crc32(data[12:29]).to_bytes(4, "big")
    path.write_bytes(data)
    return path


@pytest.mark.parametrize(("place", "value"), [(24, 8), (25, 3), (28, 1)])
def test_other_png_not_packed(tmp_path: Path, place: int, value: int) -> None:
    """A depth of eight bits, a palette, interlacing. Source: ISO/IEC 15948, 11.2.2."""
    path = saved(tmp_path / "a.png", noise(40, 20))
    assert packed_png(path) is not None
    assert packed_png(edited(path, place, value, sum_too=True)) is None


def test_damaged_header_refused(tmp_path: Path) -> None:
    """A damaged header is not repaired."""
    path = edited(saved(tmp_path / "a.png", noise(40, 20)), 19, 48, sum_too=False)
    assert packed_png(path) is None
    with pytest.raises(RefusedError) as refused:
        measure_file(path, MeasureOptions())
    assert refused.value.message.key == "artwork.raster.damaged"


@pytest.mark.parametrize(("mode", "white"), [("1", 1), ("L", 255)])
def test_transparent_level_on_white(tmp_path: Path, mode: str, white: int) -> None:
    """A transparent level is laid on white."""
    image = Image.new(mode, (60, 60), white)
    image.paste(0, (10, 10, 30, 30))
    opaque = measure_file(saved(tmp_path / "a.png", image), MeasureOptions())
    assert opaque.area_mm2 == pytest.approx((20 * 25.4 / 1200) ** 2)
    with pytest.raises(RefusedError) as refused:
        measure_file(saved(tmp_path / "b.png", image, transparency=0), MeasureOptions())
    assert refused.value.message.key == "artwork.nothing_dark"


@pytest.mark.parametrize("length", [20, 40, 80, -30])
def test_truncated_file_refused(tmp_path: Path, length: int) -> None:
    """A file cut short is refused."""
    path = saved(tmp_path / "a.png", noise(200, 200))
    path.write_bytes(path.read_bytes()[:length])
    with pytest.raises(RefusedError) as refused:
        measure_file(path, MeasureOptions())
    assert refused.value.field == "file"


@pytest.mark.parametrize("dpi", [600, 1200, 2400])
def test_same_result_as_bytes(tmp_path: Path, dpi: int) -> None:
    """It measures what the same pixels in bytes measure."""
    image = Image.new("1", (501, 403), 1)
    image.paste(0, (100, 90, 333, 222))
    (tmp_path / "bits.png").write_bytes(file_bytes(image, "PNG", dpi))
    (tmp_path / "bytes.png").write_bytes(file_bytes(image.convert("L"), "PNG", dpi))
    bits, grey = (
        measure_file(tmp_path / name, MeasureOptions()).to_dict()
        for name in ("bits.png", "bytes.png")
    )
    assert {key for key in bits if bits[key] != grey[key]} == {"sha256"}


def test_large_file_not_packed(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A large file is left to Pillow."""
    monkeypatch.setattr("controller.artwork.loading.one_bit._MOST_BYTES", 100)
    image = noise(400, 300)
    path = saved(tmp_path / "a.png", image)
    assert packed_png(path) is None
    assert load_raster(path, "PNG", MeasureOptions()).width_px == 400
    assert Image.open(io.BytesIO(path.read_bytes())).mode == "1"
