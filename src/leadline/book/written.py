"""Cells of a row under the name and with the number that its own file has, in whichever unit that is."""

from __future__ import annotations

from leadline.book.cell import raw
from leadline.book.source import Source
from leadline.book.sql import literal
from leadline.frozen import dataclass

__all__ = ["Written"]


@dataclass(frozen=True)
class Written:
    """How the cells of a file are spelled; reasons name what its reader finds there.

    Parameters
    ----------
    source : Source
        The file.
    """

    source: Source

    def twin(self, column: str) -> str:
        """Header of the imperial column that the file has for `column`; empty where it has none."""
        twin = self.source.table.column(column).twin
        return twin.name if twin and twin.name in self.source.headers else ""

    def names(self, column: str) -> list[str]:
        """All headers under which `column` may stand in the file."""
        declared = self.source.table.by_name.get(column)
        return [column, declared.twin.name] if declared and declared.twin else [column]

    def imperial(self, column: str) -> str:
        """SQL that holds where the row gives `column` in its imperial unit."""
        twin = self.twin(column)
        if not twin:
            return "false"
        metric = f" AND {raw(column)} IS NULL" if column in self.source.headers else ""
        return f"({raw(twin)} IS NOT NULL{metric})"

    def either(self, column: str, metric: str, imperial: str) -> str:
        """SQL: one of two expressions, by the unit that the row gives `column` in."""
        if not self.twin(column):
            return metric
        return f"CASE WHEN {self.imperial(column)} THEN {imperial} ELSE {metric} END"

    def name(self, column: str) -> str:
        """SQL text of the header under which the row gives `column`, which may be any header."""
        if column not in self.source.table.by_name:
            return literal(column)
        return self.either(column, literal(column), literal(self.twin(column)))

    def asked(self, column: str) -> str:
        """SQL text of the header under which a row that says nothing of `column` would have it.

        Among rows set aside that is told by the row's own file: others brought the other header in.
        """
        twin = self.twin(column)
        if not twin:
            return literal(column)
        if self.source.merged:
            imperial = f"{self.source.own(twin)} AND NOT {self.source.own(column)}"
            return f"CASE WHEN {imperial} THEN {literal(twin)} ELSE {literal(column)} END"
        return literal(column if column in self.source.headers else twin)

    def beside(self, column: str) -> str:
        """SQL that joins `imperial` to a table of staged rows: whether each gives `column` so."""
        of_rows = self.imperial(column)
        return f'JOIN (SELECT "row", {of_rows} AS imperial FROM stage) AS given USING ("row")'  # noqa: S608

    def text(self, column: str, metric: str) -> str:
        """SQL text of the cell: as it was written where that is imperial, else the expression `metric`."""
        return self.either(column, metric, f"shown({raw(self.twin(column))})")
