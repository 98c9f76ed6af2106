"""The command line: parse, call, print.

Each command is one small module with `register(app)`; it imports numpy, DuckDB and the model inside the
command, so that help and completion start at once. A new command is one more module and one more name
in `_COMMANDS`.
"""

from __future__ import annotations

import inspect
from typing import Annotated, Any, Final

import typer
from typer.core import TyperGroup

from leadline import __version__
from leadline.cli import backtest, check, demo, export, learn, ledger, load, log, report, suggest
from leadline.cli.options import BookFile
from leadline.cli.output import user_errors

__all__ = ["app", "main"]

_COMMANDS: Final = (demo, load, log, learn, suggest, check, ledger, report, backtest, export)


class _Commands(TyperGroup):
    """Group of commands whose expected failures are one line on standard error."""

    def invoke(self, ctx: Any) -> Any:
        """Run the command named in `ctx`."""
        with user_errors():
            return super().invoke(ctx)


app = typer.Typer(
    cls=_Commands,
    no_args_is_help=True,
    pretty_exceptions_enable=False,
    help="How much lead a diver needs, with its band and its risk, learned from logged dives. "
    "An in-water check overrules every number here; so do instructor, training agency and local rules.",
    context_settings={"help_option_names": ["--help", "-h"]},
)
for _command in _COMMANDS:
    _command.register(app)


def _flow(group: typer.Typer) -> None:
    """Let help break its lines where the terminal ends, not where the source does."""
    for command in group.registered_commands:
        text = command.help or inspect.getdoc(command.callback) or ""
        command.help = "\n\n".join(" ".join(part.split()) for part in text.split("\n\n"))
    for inner in group.registered_groups:
        if inner.typer_instance is not None:
            _flow(inner.typer_instance)


_flow(app)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"leadline {__version__}")
        raise typer.Exit


@app.callback()
def _begin(
    context: typer.Context,
    book: BookFile = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    context.obj = book


def main() -> None:
    """Entry point of the `leadline` program."""
    app()
