"""Five artworks with resist lines whose places are known, on a sheet of 10 x 10 mm."""

from __future__ import annotations

from dataclasses import dataclass

from shapely.geometry import LineString, Point, box
from shapely.geometry.base import BaseGeometry
from shapely.ops import unary_union


@dataclass(frozen=True)
class Artwork:
    """An artwork.

    :param drawn: what is etched, in mm.
    :param lines: middles of its narrow resist lines, and their widths in mm.
    """

    name: str
    drawn: BaseGeometry
    lines: tuple[tuple[LineString, float], ...]


_LETTERS = {
    "E": (((0, 2), (0, 0), (1.2, 0)), ((0, 1), (1, 1)), ((0, 2), (1.2, 2))),
    "T": (((0, 0), (1.2, 0)), ((0.6, 0), (0.6, 2))),
    "C": (((1.2, 0.3), (0.9, 0), (0.3, 0), (0, 0.3), (0, 1.7), (0.3, 2), (0.9, 2), (1.2, 1.7)),),
    "H": (((0, 0), (0, 2)), ((1.2, 0), (1.2, 2)), ((0, 1), (1.2, 1))),
    "A": (((0, 2), (0.6, 0), (1.2, 2)), ((0.25, 1.3), (0.95, 1.3))),
    "N": (((0, 2), (0, 0), (1.2, 2), (1.2, 0)),),
}


def lettering() -> Artwork:
    """Raised letters with strokes of 0.2 to 0.4 mm on an etched ground."""
    strokes = []
    for row, (words, width) in enumerate((("TEA", 0.2), ("ETCH", 0.3), ("THEN", 0.4))):
        for column, letter in enumerate(words):
            for stroke in _LETTERS[letter]:
                middle = LineString(
                    [(1.4 + 1.95 * column + x, 1.4 + 2.7 * row + y) for x, y in stroke]
                )
                strokes.append((middle, width))
    raised = unary_union([middle.buffer(width / 2.0) for middle, width in strokes])
    return Artwork("lettering", box(0.6, 0.6, 9.4, 9.4).difference(raised), tuple(strokes))


def comb() -> Artwork:
    """Resist lines of 0.25 mm between openings that get narrower."""
    x, openings, lines = 1.0, [], []
    for gap in (1.0, 0.8, 0.8, 0.6, 0.6, 0.5, 0.4, 0.35, 0.3, 0.25, 0.25):
        openings.append(box(x, 1, x + gap, 9))
        lines.append((LineString([(x + gap + 0.125, 1.3), (x + gap + 0.125, 8.7)]), 0.25))
        x += gap + 0.25
    return Artwork("comb of lines", unary_union(openings), tuple(lines[:-1]))


def hairlines() -> Artwork:
    """Raised hairlines of 0.1 to 0.35 mm over a wide field, two of them at an angle."""
    lines = [
        (LineString([(1 + k * 1.1, 1.0), (1 + k * 1.1, 6.0)]), 0.1 + 0.05 * (k - 1))
        for k in range(1, 6)
    ]
    lines += [
        (LineString([(1.0, 6.6), (9.0, 7.4)]), 0.2),
        (LineString([(1.0, 7.6), (9.0, 8.2)]), 0.35),
    ]
    raised = unary_union([line.buffer(width / 2.0) for line, width in lines])
    shorter = tuple((_shortened(line), width) for line, width in lines)
    return Artwork("wide field, hairlines", box(1, 1, 9, 9).difference(raised), shorter)


def dots() -> Artwork:
    """Etched dots of 0.3 to 1.2 mm close together: what is between them is narrow resist."""
    radii = (0.15, 0.2, 0.25, 0.35, 0.5, 0.6)
    shapes, lines, x = [], [], 1.2
    for radius in radii:
        pitch = 2.0 * radius + 0.3
        count = int(7.0 / pitch)
        for k in range(count):
            shapes.append(Point(x + radius, 1.4 + radius + k * pitch).buffer(radius, 128))
            if k > 0:
                y = 1.4 + radius + (k - 0.5) * pitch
                lines.append((LineString([(x + radius - 0.02, y), (x + radius + 0.02, y)]), 0.3))
        x += 2.0 * radius + 0.5
    return Artwork("dots", unary_union(shapes), tuple(lines))


def rings() -> Artwork:
    """Concentric raised rings of 0.2 to 0.4 mm."""
    field = Point(5, 5).buffer(4.2, 256)
    raised, lines = [], []
    for radius, width in ((0.9, 0.2), (1.6, 0.25), (2.3, 0.3), (3.0, 0.35), (3.7, 0.4)):
        middle = Point(5, 5).buffer(radius, 256).exterior
        raised.append(middle.buffer(width / 2.0, 64))
        lines.append((LineString(middle.coords), width))
    return Artwork("concentric rings", field.difference(unary_union(raised)), tuple(lines))


def _shortened(line: LineString) -> LineString:
    """Return a line without the last 0.4 mm at each end, where the field's edge is near."""
    return LineString([line.interpolate(0.4), line.interpolate(line.length - 0.4)])


ARTWORKS = (lettering, comb, hairlines, dots, rings)
