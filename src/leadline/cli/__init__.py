"""The command line: parse, call, print.

Each command is one small module with `register(app)`; it imports numpy, DuckDB and the model inside the
command, so that help and completion start at once. A new command is one more module and one more name
in `_COMMANDS`. A command that is named on the command line is loaded alone, since the options of all the
others take a while to build.
"""

from __future__ import annotations

import gc
import inspect
import sys
from collections.abc import Sequence
from functools import cache
from importlib import import_module
from typing import Annotated, Any, Final

import typer
from typer.core import TyperGroup

from leadline import __version__
from leadline.cli.options import BookFile
from leadline.cli.output import streams, user_errors
from leadline.cli.reading import Command, quick

__all__ = ["app", "main"]

_COMMANDS: Final = (
    "demo", "load", "log", "learn", "suggest", "check", "ledger", "report", "backtest", "export",
)  # fmt: skip


class _Commands(TyperGroup):
    """Group of commands whose expected failures are one line on standard error."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Options before the command, those of Typer's own among them."""
        return quick(super().get_params(ctx))

    def invoke(self, ctx: Any) -> Any:
        """Run the command named in `ctx`."""
        with user_errors():
            return super().invoke(ctx)


def _flow(group: typer.Typer) -> None:
    """Let help break its lines where the terminal ends, not where the source does; read options quickly."""
    for command in group.registered_commands:
        command.cls = Command
        text = command.help or inspect.getdoc(command.callback) or ""
        command.help = "\n\n".join(" ".join(part.split()) for part in text.split("\n\n"))
    for inner in group.registered_groups:
        if inner.typer_instance is not None:
            _flow(inner.typer_instance)


def _version(wanted: bool) -> None:
    if wanted:
        typer.echo(f"leadline {__version__}")
        raise typer.Exit


def _begin(
    context: typer.Context,
    book: BookFile = None,
    version: Annotated[
        bool, typer.Option("--version", callback=_version, is_eager=True, help="Print the version and stop.")
    ] = False,
) -> None:
    context.obj = book


def _program(commands: Sequence[str]) -> typer.Typer:
    """The program with some of its commands."""
    made = typer.Typer(
        cls=_Commands,
        no_args_is_help=True,
        pretty_exceptions_enable=False,
        help="How much lead a diver needs, with its band and its risk, learned from logged dives. "
        "An in-water check overrules every number here; so do instructor, training agency and local rules.",
        context_settings={"help_option_names": ["--help", "-h"]},
    )
    made.callback()(_begin)
    for name in commands:
        import_module(f"leadline.cli.{name}").register(made)
    _flow(made)
    return made


@cache
def _whole() -> typer.Typer:
    return _program(_COMMANDS)


def __getattr__(name: str) -> Any:
    """`app`, the program with all its commands, made when it is first asked for."""
    if name == "app":
        return _whole()
    raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


def _named(words: Sequence[str]) -> str | None:
    """The command that the words of a command line name; None where it is none of ours."""
    rest = iter(words)
    for word in rest:
        if word == "--book":
            next(rest, None)
        elif not word.startswith("-"):
            return word if word in _COMMANDS else None
    return None


def main() -> None:
    """Entry point of the `leadline` program."""
    # What is loaded stays; to look through it for garbage again and again takes a twentieth of a short run.
    gc.set_threshold(200_000, 20, 20)
    streams()
    named = _named(sys.argv[1:])
    try:
        (_program([named]) if named else _whole())()
    finally:
        gc.freeze()  # at the end all of it goes at once, and to look through it first takes another twentieth
