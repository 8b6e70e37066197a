"""Every text of the command line comes from the catalogue, and every text there is used."""

from __future__ import annotations

import json
import re
import subprocess
import sys
from pathlib import Path

import pytest
from shapely.geometry import box

from api.cli.command_line import COMMANDS
from controller.messages import RunState
from controller.physics.faraday import METALS
from controller.texts import Catalogue
from tests.kits.artwork.shapes import save
from tests.kits.cli_kit import PLATE
from tests.kits.logbook_kit import ManualLogbook, began, changed
from tests.paths import ROOT

SILVER = METALS["fine-silver"]
NAMES = (SILVER.title, "GPIOxx", "leaf pendant")

OF_CLICK = re.compile(r"Usage: .*|Try '.*' for help\.|Show (this message|the version) and exit\.")
"""Texts of click itself, which has its own translations."""

TWO_WORDS = re.compile(r"\b[A-Za-z]*[a-z][A-Za-z]*[ \t]+[A-Za-z]*[a-z][A-Za-z]*\b")
"""Words in capitals are the names of a command's values."""

KEYS = frozenset(Catalogue().part("command_line"))


def outside(shown: str) -> str:
    """Return what is outside all brackets."""
    shown = OF_CLICK.sub("", shown)
    for name in NAMES:
        shown = shown.replace(name, "")
    depth, kept = 0, []
    for letter in shown:
        depth += (letter == "⟦") - (letter == "⟧")
        kept.append(letter if depth == 0 and letter != "⟧" else "|")
    assert depth == 0, shown
    return "".join(kept)


@pytest.fixture(scope="module")
def calls(tmp_path_factory: pytest.TempPathFactory) -> list[list[str]]:
    """Help, normal output and refusals."""
    directory = tmp_path_factory.mktemp("texts")
    artwork = str(save(directory / "work.png", box(1.0, 2.0, 4.0, 8.0), 600))
    book = ManualLogbook(directory / "biteclock.sqlite")
    book.write(began("r1"), changed("r1", RunState.RUNNING), changed("r1", RunState.STOPPED, 5.0))
    book.logbook.finish()
    log = directory / "log.csv"
    log.write_text("time_s,current_a\n0,1\n1,1\n2,1\n9,1\n", encoding="utf-8")
    where = ["--state-directory", str(directory)]
    few = list(PLATE[:4])
    lost = ["--depth-mm", "0.2", "--etch-factor", "0.1"]
    helps = [[name, "--help"] for name in COMMANDS]
    helps += [["--help"], *(["runs", name, "--help"] for name in ("list", "show", "export"))]
    outputs = [
        ["plan", *PLATE],
        ["plan", *PLATE, "--sheet-cm2", "20", "--bath-volume-l", "1", "--gauge-stop-mm", "0.1"],
        ["plan", "--artwork", artwork, *PLATE[:2], *PLATE[4:6], "--current-a", "0.1"],
        ["rehearse", *PLATE],
        ["rehearse", *PLATE, "--gauge-stop-mm", "0.1", "--fault", "chip_reset@400"],
        ["measure", artwork],
        ["measure", artwork, *lost, "--copies", "2", "--invert"],
        ["count", str(log)],
        ["count", str(log), *few, "--depth-mm", "0.1", "--thickness-mm", "1"],
        ["runs", "list", *where],
        ["runs", "show", "r1", *where],
        ["check", "--direct", "--rig", "rehearsal"],
    ]
    refusals = [
        ["chek"],
        ["plan", *PLATE[:2]],
        ["plan", *few, "--artwork", artwork],
        ["plan", *few, "--artwork-dpi", "600"],
        ["plan", *few, "--depth-mm", "-1", "--current-a", "3"],
        ["count", str(log), "--area-cm2", "2"],
        ["measure", artwork, "--preview", "p.jpg"],
        ["measure", artwork, "--preview", "none/p.png"],
        ["runs", "show", "nobody", *where],
        ["check", "--port", "9"],
    ]
    return [*helps, *outputs, *refusals]


def test_no_text_outside_catalogue(calls: list[list[str]]) -> None:
    done = subprocess.run(
        [sys.executable, "-m", "tests.cli.bracketed"],
        cwd=ROOT,
        input=json.dumps(calls),
        capture_output=True,
        text=True,
        check=True,
    )
    loose = {}
    for call, shown in zip(calls, json.loads(done.stdout), strict=True):
        assert "⟦" in shown, call
        assert "Traceback" not in shown
        found = [" ".join(it.split()) for it in TWO_WORDS.findall(outside(shown))]
        if found:
            loose[" ".join(call)] = found
    assert loose == {}, loose


def test_keys_exist_and_are_used() -> None:
    """Keys in the code are literals, except those of ``help_of`` and of ``measure.quality``."""
    paths = [*sorted((ROOT / "api/cli").rglob("*.py")), ROOT / "systemd/write_share.py"]
    sources = "".join(Path(path).read_text(encoding="utf-8") for path in paths)
    named = set(re.findall(r'"command_line\.([\w.]+)"', sources))
    made = {f"{it}{end}" for it in named for end in (".summary", ".details", "_limit")}
    quality = {key for key in KEYS if key.startswith("measure.quality.")}
    keys = {key.removesuffix(".one").removesuffix(".many") for key in KEYS}
    assert {it for it in named if it not in keys and f"{it}.summary" not in keys} == set()
    assert keys - named - made - quality == set()
