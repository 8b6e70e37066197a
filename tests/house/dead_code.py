"""Looks for code that nothing uses. ``python -m tests.house.dead_code`` is a part of ``make lint``.

Vulture finds it; [tool.vulture] in pyproject.toml has the allow-list. Fields of values are left
out: they are read by their names (``asdict``, ``model_fields``), which vulture cannot see.
"""

from __future__ import annotations

import ast
import sys
import tomllib
from collections.abc import Iterator
from pathlib import Path

from vulture.core import Item, Vulture

from tests.paths import ROOT


def fields_of(path: Path) -> Iterator[tuple[str, int]]:
    """Yield name and line of each annotated name in a class body."""
    for node in ast.walk(ast.parse(path.read_text(encoding="utf-8"))):
        for it in node.body if isinstance(node, ast.ClassDef) else ():
            if isinstance(it, ast.AnnAssign) and isinstance(it.target, ast.Name):
                yield it.target.id, it.lineno


def dead_code(root: Path) -> list[Item]:
    """Return what nothing uses in the paths that pyproject.toml names, below ``root``."""
    settings = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))
    settings = settings["tool"]["vulture"]
    search = Vulture(
        ignore_names=settings["ignore_names"], ignore_decorators=settings["ignore_decorators"]
    )
    search.scavenge([str(root / path) for path in settings["paths"]])
    found = search.get_unused_code(min_confidence=settings["min_confidence"])
    fields: dict[Path, set[tuple[str, int]]] = {}
    for item in found:
        path = Path(item.filename)
        fields.setdefault(path, set(fields_of(path)))
    return [
        item for item in found if (item.name, item.first_lineno) not in fields[Path(item.filename)]
    ]


def main() -> int:
    """Print what nothing uses; return 1 when there is any."""
    found = dead_code(ROOT)
    for item in found:
        print(item.get_report())
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main())
