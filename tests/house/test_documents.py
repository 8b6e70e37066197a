"""What the pages for people promise: paths, links, make targets, commands and tables that exist."""

from __future__ import annotations

import importlib.util
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import click
import pytest

from api.cli.command_line import main
from api.http import problem_kinds
from hardware.rehearsal.faults.by_name import FAULTS
from tests.kits.api_client import Daemon, ask
from tests.paths import ROOT
from tests.proofs.campaign.rows import rows

PAGES = (
    "README.md",
    "DEVELOPERS.md",
    "api/README.md",
    "controller/README.md",
    "hardware/README.md",
    "systemd/CHANGES.md",
    "systemd/README.md",
    "systemd/wiring.md",
    "tests/README.md",
)
LONGEST_PAGE = 150
LONGEST_LINE = 100
SUFFIXES = ("csv", "js", "md", "py", "service", "sh", "toml")
PATH = re.compile(rf"[\w.-]+(/[\w.-]+)+/?|[\w-]+/|[\w-]+\.({'|'.join(SUFFIXES)})")


def read(page: str) -> str:
    return (ROOT / page).read_text(encoding="utf-8")


def without_demo(page: str) -> str:
    """Return a page without the demonstration's output, which the program itself words."""
    return re.sub(r"<!-- demo output -->.*?<!-- /demo output -->", "", read(page), flags=re.DOTALL)


def between(page: str, name: str) -> str:
    """Return what is between two markers, each of which must be there once."""
    begin, end = f"<!-- {name} -->", f"<!-- /{name} -->"
    text = read(page)
    assert (text.count(begin), text.count(end)) == (1, 1)
    return text[text.index(begin) + len(begin) : text.index(end)]


def cells(table: str) -> list[list[str]]:
    """Return the rows of a Markdown table below its head."""
    lines = [line for line in table.splitlines() if line.startswith("|")]
    return [[cell.strip() for cell in line.split("|")[1:-1]] for line in lines[2:]]


def spans(text: str) -> list[str]:
    """Return the inline code of a text, each on one line."""
    return [" ".join(span.split()) for span in re.findall(r"(?<!`)`([^`]+)`(?!`)", text)]


def code_of(page: str) -> Iterator[str]:
    """Yield inline code and the lines of code blocks, without their comments."""
    text = without_demo(page)
    fenced = "\n".join(re.findall(r"```\n(.*?)```", text, flags=re.DOTALL))
    yield from spans(re.sub(r"```\n.*?```", "", text, flags=re.DOTALL))
    indented = [line[4:] for line in text.splitlines() if line.startswith("    ")]
    for line in [*fenced.splitlines(), *indented]:
        yield line.partition(" #")[0].strip()


def paths_of(page: str) -> list[str]:
    """Return what a page names as files and folders of the project."""
    found = [span for span in spans(without_demo(page)) if PATH.fullmatch(span)]
    return [path for path in found if not path.startswith("out/")]


def slug(heading: str) -> str:
    """Return the anchor that Markdown viewers give a heading."""
    return re.sub(r"[^\w -]", "", heading.strip().lower()).replace(" ", "-")


# --- size ---------------------------------------------------------------------------------------


def test_developers_page_is_short() -> None:
    assert len(read("DEVELOPERS.md").splitlines()) <= LONGEST_PAGE


@pytest.mark.parametrize("page", PAGES)
def test_lines_are_short(page: str) -> None:
    """Tables and the wiring diagram may be wider: Markdown cannot break them."""
    lines = without_demo(page).splitlines()
    prose = [line for line in lines if not line.startswith(("|", " " * 6))]
    assert [line for line in prose if len(line) > LONGEST_LINE] == []


# --- paths and links ----------------------------------------------------------------------------


@pytest.mark.parametrize("page", PAGES)
def test_paths_exist(page: str) -> None:
    here = (ROOT / page).parent
    missing = [p for p in paths_of(page) if not ((ROOT / p).exists() or (here / p).exists())]
    assert missing == []


def test_paths_are_found() -> None:
    """The search for paths sees files, folders and bare names, and nothing else."""
    assert len(set(paths_of("DEVELOPERS.md"))) > 60
    assert "ports.py" in paths_of("controller/README.md")
    assert "tests/safety/" in paths_of("controller/README.md")
    assert "GPIO17" not in paths_of("systemd/README.md")


def test_map_follows_import_rules() -> None:
    """The map lists the controller's packages in the order in which they may import."""
    project = tomllib.loads(read("pyproject.toml"))["tool"]["importlinter"]["contracts"]
    layers = next(c["layers"] for c in project if c.get("containers") == ["controller"])
    table = read("DEVELOPERS.md").split("\n## Map of the house\n")[1].split("\n## ")[0]
    paths = [row[0].strip("`") for row in cells(table)]
    mapped = [Path(p).stem for p in paths if p.startswith("controller/")]
    assert mapped == [layer for layer in layers if layer in mapped]
    packages = {p.parent.name for p in (ROOT / "controller").glob("*/__init__.py")}
    assert packages <= set(mapped)


def test_every_rule_names_its_test() -> None:
    table = read("DEVELOPERS.md").split("\n## Rules, and the tests that hold them\n")[1]
    rules = cells(table.split("\n## ")[0])
    assert len(rules) >= 12
    for rule, held_by in rules:
        assert any(path.startswith("tests/") for path in spans(held_by)), rule


@pytest.mark.parametrize("page", PAGES)
def test_links_exist(page: str) -> None:
    for target in re.findall(r"\]\(([^)]+)\)", read(page)):
        if target.startswith("https://"):
            continue
        name, _, anchor = target.partition("#")
        file = (ROOT / page).parent / name if name else ROOT / page
        assert file.exists(), target
        if anchor:
            headings = re.findall(r"^#+ (.+)$", file.read_text(encoding="utf-8"), re.MULTILINE)
            assert anchor in [slug(heading) for heading in headings], target


# --- what people type ---------------------------------------------------------------------------


def targets() -> set[str]:
    """Return the targets of the Makefile that are meant for people."""
    phony = re.search(r"^\.PHONY: ((?:.+\\\n)*.+)$", read("Makefile"), re.MULTILINE)
    assert phony is not None
    names = phony[1].replace("\\\n", " ").split()
    return {name for name in names if not name.startswith("need-")}


def test_make_targets_exist() -> None:
    named = {
        match[1]
        for page in PAGES
        for code in code_of(page)
        if (match := re.match(r"make ([a-z-]+)", code))
    }
    assert named <= targets()


def test_developers_page_names_every_target() -> None:
    named = {code.split()[1] for code in code_of("DEVELOPERS.md") if code.startswith("make ")}
    assert named == targets()


def commands_of(page: str) -> Iterator[list[str]]:
    """Yield the words after ``biteclock``; ``a | b`` gives one command for each."""
    for code in code_of(page):
        words = code.removeprefix("sudo ").split()
        if len(words) < 2 or words[0] != "biteclock":
            continue
        first, *others = " ".join(words[1:]).split(" | ")
        yield first.split()
        for other in others:
            yield [first.split()[0], *other.split()]


def unknown(words: list[str]) -> list[str]:
    """Return the first word that is no command, or the options that the command does not have."""
    command: Any = main
    words = list(words)
    while isinstance(command, click.Group) and words:
        found = command.get_command(click.Context(command), words[0])
        if found is None:
            return words[:1]
        command, words = found, words[1:]
    known = {option for parameter in command.params for option in parameter.opts} | {"--help"}
    return [word for word in words if word.startswith("--") and word not in known]


@pytest.mark.parametrize("page", PAGES)
def test_commands_exist(page: str) -> None:
    assert [words for words in commands_of(page) if unknown(words)] == []


def test_commands_are_found() -> None:
    """The search sees each command of the README, and an unknown command or option."""
    named = {words[0] for words in commands_of("README.md")}
    assert {"measure", "plan", "rehearse", "serve", "check", "count", "runs", "off"} <= named
    assert ["runs", "export", "ID"] in list(commands_of("README.md"))
    assert unknown(["etch"]) == ["etch"]
    assert unknown(["runs", "burn"]) == ["burn"]
    assert unknown(["plan", "--depth-mm", "0.25", "--deep"]) == ["--deep"]


@pytest.mark.parametrize("page", PAGES)
def test_modules_exist(page: str) -> None:
    for code in code_of(page):
        for module in re.findall(r"python -m ([\w.]+)", code):
            assert importlib.util.find_spec(module) is not None, module


# --- tables that repeat what the code says ------------------------------------------------------


def test_api_paths_exist(tmp_path: Path) -> None:
    """The pages name no address that the API does not have."""
    document = ask(Daemon(tmp_path).app, "GET", "/api/openapi.json").json()
    named = {
        path
        for page in PAGES
        for code in code_of(page)
        for path in re.findall(r"/api/[\w./-]+", code)
    }
    assert named - {"/api/openapi.json"} <= set(document["paths"])
    assert "/api/events" in named


def test_problem_table_is_complete() -> None:
    kinds = [k for k in vars(problem_kinds).values() if isinstance(k, problem_kinds.Kind)]
    table = {
        name: int(row[1])
        for row in cells(between("api/README.md", "problems"))
        for name in row[0].split(", ")
    }
    assert table == {kind.slug: kind.status for kind in kinds}


def test_rehearsal_faults_are_listed() -> None:
    """Each fault of the model has its line, and a row in the controller's table of faults."""
    listed = [row[0] for row in cells(between("hardware/README.md", "rehearsal faults"))]
    assert sorted(listed) == sorted(FAULTS)
    for name in listed:
        assert rows(name)


@pytest.mark.parametrize("page", ["systemd/README.md", "api/README.md"])
def test_page_listens_as_shipped(page: str) -> None:
    shipped = tomllib.loads(read("systemd/biteclock.toml"))["server"]["listen"]
    stated = re.findall(r'configuration says `listen = "([\w-]+)"`', " ".join(read(page).split()))
    assert stated == [shipped]


def test_changes_begin_with_this_version() -> None:
    version = tomllib.loads(read("pyproject.toml"))["project"]["version"]
    newest = re.search(r"^## ([\d.]+)", read("systemd/CHANGES.md"), re.MULTILINE)
    assert newest is not None
    assert newest[1] == version
