"""`--numbers` of every report: the page alone speaks the reader's numbers."""

from __future__ import annotations

import json
import re
from pathlib import Path

import pytest

from ..decide.club import make_book  # noqa: TID252 (tests are on no path)

ROOT = Path(__file__).parents[2]


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


def seen(page: str) -> str:
    """Text of a page without its style, the names from the records and the version."""
    text = re.sub(r"<style.*?</style>|<bdi>.*?</bdi>|<[^>]*>", "|", page, flags=re.DOTALL)
    return re.sub(r"leadline \d+\.\d+\.\d+", "", text)


@pytest.mark.parametrize("kind", ["season", "rental", "roster", "boat"])
def test_comma_on_the_page_and_point_in_the_file(run, club: Path, tmp_path: Path, kind) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("dive,diver,date,water,suit,bc,cylinder\n1,Ines,2026-06-01,salt,full 5,jacket,steel 12\n")
    options = {"boat": ["--plan", plan], "season": ["--diver", "Ines"]}.get(kind, [])
    both = {}
    for numbers in ("point", "comma"):
        table = tmp_path / f"{numbers}.csv"
        done = run(
            "report", kind, "--book", club, "--out", tmp_path / numbers, "--csv", table, "--json",
            "--numbers", numbers, *options,
        )  # fmt: skip
        assert done.returncode == 0, done.stderr
        document = json.loads(done.stdout)
        page = (document[0] if isinstance(document, list) else document)["page"]
        both[numbers] = Path(page).read_text(encoding="utf-8"), table.read_text(encoding="utf-8")
    assert both["point"][1] == both["comma"][1]
    assert len(re.findall(r"\d\.\d", seen(both["point"][0]))) > 3
    assert not re.search(r"\d\.\d", seen(both["comma"][0]))
    assert re.findall(r'value="[^"]*"', both["point"][0]) == re.findall(r'value="[^"]*"', both["comma"][0])


def test_other_signs_are_refused(run, club: Path, tmp_path: Path) -> None:
    done = run("report", "roster", "--book", club, "--numbers", "dot", "--out", tmp_path)
    assert done.returncode == 2
    assert "dot" in done.stderr
