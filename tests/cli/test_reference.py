"""The reference of the records for the manual."""

from __future__ import annotations

import re

import pytest

from leadline.cli import reference
from leadline.records import TABLES


@pytest.mark.parametrize("name", TABLES)
def test_every_column_stands_once_with_its_unit_words_and_twin(name: str) -> None:
    table = TABLES[name]
    lines = reference.table_markdown(table).splitlines()
    rows = {}
    for line in lines:
        if line.startswith("| `"):
            cells = [cell.strip() for cell in re.split(r"(?<!\\)\|", line)[1:-1]]
            assert len(cells) == 5
            rows[cells[0].strip("`")] = cells
    assert list(rows) == list(table.by_name)
    for column in table.columns:
        _, unit, allowed, twin, meaning = rows[column.name]
        assert unit == column.unit
        assert meaning == column.help.replace("|", "\\|")
        assert twin == (f"`{column.twin.name}`" if column.twin else "")
        assert all(word in allowed for word in column.words)
        if column.low is not None:
            assert allowed.startswith(f"{column.low:g} to {column.high:g}")


def test_all_tables_stand_in_the_reference() -> None:
    text = reference.markdown()
    assert re.findall(r"^### `(\w+)`$", text, re.MULTILINE) == list(TABLES)
    assert text.endswith("|\n")
