"""Checks an SVG file before it is drawn.

Reads its size and refuses everything that would run, fetch, or depend on this machine.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from xml.parsers import expat

from controller.artwork.loading.svg_tree import SvgTree
from controller.errors import RefusedError
from controller.texts import Message
from controller.units import MM_PER_INCH

_SVG = "http://www.w3.org/2000/svg"
_MOST_BYTES = 50_000_000
_MOST_ELEMENTS = 100_000
"""Most elements that are drawn, those that are used again counted again. Source: measured, 100,000
rectangles take 25 s of a desktop processor."""

_DEEPEST = 100
"""Deepest nesting, references followed. Source: measured, the renderer's stack ends between 240
and 400 levels on x86-64. Layers of layers in a drawing program are about ten levels deep."""

_MM_PER_UNIT = {
    "mm": 1.0,
    "cm": 10.0,
    "in": MM_PER_INCH,
    "pt": MM_PER_INCH / 72.0,
    "pc": MM_PER_INCH / 6.0,
    "q": 0.25,
}
"""Source: CSS Values and Units 4, section 6.2, absolute lengths. px is left out, because programs
disagree about it."""

_ACTIVE = {"script", "foreignobject", "iframe", "audio", "video", "handler", "listener"}
_TEXT = {"text", "tspan", "textpath", "tref", "flowroot"}


@dataclass(frozen=True)
class SvgFile:
    """A checked SVG text, cut at its root tag.

    :param attributes: of the root, without width and height.
    :param inside: everything between the root's tags.
    :param width, height: as written, or None.
    """

    attributes: dict[str, str]
    inside: str
    width: str | None
    height: str | None

    def size_mm(self, width_mm: float | None) -> tuple[float, float]:
        """Return width and height in mm. ``width_mm`` overrides the width in the file.

        Raises: RefusedError when the file has no physical size and none is given.
        """
        own = _length_mm(self.width), _length_mm(self.height)
        if width_mm is None:
            if own[0] is None or own[1] is None:
                raise RefusedError(
                    "artwork.svg.no_size",
                    field="width_mm",
                    width=self.width or Message("artwork.svg.not_given"),
                    height=self.height or Message("artwork.svg.not_given"),
                )
            return own[0], own[1]
        if own[0] is not None and own[1] is not None and own[0] > 0:
            return width_mm, width_mm * own[1] / own[0]
        box = self._box() or self.plain_size()
        if box is None or min(box) <= 0:
            raise RefusedError("artwork.svg.no_height", field="file")
        return width_mm, width_mm * box[1] / box[0]

    def _box(self) -> tuple[float, float] | None:
        numbers = [
            _number(text)
            for text in re.split(r"[\s,]+", self.attributes.get("viewBox", "").strip())
        ]
        if len(numbers) == 4 and numbers[2] is not None and numbers[3] is not None:
            return numbers[2], numbers[3]
        return None

    def plain_size(self) -> tuple[float, float] | None:
        """Return width and height when both are plain numbers or px, else None."""
        width, height = (
            _number((text or "").removesuffix("px")) for text in (self.width, self.height)
        )
        return None if width is None or height is None else (width, height)


def check_svg(data: bytes) -> SvgFile:
    """Return the file, checked.

    Raises: RefusedError for scripts, event handlers, references outside the file, entities, a
    DOCTYPE with declarations, damage, sizes beyond reason, and text, whose look depends on this
    machine's fonts.
    """
    if len(data) > _MOST_BYTES:
        raise RefusedError(
            "artwork.svg.too_large",
            field="file",
            size_mb=len(data) / 1e6,
            limit_mb=_MOST_BYTES / 1e6,
        )
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise RefusedError("artwork.svg.encoding", field="file") from error
    watch = _Watch()
    parser = expat.ParserCreate(encoding="utf-8", namespace_separator=" ")
    parser.ordered_attributes = False
    parser.StartDoctypeDeclHandler = watch.doctype
    parser.EntityDeclHandler = watch.entity
    parser.StartElementHandler = lambda name, attributes: watch.start(
        name, attributes, parser.CurrentByteIndex
    )
    parser.EndElementHandler = lambda name: watch.end(name, parser.CurrentByteIndex)
    parser.CharacterDataHandler = watch.text
    parser.ProcessingInstructionHandler = watch.instruction
    raw = text.encode("utf-8")
    try:
        parser.Parse(raw, True)
    except expat.ExpatError as error:
        raise RefusedError("artwork.svg.damaged", field="file", error=str(error)) from error
    return watch.result(raw)


class _Watch:
    """Takes the parser's events, refuses what is not drawn, and keeps the root tag."""

    def __init__(self) -> None:
        self._depth = self._count = 0
        self._root: dict[str, str] | None = None
        self._root_start = self._root_end = 0
        self._in_style = False
        self._tree = SvgTree()

    def doctype(self, _name: str, _system: object, _public: object, has_own_part: int) -> None:
        """Take a DOCTYPE that only names the format: nothing is fetched, and it is not drawn."""
        if has_own_part:
            self.entity()

    def entity(self, *_: object) -> None:
        raise RefusedError("artwork.svg.doctype", field="file")

    def instruction(self, target: str, _data: str) -> None:
        raise RefusedError("artwork.svg.instruction", field="file", target=target)

    def start(self, name: str, attributes: dict[str, str], place: int) -> None:
        self._count += 1
        self._depth += 1
        space, _, local = name.rpartition(" ")
        if self._root is None:
            if local != "svg" or space not in ("", _SVG):
                raise RefusedError("artwork.svg.root", field="file", element=local)
            self._root, self._root_start = attributes, place
        self._refuse_too_complex(self._count, self._depth)
        self._tree.start(local.lower(), attributes)
        self._in_style = local.lower() == "style"
        if local.lower() in _ACTIVE:
            raise RefusedError("artwork.svg.active", field="file", element=local)
        if local.lower() in _TEXT and space in ("", _SVG):
            raise RefusedError("artwork.svg.text", field="file")
        for key, value in attributes.items():
            _check_attribute(key.rpartition(" ")[2].lower(), value)

    def end(self, _name: str, place: int) -> None:
        self._depth -= 1
        self._tree.end()
        self._in_style = False
        if self._depth == 0:
            self._root_end = place

    def text(self, data: str) -> None:
        if self._in_style:
            _check_style(data)

    def result(self, raw: bytes) -> SvgFile:
        if self._root is None:
            raise RefusedError("artwork.svg.empty", field="file")
        self._refuse_too_complex(*self._tree.drawn())
        close = _tag_end(raw, self._root_start)
        inside = b"" if raw[close - 2 : close] == b"/>" else raw[close : self._root_end]
        tag = raw[self._root_start : close].decode("utf-8")
        spaces = {
            key: value
            for key, _, value in re.findall(r"(xmlns(?::[\w.-]+)?)\s*=\s*([\"'])(.*?)\2", tag, re.S)
        }
        plain = {key: value for key, value in self._root.items() if " " not in key}
        width, height = plain.pop("width", None), plain.pop("height", None)
        for name in ("x", "y"):
            plain.pop(name, None)
        return SvgFile({**spaces, **plain}, inside.decode("utf-8"), width, height)

    @staticmethod
    def _refuse_too_complex(elements: int, levels: int) -> None:
        if elements > _MOST_ELEMENTS:
            raise RefusedError(
                "artwork.svg.too_many_elements", field="file", limit_elements=_MOST_ELEMENTS
            )
        if levels > _DEEPEST:
            raise RefusedError("artwork.svg.too_deep", field="file", limit_levels=_DEEPEST)


def _tag_end(raw: bytes, start: int) -> int:
    """Return the place after the ``>`` that ends the tag, not counting quoted ones."""
    match = re.compile(rb"<(?:[^\"'>]|\"[^\"]*\"|'[^']*')*>").match(raw, start)
    if match is None:
        raise RefusedError("artwork.svg.root_damaged", field="file")
    return match.end()


def _check_attribute(name: str, value: str) -> None:
    plain = re.sub(r"[\s\x00-\x20]+", "", value).lower()
    if name.startswith("on"):
        raise RefusedError("artwork.svg.handler", field="file", attribute=name)
    if name in ("href", "src", "base") and not plain.startswith(
        ("#", "data:image/png;base64,", "data:image/jpeg;base64,")
    ):
        raise RefusedError("artwork.svg.reference", field="file", target=value[:60])
    if "javascript:" in plain:
        raise RefusedError("artwork.svg.script", field="file")
    if "url(" in plain or "@import" in plain:
        _check_style(value)


def _check_style(text: str) -> None:
    plain = re.sub(r"/\*.*?\*/|[\s\"']+", "", text, flags=re.S).lower()
    if (
        "@import" in plain
        or "\\" in plain
        or any(not rest.startswith("#") for rest in plain.split("url(")[1:])
    ):
        raise RefusedError("artwork.svg.style_reference", field="file")


def _length_mm(text: str | None) -> float | None:
    match = re.fullmatch(
        r"\s*\+?([0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?)\s*(mm|cm|in|pt|pc|q)\s*", text or "", re.I
    )
    return float(match.group(1)) * _MM_PER_UNIT[match.group(2).lower()] if match else None


def _number(text: str) -> float | None:
    match = re.fullmatch(r"\s*[-+]?[0-9]*\.?[0-9]+(?:[eE][-+]?[0-9]+)?\s*", text)
    return float(text) if match else None
