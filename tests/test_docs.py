"""README and DEVELOPERS say what is so: every command stands there and runs, tables are as declared."""

from __future__ import annotations

import csv
import json
import os
import re
import shlex
import subprocess
import sys
import tomllib
from pathlib import Path
from typing import Any

import pytest
import typer

from leadline.book import Book
from leadline.cli import app, reference
from leadline.records import TABLES

ROOT = Path(__file__).resolve().parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")
DEVELOPERS = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
COMMANDS: dict[str, Any] = typer.main.get_command(app).commands  # type: ignore[attr-defined]  # a group, typed as a command

SET_UP = "python3 -m venv .venv && .venv/bin/pip install . && "
PROGRAM = ".venv/bin/leadline"

FENCE = re.compile(r"^(?:<!-- file: (?P<file>\S+) -->\n)?```(?P<kind>\w*)\n(?P<text>.*?)^```$", re.M | re.S)


def blocks(text: str, kind: str) -> list[str]:
    """Fenced blocks of one kind, in order."""
    return [found["text"] for found in FENCE.finditer(text) if found["kind"] == kind]


def section(text: str, title: str) -> str:
    """What stands under a heading of the second order, up to the next one."""
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", text, re.M | re.S)
    assert found, f"no section {title!r}"
    return found[1]


def run(line: str, folder: Path) -> subprocess.CompletedProcess[str]:
    """A line of the README, its program being this one, in a folder with a book of its own."""
    words = shlex.split(line)
    assert words[0] == PROGRAM
    home = {"HOME": str(folder), "XDG_DATA_HOME": str(folder / "data"), "COLUMNS": "100"}
    return subprocess.run(
        [sys.executable, "-c", "from leadline.cli import main; main()", *words[1:]],
        cwd=folder,
        env=os.environ | home,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        check=False,
    )


SET_UP_AND_RUN, OWN_FILES, TEST = blocks(README, "sh")


def test_first_thing_a_reader_meets_is_the_job_then_the_command() -> None:
    title, job, rest = README.split("\n\n", 2)
    assert title == "# leadline"
    assert len(job.splitlines()) > 3
    assert rest.index("```sh\n" + SET_UP_AND_RUN) < rest.index("```sh\n" + OWN_FILES) < rest.index(TEST)
    headings = re.findall(r"^## (.+)$", README, re.M)
    assert headings[:4] == ["Run it", "Your own records", "Test it", "Cautions"]


def test_machine_runs_the_commands_of_the_readme() -> None:
    """`.ci/run` finds each by how its line begins: no other line may begin so."""
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    patterns = re.findall(r"grep -m1 '(\^.+?)' README\.md", script)
    found = [[line for line in README.splitlines() if re.match(pattern, line)] for pattern in patterns]
    assert found == [[SET_UP_AND_RUN.strip()], [TEST.strip()]]
    assert os.access(ROOT / ".ci" / "run", os.X_OK)


def test_sample_in_the_repository_is_of_the_demo() -> None:
    """Whoever looks before running sees what the demo would make: the same divers, in the same order."""
    folder = ROOT / "reports" / "demo"
    divers = []
    for path in (folder / "leads.csv", ROOT / "datasets" / "plan.csv"):
        with path.open(encoding="utf-8", newline="") as file:
            divers.append([row["diver"] for row in csv.DictReader(file)])
    assert divers[0] == divers[1]
    linked = re.findall(r'href="([^"#:]+)"', (folder / "index.html").read_text(encoding="utf-8"))
    pages = {path.name for path in folder.glob("*.html")} - {"index.html"}
    kinds = {name.removesuffix(".html").partition("-")[0] for name in pages}
    assert kinds == set(COMMANDS["report"].commands)
    assert set(linked) == pages
    assert (ROOT / "reports" / "season.png").stat().st_size < 150_000


@pytest.fixture(scope="module")
def own(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with the small files that stand in the README."""
    folder = tmp_path_factory.mktemp("own")
    for found in FENCE.finditer(README):
        if found["file"]:
            (folder / found["file"]).write_text(found["text"], encoding="utf-8")
    assert {path.stem for path in folder.glob("*.csv")} == {*TABLES, "plan"}
    return folder


def test_own_files_go_through_in_the_order_of_the_readme(own: Path) -> None:
    lines = OWN_FILES.splitlines()
    assert len(lines) == 7
    *commands, asks = lines
    for line in commands:
        done = run(line, own)
        assert done.returncode == 0, f"{line}: {done.stderr}"
    # The last one asks questions, which needs a terminal: without one it says so.
    done = run(asks, own)
    assert done.returncode == 2
    assert "run it on a terminal to be asked" in " ".join(done.stderr.replace("│", " ").split())
    with (own / "leads.csv").open(encoding="utf-8", newline="") as file:
        (answer,) = csv.DictReader(file)
    assert (answer["diver"], answer["dive"]) == ("Ines", "boat 1")
    assert 3 < float(answer["lead_kg"]) < 9
    named = re.findall(r"`(\w+)`", section(README, "Commands").partition("with these columns:")[2])
    assert named[: len(answer)] == list(answer)
    assert list((own / "pages").glob("season-*.html"))
    assert (own / "pages" / "boat.html").exists()
    # The check is kept: the next answer knows it.
    with Book.open(own / "data" / "leadline" / "leadline.duckdb") as book:
        assert book.counts()["checks"] == 2


@pytest.mark.parametrize("blocks_there", ["", "2 kg,20\n"], ids=["no list of blocks", "blocks of 2 kg"])
def test_the_same_answers_come_from_python(tmp_path: Path, blocks_there: str) -> None:
    for found in FENCE.finditer(README):
        if found["file"]:
            (tmp_path / found["file"]).write_text(found["text"], encoding="utf-8")
    lines = OWN_FILES.splitlines()[:3]
    if blocks_there:
        (tmp_path / "blocks.csv").write_text(f"block,pieces\n{blocks_there}", encoding="utf-8")
        lines.insert(1, f"{PROGRAM} load --blocks blocks.csv")
    for line in lines:
        assert run(line, tmp_path).returncode == 0
    (example,) = blocks(README, "python")
    done = subprocess.run(
        [sys.executable, "-c", example],
        cwd=tmp_path,
        env=os.environ | {"XDG_DATA_HOME": str(tmp_path / "data")},
        capture_output=True,
        text=True,
        check=True,
    )
    assert not done.stderr
    with (tmp_path / "leads.csv").open(encoding="utf-8", newline="") as file:
        (row,) = csv.DictReader(file)
    diver, lead, light, step = done.stdout.rstrip("\n").split(" | ")
    assert (diver, float(lead), step) == (row["diver"], float(row["lead_kg"]), row["next_step"])
    assert float(light) == pytest.approx(float(row["p_too_light"]), abs=1e-5)
    page = (tmp_path / "boat.html").read_text(encoding="utf-8")
    assert "Ines" in page
    assert "<bdi>leadline.duckdb</bdi>, records version <bdi>" in page
    assert ('<dt>Model fitted</dt><dd><time datetime="' in page) == ("learn" in " ".join(lines))
    pieces = re.search(r'data-table="stock">.*?</table>', page, re.S)
    assert pieces
    sizes = [float(size) for size in re.findall(r'<th scope="row">.*?([\d.]+)(?:</data>)?</th>', pieces[0])]
    assert sizes == ([2.0] if blocks_there else [2.0, 1.0, 0.5])
    assert float(lead) % 2 == 0 if blocks_there else float(lead) % 0.5 == 0


def test_check_without_a_book_does_what_the_readme_says(tmp_path: Path) -> None:
    (line,) = re.findall(r"^    (leadline check .+)$", section(README, "Commands"), re.M)
    done = run(f".venv/bin/{line} --json", tmp_path)
    assert done.returncode == 0, done.stderr
    answer = json.loads(done.stdout)
    assert answer["lead_kg"] > 6
    assert list(tmp_path.rglob("*.duckdb")) == []


def test_small_files_load_without_a_fault(own: Path) -> None:
    done = run(f"{OWN_FILES.splitlines()[0]} --book again.duckdb --json", own)
    counts = json.loads(done.stdout)
    assert done.stderr == ""
    assert {counts[name]["rejected"] for name in TABLES} == {0}
    assert all(counts[name]["loaded"] >= 1 for name in TABLES)


def test_every_command_stands_in_the_readme_and_no_other() -> None:
    table = re.findall(r"^\| `leadline (\w+)[^`]*` \| (.+) \|$", section(README, "Commands"), re.M)
    assert sorted({name for name, _ in table}) == sorted(COMMANDS)
    reports = re.findall(r"^\| `leadline report (\w+)[^`]*` \|", section(README, "Commands"), re.M)
    assert sorted(reports) == sorted(COMMANDS["report"].commands)


def test_extras_that_are_named_exist() -> None:
    named = set(re.findall(r"\.\[(\w+)\]", README + DEVELOPERS))
    project = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    assert named == set(project["optional-dependencies"])


@pytest.mark.parametrize("text", [README, DEVELOPERS], ids=["README", "DEVELOPERS"])
def test_every_option_that_is_named_exists(text: str) -> None:
    options = {"--help", "--version", "--book"}
    for command in COMMANDS.values():
        subcommands = getattr(command, "commands", {}).values()
        for each in (command, *subcommands):
            options |= {
                name for parameter in each.params for name in (*parameter.opts, *parameter.secondary_opts)
            }
    spans = re.findall(r"`((?:leadline |--)[^`\n]+)`", text)
    named = set(re.findall(r"(?<![\w-])--[a-z][a-z-]*", " ".join([*spans, *OWN_FILES.splitlines()])))
    assert named
    assert named - options == set()


def test_record_columns_are_the_declared_ones() -> None:
    assert "<!-- records: begin -->" in README
    assert reference.updated(README) == README, "write it anew: see DEVELOPERS, Release"


@pytest.mark.parametrize("name", ["README.md", "DEVELOPERS.md"])
def test_files_that_are_named_exist(name: str) -> None:
    text = (ROOT / name).read_text(encoding="utf-8")
    links = re.findall(r"\]\(([^)#:]+)\)", text)
    paths = re.findall(r"`((?:\.ci|tests|datasets|reports|src|evidence|model|physics|book)/[\w./-]*)`", text)
    folders = (ROOT, ROOT / "src" / "leadline")
    assert [
        path for path in (*links, *paths) if not any((folder / path).exists() for folder in folders)
    ] == []


def test_layout_names_every_part_of_the_package() -> None:
    listed = set(re.findall(r"^  (\w+)(?:\.py|/) ", blocks(DEVELOPERS, "text")[0], re.M))
    parts = {path.stem for path in (ROOT / "src" / "leadline").glob("*.py") if path.stem != "__init__"}
    parts |= {path.parent.name for path in (ROOT / "src" / "leadline").glob("*/__init__.py")}
    assert listed == parts


def test_layers_are_the_ones_that_are_tested() -> None:
    text = (ROOT / "tests" / "test_layers.py").read_text(encoding="utf-8")
    order = re.search(r"^LAYERS = \((.*?)\)", text, re.M | re.S)
    assert order
    listed = ", ".join(re.findall(r"\w+", order[1]))
    written = re.search(r"^ {4}errors, .*?\n\n", DEVELOPERS, re.M | re.S)
    assert written
    assert " ".join(written[0].split()) == listed


def test_cautions_are_given() -> None:
    cautions = section(README, "Cautions")
    for word in (
        "in-water check overrules",
        "instructor",
        "training agency",
        "local rules",
        "Under 18",
        "invented",
    ):
        assert word in cautions


def test_changelog_has_this_version() -> None:
    from leadline import __version__

    assert re.findall(r"^### (\d+\.\d+\.\d+)$", section(README, "Changelog"), re.M)[0] == __version__
