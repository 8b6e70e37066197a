"""``biteclock``: the command line. Each command is in its own module, loaded when it is needed."""

from __future__ import annotations

from importlib import import_module

import click

from api.cli.printing import help_of
from controller.texts import text

COMMANDS = {
    "backup": "api.cli.bench.backup",
    "check": "api.cli.check",
    "config": "api.cli.bench.config_command",
    "count": "api.cli.count",
    "coupon": "api.cli.coupon",
    "demo": "api.cli.rehearsal.demo_command",
    "devices": "api.cli.bench.devices",
    "film": "api.cli.artwork.film",
    "learn": "api.cli.learn",
    "measure": "api.cli.artwork.measure",
    "messages": "api.cli.messages",
    "off": "api.cli.bench.off",
    "pair": "api.cli.bench.pair",
    "plan": "api.cli.plan_command",
    "rehearse": "api.cli.rehearsal.rehearse_command",
    "relief": "api.cli.artwork.relief",
    "restore": "api.cli.bench.backup",
    "runs": "api.cli.logbook",
    "serve": "api.cli.serve_command",
}
"""Name of each command, and the module that holds it under that name."""


class LazyGroup(click.Group):
    """Loads the module of a command when the command is used; its list needs the catalogue only.

    Source: click's documentation, "Lazily Loading Subcommands".
    """

    def list_commands(self, ctx: click.Context) -> list[str]:
        """Return the names of all commands, sorted."""
        return sorted(COMMANDS)

    def get_command(self, ctx: click.Context, cmd_name: str) -> click.Command | None:
        """Return the command of that name, or None."""
        if cmd_name not in COMMANDS:
            return None
        command: click.Command = getattr(import_module(COMMANDS[cmd_name]), cmd_name)
        return command

    def format_commands(self, ctx: click.Context, formatter: click.HelpFormatter) -> None:
        """Write the names and summaries of all commands."""
        with formatter.section("Commands"):
            formatter.write_dl(
                [(name, text(f"command_line.{name}.summary")) for name in sorted(COMMANDS)]
            )

    def resolve_command(
        self, ctx: click.Context, args: list[str]
    ) -> tuple[str | None, click.Command | None, list[str]]:
        """Return the command that was asked for. Raises: UsageError, naming a similar command."""
        if args[0] not in COMMANDS and not ctx.resilient_parsing:
            from difflib import get_close_matches

            near = get_close_matches(args[0], COMMANDS)
            if near:
                message = text("command_line.main.no_such_command", given=args[0], near=near[0])
                raise click.UsageError(message, ctx)
        return super().resolve_command(ctx, args)


@click.group(
    cls=LazyGroup,
    context_settings={"help_option_names": ["-h", "--help"], "max_content_width": 110},
    epilog=text("command_line.main.cautions"),
    help=help_of("command_line.main"),
)
@click.version_option(package_name="biteclock")
def main() -> None:
    """Run one command; each module of this package describes its own."""


if __name__ == "__main__":
    main()
