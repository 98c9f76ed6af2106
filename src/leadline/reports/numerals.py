"""How numbers are written on a page: decimal point or comma, large ones in groups of three.

A page is written with decimal points, in English; here its visible numbers are turned, names from the records
and numbers for programs are not. Groups are parted by a thin space, as ISO 80000-1 has it, so that neither
point nor comma can be mistaken for a decimal sign.
"""

from __future__ import annotations

import re
from typing import Final

from leadline.errors import OutOfRangeError

__all__ = ["NUMBERS", "with_numbers"]

NUMBERS: Final = ("point", "comma")
"""Decimal signs: the first is what pages are made with."""

THIN: Final = "\u202f"

# Styles and names from the records stay as they are; our sentences with names in them are looked at apart.
_PARTS: Final = re.compile(
    r'(<style.*?</style>|<bdi>.*?</bdi>|<bdi class="said">.*?</bdi>|<[^>]*>)', flags=re.DOTALL
)
_SAID: Final = '<bdi class="said">'
_PICTURE: Final = re.compile(r'(<svg[^>]*aria-label=")([^"]*)"')
_DECIMAL: Final = re.compile(r"(?<![\w.])(\d+)\.(\d+)(?!\.?\d)(?!\w)")
_MEASURE: Final = re.compile(
    r"(?<![\w.])(\d+)\.(\d+)(?=[ \u00a0](?:kg|lb|m|ft|bar|psi|L|g/kg|°|%|to[ \u00a0]\d)(?!\w))"
)
_LARGE: Final = re.compile(r"(?<![\w.,&#;])\d{5,}(?![\w;])")

_ROW: Final = re.compile(r"(?=<tr[ >])")
"""Where a page may be cut: no row holds a part of a style, of a name or of a mark."""

_KINDS: Final = (
    bytes(
        ord("0" if chr(b).isdigit() else "w" if chr(b).isalnum() or chr(b) in "_.,&#;" else " ")
        for b in range(128)
    )
    + b" " * 128
)
_MAYBE_LARGE: Final = b" 00000"
"""Kinds of the bytes of a page, digits, what no large number follows upon, and others; and how one begins."""

_SEEN_LARGE: Final = re.compile(r"""(?:(?<!<bdi)>[^<]*|aria-label="[^"]*)(?<![\w.,&#;])\d{5,}(?![\w;])""")
"""Whether there may be anything to group: most pages, and most rows of a long one, have nothing."""


def with_numbers(page: str, numbers: str) -> str:
    """The page with its visible numbers written another way.

    Parameters
    ----------
    page : str
        HTML of one of the reports.
    numbers : str
        point or comma.

    Returns
    -------
    str
        Attributes for programs (`<data value=...>`) and names are left alone.

    Raises
    ------
    OutOfRangeError
        If `numbers` is neither.

    Examples
    --------
    >>> with_numbers('<data value="7.5">7.5</data> kg in <bdi>suit 6.5</bdi>', "comma")
    '<data value="7.5">7,5</data> kg in <bdi>suit 6.5</bdi>'
    """
    if numbers not in NUMBERS:
        raise OutOfRangeError(f"numbers {numbers!r}: give one of {', '.join(NUMBERS)}")
    if numbers == "comma":
        return "".join(_part(part, ",") for part in _PARTS.split(page))
    # Point is how pages are made, so that only what has large numbers is taken apart, row by row.
    if not _maybe_large(page):
        return page
    return "".join(
        "".join(_part(part, ".") for part in _PARTS.split(row))
        if _maybe_large(row) and _SEEN_LARGE.search(row)  # the first one is quick, and finds nothing in most
        else row
        for row in _ROW.split(page)
    )


def _maybe_large(text: str) -> bool:
    return _MAYBE_LARGE in b" " + text.encode("utf-8", "replace").translate(_KINDS)


def _part(part: str, sign: str) -> str:
    if part.startswith(_SAID):
        return _MEASURE.sub(rf"\1{sign}\2", part)
    if part.startswith("<svg"):
        return _PICTURE.sub(lambda m: f'{m[1]}{_plain(m[2], sign)}"', part)
    # Most of a long page is marks and the space between them.
    return part if part.startswith("<") or part.isspace() else _plain(part, sign)


def _plain(text: str, sign: str) -> str:
    return _LARGE.sub(lambda m: f"{int(m[0]):,}".replace(",", THIN), _DECIMAL.sub(rf"\1{sign}\2", text))
