"""The reference of the records for the manual."""

from __future__ import annotations

import re
from pathlib import Path

import pytest

from leadline.cli import reference
from leadline.records import FILES


@pytest.mark.parametrize("name", FILES)
def test_every_column_stands_once_with_its_unit_words_and_twin(name: str) -> None:
    table = FILES[name]
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
    assert re.findall(r"^### `(\w+)`$", text, re.MULTILINE) == list(FILES)
    assert text.endswith("|\n")


def test_reference_goes_between_the_marks_and_nowhere_else() -> None:
    marked = "# Manual\n<!-- records: begin -->\nold\n<!-- records: end -->\nmore\n"
    made = reference.updated(marked)
    assert made.startswith("# Manual\n<!-- records: begin -->\n\n### `divers`")
    assert made.endswith("\n<!-- records: end -->\nmore\n")
    assert "old" not in made
    assert reference.updated(made) == made
    assert reference.updated("no marks\n") == "no marks\n"


def test_manual_carries_the_reference_as_it_is() -> None:
    root = Path(__file__).resolve().parents[2]
    manuals = [root / name for name in ("README.md", "DEVELOPERS.md") if (root / name).exists()]
    marked = [path for path in manuals if "<!-- records: begin -->" in path.read_text(encoding="utf-8")]
    if not marked:
        pytest.skip("no manual has the marks of the records reference yet")
    for path in marked:
        text = path.read_text(encoding="utf-8")
        assert reference.updated(text) == text, (
            f"{path.name}: write it anew with leadline.cli.reference.updated"
        )
