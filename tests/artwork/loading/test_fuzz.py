"""Damaged files of every kind: a result or a refusal, and nothing else."""

from __future__ import annotations

import contextlib
import os
import random
from pathlib import Path

import pytest
from PIL import Image, ImageDraw

from controller.artwork.worker import EXIT_MEASURED, EXIT_REFUSED, answer, measuring
from controller.texts import Message
from tests.kits.artwork.files import pdf, svg
from tests.kits.artwork.shapes import file_bytes

ROUNDS = 60


def artwork() -> Image.Image:
    image = Image.new("L", (180, 140), 255)
    draw = ImageDraw.Draw(image)
    draw.ellipse((20, 20, 80, 80), fill=0)
    draw.line((10, 120, 170, 30), fill=0, width=5)
    return image


def bases() -> dict[str, bytes]:
    grey, bits = artwork(), artwork().convert("1")
    return {
        "png": file_bytes(grey, "PNG", 600),
        "png, 1 bit": file_bytes(bits, "PNG", 600),
        "png, clear": file_bytes(grey.convert("RGBA"), "PNG", 600),
        "tiff, lzw": file_bytes(grey, "TIFF", 600, compression="tiff_lzw"),
        "tiff, fax": file_bytes(bits, "TIFF", 600, compression="group4"),
        "tiff, plain": file_bytes(grey, "TIFF", 600),
        "jpeg": file_bytes(grey.convert("RGB"), "JPEG", 600),
        "pdf": pdf(["5 5 10 10 re 20 5 .5 20 re f 0 0 m 20 20 30 5 40 10 c f"], 30, 25),
        "svg": svg(
            '<rect x="2" y="2" width="5" height="3"/><path d="M1 1L9 2L4 6Z"/>',
            'width="12mm" height="8mm"',
            'viewBox="0 0 12 8"',
        ),
    }


def damaged(data: bytes, rng: random.Random) -> bytes:
    spoilt = bytearray(data)
    kind = rng.randrange(4)
    if kind == 0:
        return bytes(spoilt[: rng.randrange(len(spoilt))])
    if kind == 1:
        for _ in range(rng.randrange(1, 6)):
            spoilt[rng.randrange(len(spoilt))] ^= 1 << rng.randrange(8)
    elif kind == 2:
        for _ in range(rng.randrange(1, 6)):
            spoilt[rng.randrange(min(len(spoilt), 200))] = rng.randrange(256)
    else:
        place = rng.randrange(len(spoilt))
        spoilt[place : place + rng.randrange(1, 40)] = rng.randbytes(rng.randrange(40))
    return bytes(spoilt)


@pytest.mark.filterwarnings("ignore")
@pytest.mark.parametrize("kind", bases())
def test_damaged_files(tmp_path: Path, kind: str) -> None:
    """Damage gives a result or a refusal."""
    whole, rng, path = bases()[kind], random.Random(kind), tmp_path / "artwork"
    statuses = []
    for _ in range(ROUNDS):
        path.write_bytes(damaged(whole, rng))
        with Path(os.devnull).open("w") as nowhere, contextlib.redirect_stderr(nowhere):
            reply, status = answer(lambda: measuring({"options": {}}, path)(None))
        assert status in (EXIT_MEASURED, EXIT_REFUSED), reply
        if status == EXIT_REFUSED:
            message = Message.from_json(reply["refused"])
            assert message.key.startswith("artwork.")
            assert str(message) != message.key
        statuses.append(status)
    assert EXIT_REFUSED in statuses, "the damage is real"
