"""Options read in no time where there is nothing to read: not given, left at the default, or plain text.

Typer reads every option through a library of validation, the fifty that were not given as well. To load
it and to build as many readers takes longer than all the rest of a command line; what is not plain is still
read by it.
"""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any
from unicodedata import normalize

from typer.core import TyperCommand, TyperOption

__all__ = ["Command", "quick"]


class _Option(TyperOption):
    """Option of a command line."""

    def process_value(self, ctx: Any, value: Any) -> Any:
        """The value as the command wants it; `Parameter.process_value` of Typer."""
        if self.required or not _plain(self, value):
            return _composed(super().process_value(ctx, value))
        if value is None and (self.multiple or self.nargs != 1):
            value = ()
        elif isinstance(value, str):
            value = Path(value) if _annotation(self) is Path else _composed(value)
        return value if self.callback is None else self.callback(ctx, self, value)


def _composed(value: Any) -> Any:
    """Text, or each of several, with accents as the book has them; anything else as it is."""
    if isinstance(value, (list, tuple)):
        return type(value)(map(_composed, value))
    return normalize("NFC", value) if type(value) is str and not value.isascii() else value


def _annotation(option: TyperOption) -> Any:
    """What the value becomes; None where this version of Typer does not tell."""
    return getattr(getattr(option, "type_descriptor", None), "annotation", None)


def _plain(option: TyperOption, value: Any) -> bool:
    """Whether Typer would give back this value, or the path that it names, and find no fault with it."""
    if _annotation(option) is None:
        return False
    if value is None:
        return True
    if option.multiple or option.nargs != 1:
        return False
    if not isinstance(value, str):
        return value is option.default
    if _annotation(option) is Path:
        # A file that may not be read is refused with the option's name.
        return not os.path.exists(value) or os.access(value, os.R_OK)  # noqa: PTH110 (as Typer looks)
    return _annotation(option) is str or value == option.default


def quick(parameters: list[Any]) -> list[Any]:
    """Let options whose value is plain be read without a validator.

    Parameters
    ----------
    parameters : list of typer parameters
        Of a command or a group. Its options are changed in place; arguments stay as they are.

    Returns
    -------
    list of typer parameters
        The same.
    """
    for parameter in parameters:
        if type(parameter) is TyperOption:
            parameter.__class__ = _Option
    return parameters


class Command(TyperCommand):
    """Command whose options are `quick`."""

    def get_params(self, ctx: Any) -> list[Any]:
        """Options and arguments, Typer's own among them."""
        return quick(super().get_params(ctx))
