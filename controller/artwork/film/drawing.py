"""Writes a film as outlines: PDF and SVG."""

from __future__ import annotations

import zlib
from collections.abc import Iterator

import numpy as np

from controller.artwork.film.layout import Box, Layout
from controller.artwork.film.lettering import LETTER_PIXEL_MM, lettered
from controller.artwork.film.page import Page
from controller.artwork.film.rings import traced
from controller.artwork.outline.chain import Floats
from controller.units import MM_PER_INCH

_TOLERANCE_MM = 0.0004
"""Vertices this near to a straight line are left out; eight times over, 3 um in all at most."""

_UNIT_MM = 0.0005
"""Unit of the coordinates in a PDF, so that they are whole numbers."""

_POINTS_PER_MM = 72.0 / MM_PER_INCH
"""PDF units per mm. Source: ISO 32000-1, 8.3.2.3."""


def pdf(page: Page) -> bytes:
    """Return the film as a PDF of one page, black outlines at true size."""
    plan = page.layout
    body = [b"0 g"]
    for ring in _rings(page):
        ends = np.rint(np.c_[ring[:, 0], plan.height_mm - ring[:, 1]] / _UNIT_MM).astype(np.int64)
        steps = "\n".join(f"{x} {y} l" for x, y in ends[1:].tolist())
        body.append(f"{ends[0, 0]} {ends[0, 1]} m\n{steps}\nh".encode())
    body.append(b"f*")
    scale = f"{_UNIT_MM * _POINTS_PER_MM:.12f}"
    stream = zlib.compress(f"{scale} 0 0 {scale} 0 0 cm\n".encode() + b"\n".join(body), 6)
    box = f"[0 0 {plan.width_mm * _POINTS_PER_MM:.6f} {plan.height_mm * _POINTS_PER_MM:.6f}]"
    objects = (
        b"<</Type/Catalog/Pages 2 0 R/ViewerPreferences<</PrintScaling/None>>>>",
        b"<</Type/Pages/Kids[3 0 R]/Count 1>>",
        f"<</Type/Page/Parent 2 0 R/MediaBox{box}/Contents 4 0 R/Resources<<>>>>".encode(),
        f"<</Length {len(stream)}/Filter/FlateDecode>>stream\n".encode() + stream + b"\nendstream",
    )
    return _assembled(objects)


def _assembled(objects: tuple[bytes, ...]) -> bytes:
    """Return a PDF file of its objects, with the table of their places."""
    out = bytearray(b"%PDF-1.7\n%\xe2\xe3\xcf\xd3\n")
    places = []
    for number, content in enumerate(objects, 1):
        places.append(len(out))
        out += f"{number} 0 obj\n".encode() + content + b"\nendobj\n"
    table = len(out)
    out += f"xref\n0 {len(objects) + 1}\n0000000000 65535 f \n".encode()
    for place in places:
        out += f"{place:010d} 00000 n \n".encode()
    size = len(objects) + 1
    out += f"trailer<</Size {size}/Root 1 0 R>>\nstartxref\n{table}\n%%EOF\n".encode()
    return bytes(out)


def svg(page: Page) -> bytes:
    """Return the film as an SVG in mm, one black path."""
    plan = page.layout
    size = f"{plan.width_mm:.4f} {plan.height_mm:.4f}"
    paths = []
    for ring in _rings(page):
        ends = " ".join(f"{x:.4f},{y:.4f}" for x, y in ring.tolist())
        paths.append(f"M{ends}Z")
    outline = "\n".join(paths)
    return (
        f'<svg xmlns="http://www.w3.org/2000/svg" width="{plan.width_mm:.4f}mm" '
        f'height="{plan.height_mm:.4f}mm" viewBox="0 0 {size}">'
        f'<path fill="#000" fill-rule="evenodd" d="{outline}"/></svg>\n'
    ).encode()


def _rings(page: Page) -> Iterator[Floats]:
    """Yield the rings of everything black, by the even-odd rule, in mm of the printed film."""
    plan = page.layout
    for ring in _drawn(page, plan):
        if page.mirrored:
            ring[:, 0] = plan.width_mm - ring[:, 0]
        yield ring


def _drawn(page: Page, plan: Layout) -> Iterator[Floats]:
    px_mm = page.px_mm
    art = plan.artwork
    for ring in traced(page.picture, _TOLERANCE_MM / px_mm):
        x, y = page.x0_mm + ring[:, 0] * px_mm, page.y0_mm + ring[:, 1] * px_mm
        yield np.c_[
            np.clip(x, art.left_mm, art.left_mm + art.width_mm),
            np.clip(y, art.top_mm, art.top_mm + art.height_mm),
        ]
    boxes = plan.black if not page.negative else (*plan.black, *page.ground)
    for box in boxes:
        yield _box(box)
    for line in plan.words:
        for ring in traced(lettered(line.words), _TOLERANCE_MM / LETTER_PIXEL_MM):
            yield ring * LETTER_PIXEL_MM + (line.left_mm, line.top_mm)


def _box(box: Box) -> Floats:
    left, top = box.left_mm, box.top_mm
    right, bottom = left + box.width_mm, top + box.height_mm
    return np.array([(left, top), (right, top), (right, bottom), (left, bottom)])
