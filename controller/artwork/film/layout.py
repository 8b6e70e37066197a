"""Where everything lies on the film, in mm from its top left corner, before it is mirrored."""

from __future__ import annotations

import math
from dataclasses import dataclass

from controller.artwork.film.options import FilmOptions
from controller.texts import text

_MARGIN_MM = 10.0
"""Free film around the plate: room for crosses, ticks and a hand."""

_TICK_MM, _TICK_GAP_MM, _HAIR_MM = 4.0, 1.0, 0.1
_CROSS_MM, _CROSS_LINE_MM = 6.0, 0.15
_BAR_MM = 1.0
LETTER_MM = 2.6
_LINE_MM = 4.0
_LETTER_WIDTH = 0.62
"""Widest mean width of a letter over its height, to leave room for a line of words."""


@dataclass(frozen=True, slots=True)
class Box:
    """A rectangle."""

    left_mm: float
    top_mm: float
    width_mm: float
    height_mm: float


@dataclass(frozen=True, slots=True)
class Words:
    """A line of words: its left end and the top of its letters."""

    left_mm: float
    top_mm: float
    words: str


@dataclass(frozen=True, slots=True)
class Layout:
    """A film.

    :param artwork: what the artwork covers.
    :param plate: the artwork and its border.
    :param tab: beside the plate, or None.
    :param black: printed boxes beside the plate; none overlaps another.
    """

    width_mm: float
    height_mm: float
    artwork: Box
    plate: Box
    tab: Box | None
    black: tuple[Box, ...]
    words: tuple[Words, ...]


def layout(artwork_mm: tuple[float, float], options: FilmOptions) -> Layout:
    """Return the layout of a film for an artwork of this width and height."""
    border = options.border_mm
    plate_w, plate_h = (side + 2.0 * border for side in artwork_mm)
    if not options.with_marks:
        inner = Box(border, border, *artwork_mm)
        return Layout(plate_w, plate_h, inner, Box(0.0, 0.0, plate_w, plate_h), None, (), ())
    sides = dict.fromkeys(("top", "right", "bottom", "left"), _MARGIN_MM)
    if options.tab_edge is not None:
        sides[options.tab_edge] += options.tab_length_mm
    lines = _words(options)
    longest_mm = max(len(line) for line in lines) * _LETTER_WIDTH * LETTER_MM
    needed = max(options.scale_bar_mm, longest_mm) + 2.0 * _MARGIN_MM
    width = max(plate_w + sides["left"] + sides["right"], needed)
    left = sides["left"] + (width - plate_w - sides["left"] - sides["right"]) / 2.0
    plate = Box(left, sides["top"], plate_w, plate_h)
    tab = _tab(plate, options)
    foot = plate.top_mm + plate_h + sides["bottom"]
    bar = Box((width - options.scale_bar_mm) / 2.0, foot, options.scale_bar_mm, _BAR_MM)
    words = tuple(
        Words(_MARGIN_MM, foot + _BAR_MM + 1.5 + k * _LINE_MM, line) for k, line in enumerate(lines)
    )
    height = foot + _BAR_MM + 1.5 + len(lines) * _LINE_MM + 2.0
    black = (bar, *_crosses(width, foot), *_ticks(plate, tab))
    inner = Box(left + border, plate.top_mm + border, *artwork_mm)
    return Layout(width, height, inner, plate, tab, black, words)


def _words(options: FilmOptions) -> tuple[str, ...]:
    """Return the lines under the scale bar."""
    polarity = "negative" if options.negative else "positive"
    side = "print_side_down" if options.mirrored else "print_side_up"
    return (
        text("artwork.film.scale_bar", length_mm=options.scale_bar_mm),
        text(
            "artwork.film.made_for",
            depth_mm=options.depth_mm,
            etch_factor=options.etch_factor,
            undercut_mm=options.undercut_mm,
        ),
        f"{text(f'artwork.film.{polarity}')} {text(f'artwork.film.{side}')}",
    )


def _tab(plate: Box, options: FilmOptions) -> Box | None:
    wide, long = options.tab_width_mm, options.tab_length_mm
    middle_x = plate.left_mm + (plate.width_mm - wide) / 2.0
    middle_y = plate.top_mm + (plate.height_mm - wide) / 2.0
    if options.tab_edge is None:
        return None
    return {
        "top": Box(middle_x, plate.top_mm - long, wide, long),
        "bottom": Box(middle_x, plate.top_mm + plate.height_mm, wide, long),
        "left": Box(plate.left_mm - long, middle_y, long, wide),
        "right": Box(plate.left_mm + plate.width_mm, middle_y, long, wide),
    }[options.tab_edge]


def _crosses(width_mm: float, foot_mm: float) -> list[Box]:
    """Return crosses for registration, one in each corner, each as a bar and two halves."""
    half, line = _CROSS_MM / 2.0, _CROSS_LINE_MM
    boxes = []
    for x in (_MARGIN_MM / 2.0, width_mm - _MARGIN_MM / 2.0):
        for y in (_MARGIN_MM / 2.0, foot_mm - _MARGIN_MM / 2.0):
            boxes += [
                Box(x - half, y - line / 2.0, _CROSS_MM, line),
                Box(x - line / 2.0, y - half, line, half - line / 2.0),
                Box(x - line / 2.0, y + line / 2.0, line, half - line / 2.0),
            ]
    return boxes


def _ticks(plate: Box, tab: Box | None) -> list[Box]:
    """Return ticks in line with the plate's edges and the tab's, for cutting."""
    right, bottom = plate.left_mm + plate.width_mm, plate.top_mm + plate.height_mm
    out = _TICK_GAP_MM + _TICK_MM
    hair = _HAIR_MM
    boxes = []
    for x in (plate.left_mm, right):
        for y in (plate.top_mm - out, bottom + _TICK_GAP_MM):
            boxes.append(Box(x - hair / 2.0, y, hair, _TICK_MM))
    for y in (plate.top_mm, bottom):
        for x in (plate.left_mm - out, right + _TICK_GAP_MM):
            boxes.append(Box(x, y - hair / 2.0, _TICK_MM, hair))
    if tab is not None:
        boxes += _tab_ticks(plate, tab)
    return boxes


def _tab_ticks(plate: Box, tab: Box) -> list[Box]:
    """Return ticks at the two free corners of the tab, in line with its end."""
    hair, gap, long = _HAIR_MM, _TICK_GAP_MM, _TICK_MM
    is_upright = math.isclose(tab.left_mm + tab.width_mm / 2.0, plate.left_mm + plate.width_mm / 2)
    if is_upright:
        end = tab.top_mm if tab.top_mm < plate.top_mm else tab.top_mm + tab.height_mm
        right = tab.left_mm + tab.width_mm
        return [
            Box(x, end - hair / 2.0, long, hair) for x in (tab.left_mm - gap - long, right + gap)
        ]
    end = tab.left_mm if tab.left_mm < plate.left_mm else tab.left_mm + tab.width_mm
    bottom = tab.top_mm + tab.height_mm
    return [Box(end - hair / 2.0, y, hair, long) for y in (tab.top_mm - gap - long, bottom + gap)]
