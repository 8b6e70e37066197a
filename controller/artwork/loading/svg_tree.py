"""Counts what an SVG file draws once its references are followed, before a library follows them.

A few hundred bytes can draw thousands of millions of elements (each ``use`` draws a group that
uses another group), or nest them deeper than the renderer's stack reaches. Nothing here recurses.
"""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field

_MOST_COUNTED = 1_000_000_000
"""Counting ends here: the true number may have thousands of digits."""

_REFERENCE = re.compile(r"url\(\s*[\"']?#([^)\"'\s]+)")
_REPEATING = ("mask", "clip-path", "marker", "marker-start", "marker-mid", "marker-end")
"""Attributes whose target is drawn again for each element. A pattern or a filter is drawn deeper,
but not element by element."""
_DEEPENING = ("fill", "stroke", "filter", "style")


@dataclass(slots=True)
class _Part:
    """An element with an id and all in it, without the parts that have an id too.

    :ivar links: level inside the part, the id of another part, whether that is drawn once more.
    """

    count: int = 0
    deepest: int = 0
    links: list[tuple[int, str, bool]] = field(default_factory=list)


class SvgTree:
    """Takes the start and the end of each element."""

    def __init__(self) -> None:
        self._root = _Part()
        self._parts: dict[str, _Part] = {}
        self._open: list[tuple[_Part, int]] = [(self._root, 0)]

    def start(self, element: str, attributes: Mapping[str, str]) -> None:
        """Take an element.

        :param element: its name without a name space.
        :param attributes: by name; a name space stands before it, with a space between.
        """
        part, level = self._open[-1]
        level += 1
        part.count += 1
        part.deepest = max(part.deepest, level)
        part.links += [(level, *link) for link in _links(element, attributes)]
        name = attributes.get("id")
        if name is None or name in self._parts:
            self._open.append((part, level))
            return
        part.links.append((level, name, True))
        self._parts[name] = _Part()
        self._open.append((self._parts[name], 0))

    def end(self) -> None:
        """Take the end of an element."""
        self._open.pop()

    def drawn(self) -> tuple[int, int]:
        """Return how many elements are drawn at most, and how deep they lie.

        A part inside itself counts once there: the renderer refuses it.
        """
        known: dict[int, tuple[int, int]] = {}
        waiting = [self._root]
        entered: set[int] = set()
        while waiting:
            part = waiting[-1]
            if id(part) in entered:
                known[id(part)] = self._sum(part, known)
                waiting.pop()
                continue
            entered.add(id(part))
            waiting += [
                target
                for _, name, _ in part.links
                if (target := self._parts.get(name)) is not None and id(target) not in entered
            ]
        return known[id(self._root)]

    def _sum(self, part: _Part, known: Mapping[int, tuple[int, int]]) -> tuple[int, int]:
        count, deepest = part.count, part.deepest
        for level, name, is_drawn in part.links:
            more, deeper = known.get(id(self._parts.get(name)), (0, 0))
            count += more if is_drawn else 0
            deepest = max(deepest, level + deeper)
        return min(count, _MOST_COUNTED), min(deepest, _MOST_COUNTED)


def _links(element: str, attributes: Mapping[str, str]) -> Iterator[tuple[str, bool]]:
    """Yield the targets of an element's references, and whether it draws them once more."""
    if element == "use":
        for name, value in attributes.items():
            if name.rpartition(" ")[2] == "href" and value.strip().startswith("#"):
                yield value.strip()[1:], True
    for name in (*_REPEATING, *_DEEPENING):
        for found in _REFERENCE.findall(attributes.get(name, "")):
            yield found, name in _REPEATING
