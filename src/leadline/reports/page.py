"""One HTML file from a template: everything escaped, nothing fetched, written whole or not at all."""

from __future__ import annotations

import os
import re
import unicodedata
from collections.abc import Mapping
from functools import lru_cache
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

from markupsafe import Markup, escape

from leadline.errors import LeadlineError
from leadline.reports.phrase import left_out_kit

if TYPE_CHECKING:
    from jinja2 import Environment

__all__ = ["clean", "commands", "render", "write_text"]

_COMMAND: Final = re.compile(r"`(leadline [a-z][a-z -]*)`")


def clean(value: Any) -> Any:
    """`value` without characters that no page may hold: controls and lone surrogates become U+FFFD.

    Parameters
    ----------
    value : object
        Anything a template prints; only plain text is looked at.

    Returns
    -------
    object
        Text with the same visible characters; anything else as it came.

    Examples
    --------
    >>> clean("Ida" + chr(0) + " B.")
    'Ida� B.'
    """
    if not isinstance(value, str) or isinstance(value, Markup) or value.isprintable():
        return value
    return "".join(
        "\ufffd" if unicodedata.category(c) in ("Cc", "Cs") and c not in "\t\n" else c for c in value
    )


@lru_cache(maxsize=1024)
def commands(text: str) -> Markup:
    """A sentence of ours, escaped; the commands in it, which stand in backticks, marked as such.

    Parameters
    ----------
    text : str
        It may hold names from the records.

    Returns
    -------
    Markup
        Other backticks stay as they are.

    Examples
    --------
    >>> commands("Go by `leadline check`.")
    Markup('Go by <code>leadline check</code>.')
    """
    # Safe to print as it is: what is put in is fixed, and what is around and between is escaped.
    return Markup(_COMMAND.sub(r"<code>\1</code>", str(escape(clean(text)))))  # noqa: S704


def render(template: str, context: Mapping[str, Any]) -> str:
    """Text of a page.

    Parameters
    ----------
    template : str
        Name of a file in `leadline/reports/templates`.
    context : mapping
        What the template may use.

    Returns
    -------
    str
        The page.
    """
    return str(_environment().get_template(template).render(context))


@lru_cache(maxsize=1)
def _environment() -> Environment:
    """Templates, read once: to read them takes longer than to fill them."""
    from jinja2 import Environment, PackageLoader, StrictUndefined

    made = Environment(
        loader=PackageLoader("leadline.reports"),
        autoescape=True,
        undefined=StrictUndefined,
        finalize=clean,
        trim_blocks=True,
        lstrip_blocks=True,
        keep_trailing_newline=True,
    )
    made.filters["commands"] = commands
    made.globals["left_out_kit"] = left_out_kit
    return made


def write_text(text: str, path: str | os.PathLike[str]) -> Path:
    """Write a file whole or not at all: readers see the old one until the new one is complete.

    Where `path` is a link, what it leads to is replaced; a pipe or standard output is written to.

    Parameters
    ----------
    text : str
        Contents, stored as UTF-8.
    path : path-like
        File to make or replace; its folder must exist.

    Returns
    -------
    Path
        The file.

    Raises
    ------
    LeadlineError
        If the folder is missing or cannot be written to, or the file may not be written over.
    """
    # It brings DuckDB along, which nobody has to load who only draws.
    from leadline.book.destination import draft

    target = Path(path)
    try:
        with draft(target) as part, part.open("x", encoding="utf-8", newline="\n") as file:
            file.write(text)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise LeadlineError(
            f"cannot write {target}: {error.strerror or error}; name a folder you may write to"
        ) from error
    return target
