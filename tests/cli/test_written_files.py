"""What commands write: into pipes and standard output too, and over no book, whatever its name."""

from __future__ import annotations

import os
import shlex
import shutil
import subprocess
import sys
from pathlib import Path
from threading import Thread

import pytest

from leadline.book import Book
from leadline.cli.report_options import write_csv
from leadline.errors import BookError

PLAN = "dive,diver,date,water,suit,bc,cylinder\nnext,Ines,2026-05-20,salt,W5,J,S12\n"
CASES = {
    "suggest": "suggest --plan plan.csv --out",
    "boat": "report boat --plan plan.csv --csv",
    "rental": "report rental --csv",
    "roster": "report roster --csv",
    "season": "report season --diver Ines --csv",
    "backtest": "backtest --out",
}


def stands(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@pytest.mark.parametrize("words", CASES.values(), ids=CASES)
def test_no_output_is_written_over_the_book(run, book: Path, tmp_path: Path, words: str) -> None:
    (tmp_path / "plan.csv").write_text(PLAN, encoding="utf-8")
    (tmp_path / "leads.csv").symlink_to(book.name)
    before = stands(tmp_path)
    done = run("--book", book.name, *words.split(), "leads.csv")
    assert done.returncode == 1
    assert done.stderr == "Error: leads.csv: a book, which nothing is written over; give another name\n"
    assert done.stdout == ""
    assert stands(tmp_path) == before


def test_nor_over_a_book_beside_the_numbers_of_a_report(run, book: Path, tmp_path: Path) -> None:
    other = tmp_path / "numbers-pieces.csv"
    with Book.open(other, write=True, create=True) as opened:
        opened.upsert("divers", [{"diver": "Noa"}])
    before = other.read_bytes()
    done = run("--book", book.name, "report", "rental", "--csv", "numbers.csv")
    assert done.returncode == 1
    assert "numbers-pieces.csv: a book" in done.stderr
    assert other.read_bytes() == before
    assert not (tmp_path / "numbers.csv").exists()


def test_nor_over_a_book_in_the_folder_of_the_demo(run, book: Path, tmp_path: Path) -> None:
    folder = tmp_path / "demo"
    folder.mkdir()
    (folder / "plan.csv").symlink_to(book)
    before = stands(tmp_path)
    done = run("demo", folder)
    assert done.returncode == 1
    assert "plan.csv: a book" in done.stderr
    assert stands(tmp_path) == before


@pytest.mark.parametrize("words", CASES.values(), ids=CASES)
def test_a_link_that_leads_to_itself_is_told_in_a_line(run, book: Path, tmp_path: Path, words: str) -> None:
    (tmp_path / "plan.csv").write_text(PLAN, encoding="utf-8")
    (tmp_path / "leads.csv").symlink_to("leads.csv")
    before = stands(tmp_path)
    done = run("--book", book.name, *words.split(), "leads.csv")
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == "Error: leads.csv: a link that leads to itself; give another name\n"
    assert stands(tmp_path) == before


def test_leads_need_the_name_of_a_file(run, book: Path, tmp_path: Path) -> None:
    (tmp_path / "plan.csv").write_text(PLAN, encoding="utf-8")
    before = stands(tmp_path)
    for out in ("", "/"):
        done = run("--book", book.name, "suggest", "--plan", "plan.csv", "--out", out)
        assert (done.returncode, done.stdout) == (1, "")
        assert done.stderr == f"Error: {Path(out)}: a folder, and a file is needed; give another name\n"
    assert stands(tmp_path) == before


@pytest.mark.parametrize("beside", ["dives", "summary"])
@pytest.mark.parametrize(
    "kind", ["folder", "link into a missing folder", "link into a protected folder", "protected"]
)
def test_numbers_are_all_written_or_none(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, kind: str, beside: str
) -> None:
    impossible = tmp_path / f"numbers-{beside}.csv"
    if kind == "folder":
        impossible.mkdir()
    elif kind == "protected":
        impossible.touch()
        monkeypatch.setattr(os, "access", lambda path, _: path != impossible)
    elif kind == "link into a protected folder":
        (tmp_path / "shut").mkdir()
        impossible.symlink_to("shut/numbers.csv")
        monkeypatch.setattr(os, "access", lambda path, _: path != tmp_path / "shut")
    else:
        impossible.symlink_to("nowhere/numbers.csv")
    for name in ("numbers.csv", "numbers-pieces.csv"):
        (tmp_path / name).write_text("older")
    before = stands(tmp_path)
    tables = {"pieces": [{"pieces": 2}], "dives": [{"dive": 1}], "summary": []}
    with pytest.raises(BookError, match=f"{impossible.name}: .*; give another name"):
        write_csv([{"lead_kg": 6}], tables, tmp_path / "numbers.csv")
    assert stands(tmp_path) == before


REPORTS = {words.split()[1]: words for words in CASES.values() if words.startswith("report ")}


@pytest.mark.parametrize("kind", REPORTS)
@pytest.mark.parametrize(
    "way", ["itself", "no page yet", "link to it", "what it leads to", "link to the folder"]
)
def test_numbers_are_not_written_over_a_page(run, book: Path, tmp_path: Path, kind: str, way: str) -> None:
    (tmp_path / "plan.csv").write_text(PLAN, encoding="utf-8")
    page = tmp_path / "reports" / {"season": "season-ines.html"}.get(kind, f"{kind}.html")
    page.parent.mkdir()
    page.write_text("older")
    given = f"reports/{page.name}"
    if way == "no page yet":
        given = "reports/INDEX.HTML"
    elif way == "link to it":
        given = "numbers.csv"
        (tmp_path / given).symlink_to(page)
    elif way == "what it leads to":
        given = "numbers.csv"
        page.rename(tmp_path / given)
        page.symlink_to(tmp_path / given)
    elif way == "link to the folder":
        (tmp_path / "sheets").symlink_to("reports")
        given = f"sheets/{page.name}"
    before = stands(tmp_path)
    done = run("--book", book.name, *REPORTS[kind].split(), given)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr == f"Error: {given}: pages go there; give --csv another name\n"
    assert stands(tmp_path) == before


def shell(words: str, folder: Path) -> None:
    """Run `leadline WORDS` in a shell that knows `>(...)`."""
    program = f"{shlex.quote(sys.executable)} -c 'from leadline.cli import main; main()'"
    subprocess.run(["bash", "-c", f"{program} {words}"], cwd=folder, check=True)


@pytest.mark.skipif(shutil.which("bash") is None, reason="bash is not installed")
def test_leads_go_into_a_pipe_of_the_shell_and_to_standard_output(run, book: Path, tmp_path: Path) -> None:
    (tmp_path / "plan.csv").write_text(PLAN, encoding="utf-8")
    assert run("--book", book, "suggest", "--plan", "plan.csv", "--out", "leads.csv").returncode == 0
    leads = (tmp_path / "leads.csv").read_text(encoding="utf-8")
    os.mkfifo(tmp_path / "done")
    asked = f"--book {shlex.quote(str(book))} suggest --plan plan.csv --json --out"
    shell(f"{asked} >(cat > piped.csv; echo > done) > piped.json; cat done", tmp_path)
    assert (tmp_path / "piped.csv").read_text(encoding="utf-8") == leads
    shell(f"{asked} /dev/stdout > both.txt", tmp_path)
    both = (tmp_path / "both.txt").read_text(encoding="utf-8")
    assert both == leads + (tmp_path / "piped.json").read_text(encoding="utf-8")


def test_a_report_writes_its_main_table_into_a_pipe_and_nothing_beside_it(tmp_path: Path) -> None:
    fifo = tmp_path / "numbers.csv"
    os.mkfifo(fifo)
    (tmp_path / "numbers-pieces.csv").mkdir()  # which matters to nobody
    got: list[str] = []
    reader = Thread(target=lambda: got.append(fifo.read_text(encoding="utf-8")), daemon=True)
    reader.start()
    said = write_csv([{"lead_kg": 6}], {"pieces": [{"pieces": 2}], "summary": []}, fifo)
    reader.join(10)
    assert got == ["lead_kg\n6\n"]
    assert said.endswith("numbers.csv; for its other tables name a file, they go beside it")
    assert sorted(path.name for path in tmp_path.iterdir()) == ["numbers-pieces.csv", "numbers.csv"]
