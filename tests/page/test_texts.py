"""Where the page's texts are: all in the catalogue, none in the scripts."""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path

import pytest

from api.http.page_files import INDEX, PAGE_DIRECTORY, page_texts
from tests.proofs.mutants_page import tokens_of

SCRIPTS = sorted((PAGE_DIRECTORY / "js").rglob("*.js"))
STYLES = sorted((PAGE_DIRECTORY / "css").glob("*.css"))

TWO_WORDS = re.compile(r"(?<![\w-])[A-Za-z][a-z\u2019']+,? [A-Za-z][a-z]+")
CLASSES = set(re.findall(r"\.([a-z][\w-]*)", "".join(path.read_text() for path in STYLES)))
CLASSES.add("screen")

NO_TEXTS = {'"16px Hyperlegible, system-ui, sans-serif"', '"1rem Hyperlegible"'}
"""Names of fonts."""

LITERAL = re.compile(r'\btext\(\s*"([\w.-]+)"(?:,\s*\{([^{}]*)\})?')
QUOTED = re.compile(r'"([\w.-]+)"')
NAME = re.compile(r"[A-Za-z_]\w*")
TEMPLATE = re.compile(r"`([\w.-]*\$\{[\w.${}-]*)`")
BELOW = re.compile(r'textsBelow\("([\w.]+)"\)')


def code_of(path: Path) -> str:
    return path.read_text(encoding="utf-8")


def is_class_list(literal: str) -> bool:
    words = re.findall(r"[\w-]+", literal.strip("\"'`").replace("${", ""))
    return all(word in CLASSES or word.startswith("screen-") or word[-1] == "-" for word in words)


@pytest.mark.parametrize("path", SCRIPTS, ids=[path.stem for path in SCRIPTS])
def test_no_sentence_in_scripts(path: Path) -> None:
    """A literal of two words or more is a text for people, and belongs into the catalogue."""
    literals = [token.text for token in tokens_of(code_of(path)) if token.kind == "text"]
    found = [it for it in literals if TWO_WORDS.search(it) and it not in NO_TEXTS]
    assert [it for it in found if not is_class_list(it)] == []


def test_no_text_in_index() -> None:
    """The index names its texts; it holds none."""
    source = (PAGE_DIRECTORY / INDEX).read_text(encoding="utf-8")
    visible = re.sub(r"<head>.*?</head>|<[^>]*>|\{\{[\w.-]+\}\}", "", source, flags=re.S)
    assert visible.split() == []
    labels = re.findall(r'(?:aria-label|title|placeholder|alt|data-word)="([^"]*)"', source)
    assert labels
    assert all(re.fullmatch(r"\{\{[\w.-]+\}\}", it) for it in labels)
    keys = re.findall(r"\{\{([\w.-]+)\}\}", source)
    assert set(keys) <= set(page_texts())


def literal_keys() -> Iterator[tuple[str, str, set[str]]]:
    """Yield the file, the key and the names of the values where a script names a text."""
    for path in SCRIPTS:
        for key, values in LITERAL.findall(code_of(path)):
            yield path.stem, key, set(re.findall(r"(?:^|,)\s*(\w+)(?=\s*[:,]|\s*$)", values))


def known(key: str) -> list[str]:
    """Return the texts of a key: one, or those for one and for many."""
    texts = page_texts()
    return [texts[it] for it in (key, f"{key}.one", f"{key}.many") if it in texts]


def test_every_named_text_exists() -> None:
    """A script names no text that is missing."""
    named = [(file, key) for file, key, _ in literal_keys()]
    assert len(named) > 150
    assert [it for it in named if not known(it[1])] == []


def test_every_value_is_given() -> None:
    """A text names no value that its script does not give."""
    lacking = []
    for file, key, given in literal_keys():
        source = code_of(next(path for path in SCRIPTS if path.stem == file))
        is_spread = re.search(rf'"{re.escape(key)}", (?:\{{[^{{}}]*\.\.\.|\w)', source) is not None
        wanted = {name for it in known(key) for name in re.findall(r"\{(\w+)\}", it)}
        if not is_spread and wanted - given:
            lacking.append((file, key, wanted - given))
    assert lacking == []


def keys_of(path: Path, quoted: set[str]) -> set[str]:
    """Return the keys that a script may ask for: those in quotes and those of its templates."""
    source = code_of(path)
    words = quoted | set(NAME.findall(source))
    below = tuple(f"{it}." for it in BELOW.findall(source))
    found = {it for it in page_texts() if it.startswith(below)} | set(QUOTED.findall(source))
    for template in TEMPLATE.findall(source):
        parts = re.split(r"\$\{[^}]*\}", template)
        pattern = re.compile(r"([\w.-]+)".join(re.escape(part) for part in parts))
        for key in {re.sub(r"\.(one|many)$", "", it) for it in page_texts()}:
            match = pattern.fullmatch(key)
            if match is not None and all(known_word(it, words) for it in match.groups()):
                found.add(key)
    return found


def known_word(word: str, words: set[str]) -> bool:
    """Return whether a script holds a part of a key: as it is, or built from a room and a name."""
    stem = word.removesuffix("_hint")
    room, _, name = stem.rpartition(".")
    return stem in words or (name in words and f"prepare.{room}" in words)


def test_no_text_lies_idle() -> None:
    """Each text is named in the index or in a script, by its key or by a template of keys."""
    index = (PAGE_DIRECTORY / INDEX).read_text(encoding="utf-8")
    quoted = {it for path in SCRIPTS for it in QUOTED.findall(code_of(path))}
    used = set(re.findall(r"\{\{([\w.-]+)\}\}", index))
    used |= {key for path in SCRIPTS for key in keys_of(path, quoted)}
    bare = {key: re.sub(r"\.(one|many)$", "", key) for key in page_texts()}
    assert [key for key in page_texts() if bare[key] not in used] == []


def test_lines_are_short() -> None:
    """Scripts, styles and the index keep to 100 characters; an address cannot be broken."""
    files = [*SCRIPTS, *STYLES, PAGE_DIRECTORY / INDEX]
    lines = [(path.name, line) for path in files for line in path.read_text().splitlines()]
    assert [it for it in lines if len(it[1]) > 100 and "url(" not in it[1]] == []
