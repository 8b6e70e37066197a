"""The page's modules with their tests in one folder, as node and the browser load them."""

from __future__ import annotations

import shutil
from collections.abc import Mapping
from pathlib import Path

from api.http.page_files import PAGE_DIRECTORY, TEXTS_MODULE, page_texts, texts_module
from tests.paths import ROOT

MODULES = Path("api") / "page" / "js"
TESTS = Path("tests") / "page" / "js"
COPIED = (Path("api") / "package.json", MODULES, TESTS)

ACCENTED = str.maketrans("aceinouyACEINOUY", "àçéîñôûýÀÇÉÎÑÔÛÝ")


def copy_modules(target: Path) -> None:
    """Copy modules and tests into a folder and add the module of texts, which the server makes."""
    for name in COPIED:
        (target / name).parent.mkdir(parents=True, exist_ok=True)
        copy = shutil.copytree if (ROOT / name).is_dir() else shutil.copy
        copy(ROOT / name, target / name)
    made = target / "api" / "page" / TEXTS_MODULE
    made.write_text(texts_module(page_texts()), encoding="utf-8")


def module_source(address: str) -> str | None:
    """Return the source of a module by its address on the page, or None where there is none."""
    if address == TEXTS_MODULE:
        return texts_module(page_texts())
    path = PAGE_DIRECTORY / address
    return path.read_text(encoding="utf-8") if path.is_file() else None


def pseudo(texts: Mapping[str, str]) -> dict[str, str]:
    """Return the texts in an invented language: ⟦brackets⟧ and accents around the values."""
    return {key: f"⟦{_accented(it)}⟧" for key, it in texts.items()}


def _accented(sentence: str) -> str:
    parts = sentence.replace("{", "\0{").replace("}", "}\0").split("\0")
    return "".join(it if it.startswith("{") else it.translate(ACCENTED) for it in parts)
