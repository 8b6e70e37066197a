"""The search for dead code finds some. ``make lint`` runs it over the program."""

from __future__ import annotations

from pathlib import Path

from tests.house.dead_code import dead_code

SOURCE = """
class Value:
    depth_mm: float

    def unused(self) -> float:
        return self.width_mm

    def used(self) -> None:
        unused_too = 1


def run() -> None:
    Value().used()


run()
"""


def test_dead_code_found(tmp_path: Path) -> None:
    """A method that nobody calls is reported; a field is not."""
    for room in ("controller", "hardware", "api"):
        (tmp_path / room).mkdir()
    (tmp_path / "controller" / "value.py").write_text(SOURCE, encoding="utf-8")
    assert [item.name for item in dead_code(tmp_path)] == ["unused", "unused_too"]
