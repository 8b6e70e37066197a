"""The manual page and the shell completion are those of the commands as they are now."""

from __future__ import annotations

import os
import re
import shutil
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import click
import pytest

from api.cli.command_line import main
from tests.paths import ROOT

SHARE = ROOT / "systemd" / "share"
MANUAL = SHARE / "man" / "biteclock.1"
BASH = SHARE / "completion" / "biteclock.bash"


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The share as it is written now."""
    directory = tmp_path_factory.mktemp("share")
    subprocess.run(
        [sys.executable, "systemd/write_share.py", str(directory)],
        cwd=ROOT, env={**os.environ, "PYTHONPATH": str(ROOT)}, check=True,
    )  # fmt: skip
    return directory


def contents(directory: Path) -> dict[str, str]:
    return {
        str(path.relative_to(directory)): path.read_text(encoding="utf-8")
        for path in directory.rglob("*")
        if path.is_file()
    }


def test_share_is_current(written: Path) -> None:
    """After a change of commands: make share."""
    assert contents(SHARE) == contents(written)


def commands(command: click.Command = main, path: str = "biteclock") -> Iterator[str]:
    yield path
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            assert below is not None
            yield from commands(below, f"{path} {name}")


def test_manual_has_every_command() -> None:
    page = MANUAL.read_text(encoding="utf-8").replace("\\-", "-")
    headings = re.findall(r"^\.SS (.+?) \[", page, re.MULTILINE)
    assert headings == [path for path in commands() if path != "biteclock"]
    for heading in ("FILES", "ENVIRONMENT", "EXIT STATUS"):
        assert f"\n.SH {heading}\n" in page


def test_manual_is_sound() -> None:
    """No line begins with a control character that is no request."""
    lines = MANUAL.read_text(encoding="utf-8").splitlines()
    requests = {line.split()[0] for line in lines if line.startswith((".", "'"))}
    assert requests == {'.\\"', ".TH", ".SH", ".SS", ".TP", ".PP", ".B"}


def completed(*words: str) -> list[str]:
    """Return what bash is offered for the last of the words, by the shipped script."""
    bash = shutil.which("bash")
    assert bash is not None
    line = " ".join(f"'{word}'" for word in words)
    script = f"""
        source "{BASH}"
        COMP_WORDS=({line}); COMP_CWORD={len(words) - 1}
        _biteclock_completion biteclock
        printf '%s\\n' "${{COMPREPLY[@]}}"
    """
    program = Path(sys.executable).parent
    done = subprocess.run(
        [bash, "-c", script], cwd=ROOT, capture_output=True, text=True, check=True,
        env={**os.environ, "PATH": f"{program}:{os.environ['PATH']}"},
    )  # fmt: skip
    return done.stdout.split()


def test_bash_completes_commands() -> None:
    assert completed("biteclock", "co") == ["config", "count", "coupon"]


def test_bash_completes_options(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Also beside a configuration that cannot be used."""
    broken = tmp_path / "broken.toml"
    broken.write_text("[rig")
    monkeypatch.setenv("BITECLOCK_CONFIG", str(broken))
    assert completed("biteclock", "runs", "list", "--st") == ["--state-directory"]
    assert completed("biteclock", "off", "--p") == ["--port", "--pin"]
