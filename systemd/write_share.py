"""Writes the manual page and the shell completion, for install.sh to copy.

``python systemd/write_share.py`` writes systemd/share. What is there follows from the commands and
the catalogue of texts, and a test holds it current.
"""

from __future__ import annotations

import sys
from collections.abc import Iterator
from pathlib import Path

import click
from click.shell_completion import ShellComplete, get_completion_class

from api.cli.command_line import main as biteclock
from api.cli.location import CONFIG_VARIABLE, INSTALLED_CONFIG, INSTALLED_STATE, STATE_VARIABLE
from controller.texts import text

NAME = "biteclock"
SHARE = Path(__file__).resolve().parent / "share"

COMPLETIONS = {
    "completion/biteclock.bash": "bash",
    "completion/_biteclock": "zsh",
    "completion/biteclock.fish": "fish",
}
"""Shell of each file. install.sh puts them where each shell looks by itself."""

PLACES = {
    "FILES": (
        (INSTALLED_CONFIG, "command_line.manual.config_file"),
        (INSTALLED_STATE, "command_line.manual.state_directory"),
    ),
    "ENVIRONMENT": (
        (CONFIG_VARIABLE, "command_line.manual.config_variable"),
        (STATE_VARIABLE, "command_line.manual.state_variable"),
    ),
}


def completion(shell: str) -> str:
    """Return click's completion script for a shell."""
    kind = get_completion_class(shell)
    assert kind is not None, shell  # noqa: S101 one of COMPLETIONS
    made = kind(biteclock, {}, NAME, f"_{NAME.upper()}_COMPLETE")
    # Past the class of bash, which asks the bash of this machine for its version.
    return ShellComplete.source(made).strip() + "\n"


def roff(words: str) -> str:
    """Return a text so that troff prints it as it is."""
    escaped = words.replace("\\", "\\e").replace("-", "\\-").replace("'", "\\(aq")
    return "\n".join(f"\\&{it}" if it.startswith(".") else it for it in escaped.splitlines())


def entry(term: str, words: str) -> str:
    """Return a term with its explanation, indented."""
    return f".TP\n.B {roff(term)}\n{roff(words)}"


def paragraphs(words: str) -> Iterator[str]:
    """Yield the lines of a text, in which an empty line separates paragraphs."""
    for number, paragraph in enumerate(words.split("\n\n")):
        if number:
            yield ".PP"
        yield roff(" ".join(paragraph.split()))


def command_section(path: str, command: click.Command, parent: click.Context) -> Iterator[str]:
    """Yield the section of a command, and those of the commands below it."""
    context = click.Context(command, parent, info_name=path.rsplit(" ", 1)[-1])
    usage = " ".join(command.collect_usage_pieces(context))
    yield f".SS {roff(f'{path} {usage}'.strip())}"
    yield from paragraphs(command.help or "")
    for parameter in command.get_params(context):
        record = parameter.get_help_record(context)
        if record is not None and record[1] and "--help" not in parameter.opts:
            yield entry(record[0], " ".join(record[1].split()))
    if isinstance(command, click.Group):
        for name in command.list_commands(context):
            below = command.get_command(context, name)
            if below is not None:
                yield from command_section(f"{path} {name}", below, context)


def manual() -> str:
    """Return the manual page. Without date and version, it changes with its content alone."""
    context = click.Context(biteclock, info_name=NAME)
    title, summary = text("command_line.manual.title"), text("command_line.main.summary")
    lines = [
        '.\\" Written by systemd/write_share.py from the commands and the catalogue of texts.',
        f'.TH {NAME.upper()} 1 "" "{NAME}" "User Commands"',
        ".SH NAME",
        f"{NAME} \\- {roff(title)}",
        ".SH SYNOPSIS",
        f".B {NAME}",
        "[OPTIONS] COMMAND [ARGS]...",
        ".SH DESCRIPTION",
        *paragraphs(f"{summary}\n\n{text('command_line.main.cautions')}"),
        ".SH COMMANDS",
    ]
    for name in biteclock.list_commands(context):
        command = biteclock.get_command(context, name)
        if command is not None:
            lines += command_section(f"{NAME} {name}", command, context)
    for heading, places in PLACES.items():
        lines.append(f".SH {heading}")
        lines += [entry(str(it), text(key)) for it, key in places]
    lines += [".SH EXIT STATUS", *paragraphs(text("command_line.manual.exit_status"))]
    return "\n".join(lines) + "\n"


def files() -> dict[str, str]:
    """Return every file of the share by its path there."""
    made = {path: completion(shell) for path, shell in COMPLETIONS.items()}
    return {"man/biteclock.1": manual(), **made}


def main() -> None:
    """Write them below systemd/share, or below the directory in the arguments."""
    directory = Path(sys.argv[1]) if sys.argv[1:] else SHARE
    for path, content in files().items():
        file = directory / path
        file.parent.mkdir(parents=True, exist_ok=True)
        file.write_text(content, encoding="utf-8")


if __name__ == "__main__":
    main()
