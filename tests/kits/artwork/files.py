"""PDF and SVG files written by hand, so that every feature in them is in plain sight."""

from __future__ import annotations

MM = 72.0 / 25.4
"""PDF units per mm. Source: ISO 32000-1, 8.3.2.3."""


def pdf(
    contents: list[str],
    width_mm: float,
    height_mm: float,
    page_entries: str = "",
    unit_mm: float = 1.0,
) -> bytes:
    """Return a PDF with one page per content stream; the streams draw in mm, y up."""
    out = bytearray(b"%PDF-1.7\n")
    places = []

    def add(body: str) -> None:
        places.append(len(out))
        out.extend(f"{len(places)} 0 obj\n{body}\nendobj\n".encode())

    kids = " ".join(f"{3 + 2 * k} 0 R" for k in range(len(contents)))
    add("<</Type/Catalog/Pages 2 0 R>>")
    add(f"<</Type/Pages/Kids[{kids}]/Count {len(contents)}>>")
    for k, content in enumerate(contents):
        stream = f"{MM * unit_mm:.9f} 0 0 {MM * unit_mm:.9f} 0 0 cm {content}"
        box = f"[0 0 {width_mm * MM:.6f} {height_mm * MM:.6f}]"
        add(
            f"<</Type/Page/Parent 2 0 R/MediaBox{box}{page_entries}/Contents {4 + 2 * k} 0 "
            f"R/Resources<<>>>>"
        )
        add(f"<</Length {len(stream)}>>stream\n{stream}\nendstream")
    table = len(out)
    out.extend(f"xref\n0 {len(places) + 1}\n0000000000 65535 f \n".encode())
    for place in places:
        out.extend(f"{place:010d} 00000 n \n".encode())
    out.extend(f"trailer<</Size {len(places) + 1}/Root 1 0 R>>\nstartxref\n{table}\n%%EOF".encode())
    return bytes(out)


def svg(
    inside: str,
    size: str = 'width="50mm" height="30mm"',
    box: str = 'viewBox="0 0 50 30"',
    more: str = "",
) -> bytes:
    """Return an SVG drawing in mm."""
    return f'<svg xmlns="http://www.w3.org/2000/svg" {size} {box} {more}>{inside}</svg>'.encode()


def crop_box(left_mm: float, bottom_mm: float, right_mm: float, top_mm: float) -> str:
    sides = " ".join(f"{side * MM:.6f}" for side in (left_mm, bottom_mm, right_mm, top_mm))
    return f"/CropBox[{sides}]"
