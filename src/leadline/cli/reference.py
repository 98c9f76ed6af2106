"""The reference of the records for the manual, made from their declaration."""

from __future__ import annotations

from typing import Final

from leadline.records import FILES, Column, Table

__all__ = ["markdown", "table_markdown", "updated"]


def _range(column: Column) -> str:
    if column.words:
        default = f"; empty: {column.default}" if column.default else ""
        return ", ".join(column.words) + default
    if column.low is None and column.high is None:
        return {"date": "ISO 8601", "names": "joined by `;`", "gases": "joined by `;`"}.get(column.kind, "")
    listed = {"numbers": ", joined by `;`", "places": ", `place:kg` joined by `;`"}.get(column.kind, "")
    return f"{column.low:g} to {column.high:g}{listed}"


def _cell(text: str) -> str:
    return text.replace("|", "\\|")


def table_markdown(table: Table) -> str:
    """One record file as a Markdown section.

    Parameters
    ----------
    table : Table
        Declaration.

    Returns
    -------
    str
        Heading, sentence, and a row for each column: name, unit, what may stand there, imperial twin,
        meaning.
    """
    lines = [
        f"### `{table.name}`",
        "",
        f"{table.help} Key: {', '.join(f'`{name}`' for name in table.key)}.",
        "",
        "| column | unit | allowed | or imperial | meaning |",
        "| --- | --- | --- | --- | --- |",
    ]
    for column in table.columns:
        twin = f"`{column.twin.name}`" if column.twin else ""
        cells = (f"`{column.name}`", column.unit, _range(column), twin, column.help)
        lines.append("| " + " | ".join(_cell(cell) for cell in cells) + " |")
    if table.name == "gear":
        lines += [
            "",
            "A cylinder known only by its gas may give `gas_capacity_cuft` (cubic feet of free gas) with "
            "`rated_psi` instead of `water_capacity_l`.",
        ]
    return "\n".join(lines)


_BEGIN: Final = "<!-- records: begin -->"
_END: Final = "<!-- records: end -->"


def updated(text: str) -> str:
    """A manual with the reference between its marks made anew.

    Parameters
    ----------
    text : str
        Markdown with the lines ``<!-- records: begin -->`` and ``<!-- records: end -->``; without them it
        comes back as it is.

    Returns
    -------
    str
        The same text, what stands between the marks replaced.
    """
    before, begin, rest = text.partition(_BEGIN)
    _, end, after = rest.partition(_END)
    return f"{before}{begin}\n\n{markdown()}\n{end}{after}" if end else text


def markdown() -> str:
    """All record files as Markdown, ending in a newline."""
    return "\n\n".join(table_markdown(table) for table in FILES.values()) + "\n"
