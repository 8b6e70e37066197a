"""Raster files of every kind give the same artwork; bad scales and sizes are refused."""

from __future__ import annotations

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image
from shapely.geometry import box

from controller.artwork import limits
from controller.artwork.loading.raster import load_raster
from controller.artwork.loading.sniff import sniff
from controller.artwork.measuring.measure import measure_file
from controller.artwork.options import MeasureOptions
from controller.errors import RefusedError
from controller.texts import Message
from tests.kits.artwork.shapes import disc, families, file_bytes, grey_image, save

SHAPE = disc(1.5, 2.5, 2.5)
SMALL_PX = 130


def small() -> Image.Image:
    return grey_image(SHAPE, 600).crop((0, 0, SMALL_PX, SMALL_PX))


def clear() -> Image.Image:
    """Black with the shape in its transparency: on white it looks the same."""
    image = Image.new("RGBA", (SMALL_PX, SMALL_PX), "black")
    image.putalpha(Image.eval(small(), lambda level: 255 - level))
    return image


def refused(path: Path, **options: Any) -> RefusedError:
    with pytest.raises(RefusedError) as caught:
        measure_file(path, MeasureOptions(**options))
    return caught.value


KINDS: dict[str, tuple[Any, str, dict[str, Any]]] = {
    "grey PNG": (small, "PNG", {}),
    "RGB PNG": (lambda: small().convert("RGB"), "PNG", {}),
    "palette PNG": (lambda: small().convert("P"), "PNG", {}),
    "transparent PNG": (clear, "PNG", {}),
    "grey with transparency PNG": (lambda: clear().convert("LA"), "PNG", {}),
    "16-bit PNG": (lambda: Image.fromarray(np.asarray(small()).astype(np.uint16) * 257), "PNG", {}),
    "LZW TIFF": (small, "TIFF", {"compression": "tiff_lzw"}),
    "plain TIFF": (small, "TIFF", {}),
    "16-bit TIFF": (
        lambda: Image.fromarray(np.asarray(small()).astype(np.uint16) * 257),
        "TIFF",
        {},
    ),
    "CMYK TIFF": (lambda: small().convert("CMYK"), "TIFF", {}),
    "grey JPEG": (small, "JPEG", {"quality": 95}),
    "colour JPEG": (lambda: small().convert("RGB"), "JPEG", {"quality": 95}),
}


@pytest.mark.parametrize("kind", KINDS)
def test_kinds_of_pixel_agree(tmp_path: Path, kind: str) -> None:
    """Every kind of pixel gives the same artwork."""
    make, file_format, options = KINDS[kind]
    path = tmp_path / "artwork"
    path.write_bytes(file_bytes(make(), file_format, 600, **options))
    found = measure_file(path, MeasureOptions())
    assert found.file_format == file_format
    assert found.dpi == 600.0
    assert found.area_mm2 == pytest.approx(SHAPE.area, rel=2e-3)
    assert found.edge_mm == pytest.approx(SHAPE.length, rel=3e-3)


@pytest.mark.parametrize(
    ("file_format", "options"), [("PNG", {}), ("TIFF", {"compression": "group4"})]
)
def test_one_bit_files(tmp_path: Path, file_format: str, options: dict[str, Any]) -> None:
    path = tmp_path / "artwork"
    path.write_bytes(
        file_bytes(
            small().point(lambda v: 255 * (v > 127)).convert("1"), file_format, 600, **options
        )
    )
    found = measure_file(path, MeasureOptions())
    assert found.quality == "one_bit"
    assert found.area_mm2 == pytest.approx(SHAPE.area, rel=5e-3)
    assert found.edge_mm == pytest.approx(SHAPE.length, rel=1e-2)


def test_transparent_palette_entry(tmp_path: Path) -> None:
    """A palette entry may be transparent."""
    image = Image.new("P", (60, 60), 0)
    image.putpalette([0, 0, 0, 0, 0, 0, 255, 255, 255])
    image.paste(1, (20, 20, 40, 40))
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(image, "PNG", 600, transparency=0))
    assert measure_file(path, MeasureOptions()).area_mm2 == pytest.approx((20 * 25.4 / 600) ** 2)


@pytest.mark.parametrize("dpi", [100, 300, 600, 1200, 2540])
def test_png_pixels_per_metre(tmp_path: Path, dpi: int) -> None:
    """Source: PNG specification (ISO/IEC 15948), pHYs: whole pixels per metre; 1200 dpi reads back
    as 1199.9976.
    """
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(small(), "PNG", dpi))
    found = measure_file(path, MeasureOptions())
    assert found.dpi == float(dpi)
    assert found.scale_source.key == "artwork.scale_source.file_dpi"


def test_tiff_pixels_per_centimetre(tmp_path: Path) -> None:
    """A TIFF may count per centimetre."""
    path = tmp_path / "a.tif"
    small().save(
        path, "TIFF", resolution_unit="cm", x_resolution=236.220472, y_resolution=236.220472
    )
    assert measure_file(path, MeasureOptions()).dpi == pytest.approx(600.0, rel=1e-4)


def test_options_override_the_file(tmp_path: Path) -> None:
    """The options override the values in the file."""
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(small(), "PNG", 300))
    by_dpi, by_width = (
        measure_file(path, MeasureOptions(dpi=600.0)),
        measure_file(path, MeasureOptions(width_mm=5.0)),
    )
    assert (by_dpi.dpi, by_dpi.scale_source.key) == (600.0, "artwork.scale_source.dpi_given")
    assert by_width.scale_source.key == "artwork.scale_source.width_given"
    assert by_width.width_mm == pytest.approx(5.0)


@pytest.mark.parametrize("stated", [None, 1.0, 72.0, 96.0, 99.0, 20_000.0])
def test_unbelievable_resolution_refused(tmp_path: Path, stated: float | None) -> None:
    """A missing or absurd resolution is refused; the message has the value and the limits."""
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(small(), "PNG", stated))
    error = refused(path)
    assert error.field == "dpi"
    values = {} if stated is None else {"dpi": stated, "low_dpi": 100.0, "high_dpi": 9600.0}
    assert error.message.key == f"artwork.raster.{'stated_dpi' if values else 'no_scale'}"
    assert error.message.values == pytest.approx(values, rel=1e-4)
    assert measure_file(path, MeasureOptions(dpi=600.0)).dpi == 600.0


def test_oblong_pixels_refused(tmp_path: Path) -> None:
    """Pixels that are not square are refused."""
    path = tmp_path / "fax.tif"
    small().save(path, "TIFF", dpi=(204, 196))
    message = refused(path).message
    assert message.key == "artwork.raster.not_square"
    assert message.values == {"x_dpi": 204.0, "y_dpi": 196.0}


def test_absurd_width_refused(tmp_path: Path) -> None:
    """A width that makes absurd pixels is refused."""
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(small(), "PNG", None))
    assert refused(path, width_mm=900.0).field == "width_mm"


def test_pages_of_a_tiff(tmp_path: Path) -> None:
    path = tmp_path / "a.tif"
    other = Image.new("L", (SMALL_PX, SMALL_PX), 255)
    other.paste(0, (10, 10, 60, 60))
    small().save(path, "TIFF", dpi=(600, 600), save_all=True, append_images=[other])
    second = measure_file(path, MeasureOptions(page=2))
    assert second.area_mm2 == pytest.approx((50 * 25.4 / 600) ** 2)
    assert second.page == 2
    assert second.warnings == (Message("artwork.file.one_page_of", {"page": 2, "pages": 2}),)
    error = refused(path, page=3)
    assert (error.field, error.limit) == ("page", "1-2")
    assert error.message == Message("artwork.file.no_page", {"page": 3, "count": 2})


def png_header(width: int, height: int) -> bytes:
    def chunk(kind: bytes, data: bytes) -> bytes:
        return (
            struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))
        )

    head = chunk(b"IHDR", struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0))
    return (
        b"\x89PNG\r\n\x1a\n"
        + head
        + chunk(b"pHYs", struct.pack(">IIB", 23622, 23622, 1))
        + chunk(b"IDAT", zlib.compress(b"\0" * 99))
    )


@pytest.mark.parametrize(("width", "height"), [(50_000, 50_000), (2_000_000, 81), (13_000, 12_400)])
def test_too_many_pixels_refused(tmp_path: Path, width: int, height: int) -> None:
    """More pixels than the limit are refused from the header."""
    path = tmp_path / "bomb.png"
    path.write_bytes(png_header(width, height))
    error = refused(path)
    assert error.message.key == "artwork.raster.too_many_pixels"
    assert (error.message.values["width_px"], error.message.values["height_px"]) == (width, height)
    assert error.limit == f"{limits.MAX_PIXELS} px"


@pytest.mark.parametrize(
    ("mode", "limit"), [("RGB", limits.MAX_COLOUR_PIXELS), ("I;16", limits.MAX_WORD_PIXELS)]
)
def test_limits_by_pixel_size(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, mode: str, limit: int
) -> None:
    """What takes more memory has a lower limit."""
    name = "MAX_COLOUR_PIXELS" if mode == "RGB" else "MAX_WORD_PIXELS"
    assert limit < limits.MAX_PIXELS
    monkeypatch.setattr(limits, name, 10_000)
    path = tmp_path / "a.png"
    make = KINDS["RGB PNG" if mode == "RGB" else "16-bit PNG"][0]
    path.write_bytes(file_bytes(make(), "PNG", 600))
    error = refused(path)
    assert error.limit == "10000 px"
    assert error.message.key == (
        f"artwork.raster.{'colour' if mode == 'RGB' else 'words'}_too_large"
    )


def test_colour_jpeg_decoded_to_grey(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Colour JPEG is decoded to grey at once."""
    monkeypatch.setattr(limits, "MAX_COLOUR_PIXELS", 10_000)
    path = tmp_path / "a.jpg"
    path.write_bytes(file_bytes(small().convert("RGB"), "JPEG", 600))
    assert load_raster(path, "JPEG", MeasureOptions()).width_px == SMALL_PX


def test_messages_hold_no_path(tmp_path: Path) -> None:
    """The imaging library's message holds the whole path; the refusal names the file alone."""
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(small(), "PNG", 600)[:8] + bytes(99))
    message = refused(path).message
    assert message.key == "artwork.raster.damaged"
    assert "a.png" in str(message.values["error"])
    assert str(tmp_path) not in str(message)


@pytest.mark.parametrize("kind", ["grey PNG", "LZW TIFF", "grey JPEG"])
def test_files_cut_short_are_refused(tmp_path: Path, kind: str) -> None:
    make, file_format, options = KINDS[kind]
    whole = file_bytes(make(), file_format, 600, **options)
    path = tmp_path / "artwork"
    for length in (20, 100, len(whole) // 2, len(whole) - 30):
        path.write_bytes(whole[:length])
        assert refused(path).field in ("file", "dpi"), length


def test_damaged_fax_refused(tmp_path: Path) -> None:
    """The fax decoder reports broken lines on standard error only, and hands out what it made of
    them.
    """
    path = tmp_path / "a.tif"
    whole = bytearray(
        file_bytes(
            small().point(lambda v: 255 * (v > 127)).convert("1"), "TIFF", 600, compression="group4"
        )
    )
    whole[17] ^= 128
    path.write_bytes(whole)
    with Image.open(path) as image:
        image.load()
    message = refused(path).message
    assert message.key == "artwork.raster.damaged"
    assert "Bad code word" in str(message.values["error"]), "the imaging library alone took it"


@pytest.mark.parametrize(
    ("content", "key"),
    [
        (b"", "empty"),
        (b"GIF89a" + b"\0" * 50, "unknown_kind"),
        (b"\x1f\x8b\x08" + b"\0" * 50, "compressed"),
        (b"hello world", "unknown_kind"),
    ],
)
def test_other_contents_refused(tmp_path: Path, content: bytes, key: str) -> None:
    """Other files are refused by their content."""
    path = tmp_path / "artwork.png"
    path.write_bytes(content)
    assert refused(path).message == Message(f"artwork.file.{key}", {"name": "artwork.png"})


def test_the_name_does_not_count(tmp_path: Path) -> None:
    path = tmp_path / "artwork.pdf"
    path.write_bytes(file_bytes(small(), "TIFF", 600))
    assert sniff(path) == "TIFF"
    assert refused(tmp_path / "nothing.png").message == Message(
        "artwork.file.unreadable",
        {"name": "nothing.png", "reason": "No such file or directory"},
    )


def test_noisy_scan_on_grey_paper(tmp_path: Path) -> None:
    """Paper at grey 230, ink at 40, noise of 4 levels: half coverage lies at 135."""
    rng = np.random.default_rng(1)
    clean = np.asarray(grey_image(box(2, 2, 6, 7), 600)).astype(float)
    scan = np.clip(np.rint(40 + clean / 255 * 190 + rng.normal(0, 4, clean.shape)), 0, 255).astype(
        np.uint8
    )
    path = tmp_path / "scan.png"
    path.write_bytes(file_bytes(Image.fromarray(scan), "PNG", 600))
    found = measure_file(path, MeasureOptions())
    assert found.quality == "noisy"
    assert found.threshold_level == pytest.approx(135, abs=2)
    assert found.area_mm2 == pytest.approx(20.0, rel=3e-3)
    assert found.edge_mm == pytest.approx(18.0, rel=1e-2)


def test_edge_along_the_grid(tmp_path: Path) -> None:
    """Its pixels run through all the levels next to black and white, as noise does."""
    shape = dict(families(np.random.default_rng(0)))["bar 6 x 1 mm"]
    path = save(tmp_path / "a.png", shape, 300)
    found = measure_file(path, MeasureOptions())
    assert found.quality == "grey"
    assert found.area_mm2 == pytest.approx(6.0, rel=3e-4)


def test_large_file_refused_unread(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """A file larger than the limit is refused unread."""
    path = tmp_path / "a.png"
    path.write_bytes(file_bytes(small(), "PNG", 600))
    monkeypatch.setattr(limits, "MAX_FILE_BYTES", 100)
    assert refused(path).message.key == "artwork.file.too_large"
