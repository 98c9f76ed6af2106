"""Figures as inline SVG: coloured by the page's custom properties, small, and the same bytes each time.

matplotlib draws with stand-in colours (`COLOURS`) and names the parts that carry data by `gid`; here
the stand-ins become `var(--…)`, so that one drawing serves light, dark and print, and the names become
`data-part` attributes. No name space address is left: inside HTML none is needed.
"""

from __future__ import annotations

import io
import re
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any, Final

if TYPE_CHECKING:
    from matplotlib.figure import Figure

__all__ = ["COLOURS", "drawing", "embedded", "inline", "writing"]

COLOURS: Final = {
    name: f"#0000{number:02x}"
    for number, name in enumerate(
        (
            "paper",
            "ink",
            "muted",
            "rule",
            "outer",
            "edge",
            "inner",
            "median",
            "rose",
            "sank",
            "check",
            "hand",
        ),
        start=1,
    )
}
"""Custom property of the page (without its dashes) -> the colour matplotlib is told to use."""


_WRITER: Final[dict[str, Any]] = {"svg.fonttype": "none", "svg.hashsalt": "leadline", "svg.id": None}
"""All settings that the SVG writer itself looks at."""


@contextmanager
def drawing() -> Iterator[None]:
    """Draw with matplotlib's own defaults, whatever the user's settings file says."""
    import matplotlib as mpl
    from matplotlib import style

    own = mpl.rc_context(
        {
            "svg.fonttype": "none",
            "svg.hashsalt": "leadline",
            "font.family": "DejaVu Sans",
            "text.parse_math": False,
            "path.simplify": False,
        }
    )
    with style.context("default", after_reset=True), own:
        yield


@contextmanager
def writing() -> Iterator[None]:
    """Let matplotlib's SVG writer alone work as here, whatever the user's settings file says."""
    import matplotlib as mpl

    settings: Any = mpl.rcParams  # its type lists every name there is
    kept = {name: settings[name] for name in _WRITER}
    settings.update(_WRITER)
    try:
        yield
    finally:
        settings.update(kept)


def inline(figure: Figure, *, kind: str, prefix: str, label: str) -> str:
    """SVG element of a figure, to stand in an HTML page.

    Parameters
    ----------
    figure : Figure
        Drawn inside `drawing()`, at 72 dots an inch, so that one user unit is one CSS pixel.
    kind : str
        Class of the element.
    prefix : str
        Together with `kind` unique on the page: both are put before every id.
    label : str
        What the picture shows, for those who cannot see it; plain text without markup characters.

    Returns
    -------
    str
        One `svg` element.
    """
    buffer = io.StringIO()
    figure.savefig(
        buffer, format="svg", metadata={"Date": None, "Creator": None, "Format": None, "Type": None}
    )
    return embedded(buffer.getvalue(), kind=kind, prefix=prefix, label=label)


def embedded(text: str, *, kind: str, prefix: str, label: str) -> str:
    """SVG element of a file that matplotlib wrote, to stand in an HTML page.

    Parameters
    ----------
    text : str
        The file.
    kind, prefix, label
        As of `inline`.

    Returns
    -------
    str
        One `svg` element.
    """
    text = text[text.index("<svg") :]
    box = re.search(r'viewBox="[^"]*"', text)
    head = f'<svg class="{kind}" role="img" aria-label="{label}" {box.group() if box else ""}>'
    text = head + text[text.index(">") + 1 :]
    return _compact(_coloured(_named(text, f"{kind}-{prefix}")))


def _named(text: str, prefix: str) -> str:
    """Keep only the ids that are referred to, made unique; turn `part:` ids into data attributes."""
    text = text.replace("xlink:href", "href")
    text = re.sub(r'\bid="part:([^"]+)"', r'data-part="\1"', text)
    used = set(re.findall(r'(?:href="|url\()#([^")]+)', text))
    text = re.sub(r' id="([^"]+)"', lambda m: f' id="{prefix}-{m[1]}"' if m[1] in used else "", text)
    return re.sub(r'(href="|url\()#', rf"\g<1>#{prefix}-", text)


def _coloured(text: str) -> str:
    """Custom properties for stand-in colours; fonts and line joins are left to the page's style sheet."""
    for name, colour in COLOURS.items():
        text = text.replace(colour, f"var(--{name})")
    text = re.sub(r"<defs>\s*<style.*?</style>\s*</defs>", "", text, flags=re.DOTALL)
    text = re.sub(r"font-family: [^;\"]*;? ?", "", text)
    text = re.sub(r"font: (?:[a-z0-9]+ )?([\d.]+px)[^;\"]*", r"font-size: \1", text)
    return re.sub(r' transform="rotate\(-0 [^"]*\)"', "", text)


def _compact(text: str) -> str:
    """Two decimals of a pixel are plenty; line breaks and empty groups are waste."""
    text = re.sub(r"\d+\.\d{3,}", lambda m: f"{float(m[0]):.2f}".rstrip("0").rstrip("."), text)
    text = re.sub(r"\s*\n\s*", " ", text)
    return re.sub(r"(?<=>) (?=<)", "", text).strip()
