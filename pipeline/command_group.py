"""What the command line offers: each command is one function in pipeline/commands, imported only when it is used."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from typing import Any

import typer
from typer.core import TyperGroup

from pipeline.cli import COMMANDS


class _Commands(TyperGroup):
    """Commands by name, each imported on first use: `reboundry pool` need not load what `measure` needs."""

    def list_commands(self, ctx: Any) -> list[str]:
        return [name for name in COMMANDS if find_spec(f"pipeline.commands.{name}")]

    def get_command(self, ctx: Any, cmd_name: str) -> Any:
        if cmd_name not in self.list_commands(ctx):
            return None
        one = typer.Typer(add_completion=False, rich_markup_mode="markdown", pretty_exceptions_enable=False)
        one.command(cmd_name, no_args_is_help=False)(getattr(import_module(f"pipeline.commands.{cmd_name}"), cmd_name))
        return typer.main.get_command(one)


app = typer.Typer(cls=_Commands, no_args_is_help=True, add_completion=False, pretty_exceptions_enable=False,
                  rich_markup_mode="markdown")


def _version(wanted: bool) -> None:
    if wanted:
        from shared.files import tool_version

        typer.echo(f"reboundry {tool_version()}")
        raise typer.Exit


@app.callback()
def _root(
    version: bool = typer.Option(False, "--version", callback=_version, is_eager=True, help="Print the version."),
) -> None:
    """Measure bank shots in overhead video: angles, speeds and cue-ball spin, each with its uncertainty.

    Start with `reboundry demo`, or `reboundry measure FOLDER` on your own clips.
    """
