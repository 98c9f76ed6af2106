"""`leadline suggest`, run as a program: one dive, a plan, units, strangers, refusals."""

from __future__ import annotations

import csv
import json
import subprocess
import sys
from pathlib import Path

import pytest

from leadline.cli import app
from leadline.decide.plan_file import COLUMNS
from leadline.units import POUND

from ..decide.club import HOSTILE, make_book  # noqa: TID252 (tests are on no path)

HEAVY = ("pandas", "sklearn", "statsmodels", "matplotlib", "scipy.stats")


@pytest.fixture(scope="module")
def club(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("club") / "club.duckdb")


@pytest.fixture(scope="module")
def unlearned(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return make_book(tmp_path_factory.mktemp("new") / "new.duckdb", fitted=False)


@pytest.fixture
def suggest(run, club: Path):
    return lambda *options, **given: run("suggest", "--book", club, *options, **given)


def facts(done: subprocess.CompletedProcess[str]):
    assert (done.returncode, done.stderr) == (0, "")
    return json.loads(done.stdout)


def test_one_dive_by_its_diver_alone(suggest) -> None:
    answer = facts(suggest("--diver", "Ines", "--date", "2026-05-20", "--json"))
    assert list(answer)[: len(COLUMNS)] == list(COLUMNS)
    assert answer["kit"] == ["full 5", "jacket", "steel 12"]
    assert answer["taken_from"] == "In-8"
    assert answer["taken_over"]["suit"] == "full 5"
    assert (answer["late_bar"], answer["need_at_bar"]) == (20, 35)
    assert answer["late_need_q50_kg"] > answer["need_q50_kg"]
    assert "overrules" in answer["standing_caution"]


def test_people_read_lead_first_and_every_reason(suggest) -> None:
    done = suggest("--diver", "Ines", "--date", "2026-05-20")
    text = " ".join(done.stdout.split())
    assert "PUT ON 5.5 kg" in text  # pinned; the club made up a need of 4.5 kg
    for words in (
        "Need with 35 bar left",
        "Ends late with 20 bar left",
        "Too light on",
        "Too heavy by more than 2 kg",
    ):
        assert words in text
    assert "as on dive In-8 of 2026-05-08, since not named" in text
    assert "Next" in text
    assert text.count("An estimate, not an instruction") == 1
    assert max(map(len, done.stdout.splitlines())) <= 80


def test_pressure_of_every_cylinder_is_told(suggest) -> None:
    """Independent: what was typed, and 15 bar less of each but no less than 20 where there were 35."""
    two = ("--diver", "Ines", "--date", "2026-05-20", "--cylinder", "steel 12;alu 11")
    text = " ".join(suggest(*two, "--stop", "50;150").stdout.split())
    assert "Need with 50 and 150 bar left" in text
    assert "Ends late with 35 and 135 bar left" in text
    assert "Need with 50 bar left" in " ".join(suggest(*two, "--stop", "50;-").stdout.split())
    assert "Need with 35 bar left" in " ".join(suggest(*two).stdout.split())
    low = " ".join(suggest(*two, "--stop", "10").stdout.split())
    assert (
        "below any usual reserve of 20 bar: keep more gas, and where the pressure is not known give none"
        in low
    )


def test_stranger_is_checked_first_and_assumed_kit_is_named(suggest) -> None:
    text = " ".join(suggest("--diver", "Zed", "--suit", "full 5", "--water", "salt").stdout.split())
    assert "CHECK FIRST, at the surface, beginning with" in text
    assert "have at hand" in text
    assert "a usual cylinder and a usual BC: none is named" in text
    assert "no dive or check of this diver" in text


def test_what_was_only_too_light_is_not_called_nothing(run, tmp_path: Path) -> None:
    """One dive that rose, in that kit: the evidence is `none`, for it tells no lead that is enough."""
    book = make_book(tmp_path / "club.duckdb")
    kit = ("--suit", "vest", "--bc", "jacket", "--cylinder", "steel 12", "--water", "salt")
    seen = ("--lead-kg", "1", "--stop-result", "rose", "--bc-state", "empty", "--end-bar", "40")
    assert run("log", "--book", book, "--diver", "Uma", "--date", "2026-05-19", *kit, *seen).returncode == 0
    done = run("suggest", "--book", book, "--diver", "Uma", "--date", "2026-05-20")
    text = " ".join(done.stdout.split())
    assert "Too light at the stop once in like kit" in text
    assert "Of kit like this the records show only what was too little" in text
    assert "Nothing is recorded of this diver" not in text
    other = run("suggest", "--book", book, "--diver", "Uma", "--suit", "full 5", "--date", "2026-05-20")
    assert "Nothing is recorded of this diver" in " ".join(other.stdout.split())


def test_imperial_is_read_and_printed(suggest) -> None:
    done = suggest(
        "--diver", "Ines", "--units", "imperial", "--stop", "500", "--body-mass", "141", "--temp", "60"
    )  # fmt: skip
    text = " ".join(done.stdout.split())
    assert "500 psi left" in text
    assert "60 °F" in text
    assert " kg" not in text
    pounds = facts(suggest("--diver", "Ines", "--units", "imperial", "--json"))["lead_kg"] / POUND
    assert pounds == pytest.approx(round(pounds), abs=1e-4)


def test_start_and_stop_agree_with_the_end(suggest, tmp_path: Path) -> None:
    """A plan that ends with the reserve begins with more; a stop with full cylinders is not its end."""
    kit = ("--diver", "Ines", "--date", "2026-05-20", "--json")
    assert facts(suggest(*kit, "--start", "20", "--end", "10"))["need_at_bar"] == 10
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit,cylinder,start_bar\nIvo,full 5,steel 12,200\nIvo,full 5,steel 12,20\n")
    done = suggest("--plan", plan)
    assert done.returncode == 1
    assert "row 3: start_bar 20: is less than the reserve of 35 bar" in done.stderr
    words = "left: later, with less gas, it takes more lead to hold it"
    said = {stop: facts(suggest(*kit, "--stop", stop))["cautions"] for stop in ("200", "100", "35")}
    assert {stop: words in text for stop, text in said.items()} == {"200": True, "100": False, "35": False}
    assert "Reckoned for a stop with 200 bar left" in said["200"]
    pounds = facts(suggest(*kit, "--stop", "2900", "--units", "imperial"))["cautions"]
    assert f"2900 psi {words}" in pounds


def test_short_names_follow_the_units_and_long_names_carry_their_own(suggest) -> None:
    kit = ("--diver", "Ines", "--date", "2026-05-20", "--json")
    bar = facts(suggest(*kit, "--stop", "50"))
    assert bar["need_at_bar"] == 50
    assert facts(suggest(*kit, "--stop-bar", "50", "--units", "imperial"))["need_at_bar"] == 50
    assert facts(suggest(*kit, "--stop-psi", "725.19"))["need_at_bar"] == pytest.approx(50, abs=0.01)
    twice = suggest(*kit, "--stop", "50", "--stop-psi", "725")
    assert twice.returncode == 2
    assert "given twice" in twice.stderr


# Kind: arithmetic; 15 ft are 4.57 m.
def test_stop_depth_that_looks_like_feet_is_noted(suggest) -> None:
    first = facts(suggest("--diver", "Ines", "--json"))
    asked = suggest("--diver", "Ines", "--stop-depth", "15", "--json")
    assert asked.stderr == (
        "note: --stop-depth 15: a stop is usually at 3 to 6 m: feet? (15 ft are 4.6 m; --units imperial); "
        "kept as it is\n"
    )
    assert json.loads(asked.stdout)["need_q50_kg"] != first["need_q50_kg"]
    for feet in (("--stop-depth-ft", "15"), ("--stop-depth", "15", "--units", "imperial")):
        assert suggest("--diver", "Ines", *feet).stderr == ""


def test_less_gas_needs_more_lead(suggest) -> None:
    need = [
        facts(suggest("--diver", "Ines", "--stop", bar, "--json"))["need_q50_kg"]
        for bar in ("100", "50", "20")
    ]
    assert need == sorted(need)
    assert need[0] < need[-1] - 0.5


def test_kit_named_is_kit_used(suggest) -> None:
    steel = facts(suggest("--diver", "Ines", "--json"))
    alu = facts(suggest("--diver", "Ines", "--cylinder", "alu 11", "--json"))
    assert alu["prior_mean_kg"] > steel["prior_mean_kg"] + 1  # an empty aluminium cylinder floats
    assert alu["check_first"] == "yes"
    bare = facts(suggest("--diver", "Ines", "--suit", "-", "--json"))
    assert bare["prior_mean_kg"] < steel["prior_mean_kg"] - 1
    assert "suit" not in bare["taken_over"]


def test_plan_in_its_order_as_file_and_as_array(suggest, tmp_path: Path) -> None:
    plan, out = tmp_path / "plan.csv", tmp_path / "leads.csv"
    names = ["Zed", "Ines", HOSTILE, "Ines"]
    with plan.open("w", encoding="utf-8", newline="") as file:
        writer = csv.writer(file)
        writer.writerow(["dive", "diver", "date", "suit", "bc", "cylinder", "water"])
        kit = "2026-05-20", "full 5", "jacket", "steel 12", "salt"
        writer.writerows([f"p{i}", name, *kit] for i, name in enumerate(names))
    done = suggest("--plan", plan, "--out", out, "--json")
    array = json.loads(done.stdout)
    assert done.stderr == f"4 rows written to {out}, masses in kg\n"
    with out.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file))
    assert [row["diver"] for row in rows] == [row["diver"] for row in array] == names
    assert [row["dive"] for row in rows] == ["p0", "p1", "p2", "p3"]
    for row, made in zip(rows, array, strict=True):
        assert list(made) == list(row) == list(COLUMNS)
        assert row == {name: "" if value is None else str(value) for name, value in made.items()}
    table = suggest("--plan", plan)
    shown = " ".join(table.stdout.split())
    assert f"{HOSTILE}, p2" in shown
    assert "Check first: at the surface" in shown
    assert max(map(len, table.stdout.splitlines())) <= 94


def test_two_dives_of_a_diver_can_be_told_apart(suggest, tmp_path: Path) -> None:
    """Fresh water takes less lead than salt: who reads the one for the other is light."""
    plan = tmp_path / "plan.csv"
    row = "Ines,full 5,jacket,steel 12,2026-05-20"
    rows = [f"q7,{row},salt", f"q8,{row},fresh", f"q7,{row.replace('Ines', 'Ivo')},salt"]
    plan.write_text("\n".join(["dive,diver,suit,bc,cylinder,date,water", *rows]))
    table = suggest("--plan", plan).stdout
    cells = [line.split() for line in table.splitlines() if line.startswith((" Ines", " Ivo"))]
    assert [cell[:2] for cell in cells] == [["Ines,", "q7"], ["Ines,", "q8"], ["Ivo,", "q7"]]
    assert float(cells[0][2]) > float(cells[1][2]) + 1
    said = [line for line in table.splitlines() if line.startswith("Ines, ")]
    assert [line.partition(":")[0] for line in said] == ["Ines, q7", "Ines, q8"]
    # Who dives once needs no telling.
    plan.write_text(
        "dive,diver,suit,date,water\nq7,Ines,full 5,2026-05-20,salt\nq7,Ivo,full 5,2026-05-20,salt\n"
    )
    assert "q7" not in suggest("--plan", plan).stdout


def test_plan_and_single_dive_agree(suggest, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit,bc,cylinder,gas,water,date\nIvo,full 5,jacket,steel 12,air,salt,2026-05-20\n")
    planned = facts(suggest("--plan", plan, "--json"))[0]
    single = facts(suggest("--diver", "Ivo", "--date", "2026-05-20", "--json"))
    assert planned == {name: single[name] for name in COLUMNS}


def test_a_plan_without_a_day_is_for_today_as_one_dive_is(suggest, tmp_path: Path) -> None:
    """A break was none where a plan had no date: half a kilogram less after three years, and no caution."""
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit,bc,cylinder,gas,water\nIvo,full 5,jacket,steel 12,air,salt\n")
    done = suggest("--plan", plan, "--json")
    assert "plan.csv: no date, so reckoned for today, 20" in done.stderr
    single = facts(suggest("--diver", "Ivo", "--json"))
    assert json.loads(done.stdout)[0] == {name: single[name] for name in COLUMNS}


def test_answers_given_as_a_plan_are_refused(suggest, tmp_path: Path) -> None:
    """Read as a plan, a file of answers would be dives without a suit, and leads for them."""
    plan, out = tmp_path / "plan.csv", tmp_path / "leads.csv"
    plan.write_text("diver,suit,bc,cylinder\nInes,full 5,jacket,steel 12\n")
    suggest("--plan", plan, "--out", out)
    done = suggest("--plan", out)
    assert (done.returncode, done.stdout) == (1, "")
    assert done.stderr.startswith(f"Error: {out}: this holds the answers to a plan (column bring_kg)")
    assert done.stderr.count("\n") == 1


def test_columns_of_a_plan_that_are_not_used_are_named(suggest, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,date,wetsuit,bc,cylinder,note\nInes,2026-05-20,full 5,jacket,steel 12,\n")
    done = suggest("--plan", plan, "--json")
    assert done.stderr == f"{plan}: columns unknown to leadline, not used: wetsuit\n"
    (answer,) = json.loads(done.stdout)
    assert answer["cautions"].startswith("No suit named, so this is the lead for diving without one")
    plan.write_text("diver,date,suit,bc,cylinder\nInes,2026-05-20,full 5,jacket,steel 12\n")
    (answer,) = facts(suggest("--plan", plan, "--json"))
    assert "No suit" not in answer["cautions"]


def test_answers_do_not_overwrite_their_plan(suggest, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit\nInes,full 5\n")
    done = suggest("--plan", plan, "--out", tmp_path / "." / "plan.csv")
    assert (done.returncode, done.stdout) == (1, "")
    assert "that is the plan itself" in done.stderr
    assert plan.read_text() == "diver,suit\nInes,full 5\n"


def test_empty_plan_is_an_empty_array(suggest, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit\n")
    assert facts(suggest("--plan", plan, "--json")) == []
    assert "no rows" in suggest("--plan", plan).stdout


def test_plan_from_a_pipe_is_that_of_the_file(suggest, tmp_path: Path) -> None:
    text = "diver,date,suit,water\nInes,2026-05-20,full 5,salt\n"
    (tmp_path / "plan.csv").write_text(text)
    piped = suggest("--plan", "/dev/stdin", "--json", stdin=text)
    assert piped.returncode == 0
    assert json.loads(piped.stdout) == json.loads(suggest("--plan", "plan.csv", "--json").stdout)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--diver", "Inez"], "no diver 'Inez' in the book; closest: Ines"),
        (["--diver", "Ines", "--suit", "full 6"], "closest: full 5"),
        (["--diver", "Ines", "--cylinder", "jacket"], "jacket"),
        (["--diver", "Zed"], "give --suit"),
        (["--diver", "Ines", "--start", "20"], "--start 20: is less than the reserve of 35 bar"),
        (["--diver", "Ines", "--start", "20", "--end", "40"], "lies more than 5 bar above --start"),
        (["--diver", "Ines", "--water", "salt", "--salinity", "3.5"], "contradicts water salt, which has 15"),
        (["--diver", "Ines", "--salinity", "3.5"], "contradicts water salt"),  # taken over
        (["--diver", "Ines", "--cylinder", "steel 12;stage 7", "--stop", "-;-"], "marks every cylinder as"),
        (["--plan", "none.csv"], "none.csv: no such file"),
    ],
)  # fmt: skip
def test_what_cannot_be_met_is_one_line(suggest, options, message) -> None:
    assert_one_line(suggest(*options), 1, message)


@pytest.mark.parametrize(
    ("options", "message"),
    [
        (["--diver", "Ines", "--stop", "500"], "must lie in [0, 330] bar"),
        (["--diver", "Ines", "--water", "soda"], "must be one of fresh, brackish, salt"),
        (["--diver", "Ines", "--max-depth", "abc"], "--max-depth abc: is no number"),
        (["--diver", "Ines", "--stop", "500"], "(if it is in psi, give --units imperial)"),
        (["--diver", "Ines", "--ditchable", "99"], "--ditchable 99: must lie in [0, 60] kg"),
        (["--diver", "Ines", "--what-if", "reserve=400"], "--what-if reserve=400: --reserve 400: must lie"),
        (["--diver", "Ines", "--block", "nan"], "block 'nan'"),
        (["--diver", "Ines", "--blocks", "1kg:x"], "how many there are"),
        (["--diver", "Ines", "--date", "tomorrow"], "date 'tomorrow': must be a date"),
        (["--diver", "Ines", "--date", "2926-05-20"], "date '2926-05-20': lies after 2100"),
    ],
)  # fmt: skip
def test_what_is_no_value_of_its_option_is_wrong_usage(suggest, options, message) -> None:
    """Status 2, as where the library of options finds it; what it takes a book to see is 1."""
    assert_one_line(suggest(*options), 2, message)
    assert suggest("--diver", "Ines", "--risk", "0.7").returncode == 2


def test_a_bad_cell_of_a_file_is_no_wrong_usage(suggest, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,stop_bar\nInes,500\n")
    done = suggest("--plan", plan)
    assert (done.returncode, done.stdout) == (1, "")
    assert "row 2: stop_bar 500: must lie in [0, 330] bar" in done.stderr


def test_a_plan_for_another_century_names_row_and_date(suggest, tmp_path: Path) -> None:
    """2926 for 2026: it was more than the clock of the answers holds, and ended in a traceback."""
    (tmp_path / "plan.csv").write_text("diver,date\nInes,2026-05-20\nInes,2926-05-20\n")
    done = suggest("--plan", "plan.csv")
    assert (done.returncode, done.stdout) == (1, "")
    assert "row 3: date '2926-05-20': lies after 2100" in done.stderr


def assert_one_line(done: subprocess.CompletedProcess[str], status: int, message: str) -> None:
    assert (done.returncode, done.stdout) == (status, "")
    assert done.stderr.startswith("Error: ")
    assert message in done.stderr
    assert done.stderr.count("\n") == 1
    assert ".csv" not in done.stderr or "none.csv" in done.stderr


def test_plan_with_an_unknown_diver_names_row_and_close_match(suggest, tmp_path: Path) -> None:
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit\nIvo,full 5\nNoha,full 5\n")
    done = suggest("--plan", plan, "--out", tmp_path / "out.csv")
    assert (done.returncode, done.stdout) == (1, "")
    assert "row 3" in done.stderr
    assert "Noa" in done.stderr
    assert not (tmp_path / "out.csv").exists()


@pytest.mark.parametrize(
    "options",
    [
        [],
        ["--suit", "full 5"],
        ["--diver", "Ines", "--plan", "p.csv"],
        ["--diver", "Ines", "--out", "o.csv"],
        ["--diver", "Ines", "--risk", "0"],
        ["--diver", "Ines", "--risk", "0.9"],
        ["--diver", "Ines", "--units", "nautical"],
    ],
)
def test_wrong_usage_is_status_two(suggest, options) -> None:
    done = suggest(*options)
    assert (done.returncode, done.stdout) == (2, "")


def test_book_never_learned_says_so(run, unlearned: Path, tmp_path: Path) -> None:
    answer = facts(run("suggest", "--book", unlearned, "--diver", "Ines", "--json"))
    assert answer["learned"] is None
    assert answer["dives_used"] > 0  # the diver's own records count all the same
    text = " ".join(run("suggest", "--book", unlearned, "--diver", "Ines").stdout.split())
    assert "nothing from all divers together yet (run `leadline learn`)" in text
    assert "other divers have taught" not in text
    plan = tmp_path / "plan.csv"
    plan.write_text("diver,suit\nIvo,full 5\n")
    done = run("suggest", "--book", unlearned, "--plan", plan)
    assert "nothing has been learned from this book yet" in done.stderr


def test_dive_logged_since_the_fit_counts_at_once(run, tmp_path: Path) -> None:
    book = make_book(tmp_path / "own.duckdb")
    before = facts(run("suggest", "--book", book, "--diver", "Ivo", "--json"))
    kit = ["--water", "salt", "--suit", "full 5", "--bc", "jacket", "--cylinder", "steel 12"]
    seen = ["--lead-kg", "6", "--end-bar", "50", "--stop-result", "rose", "--bc-state", "empty"]
    for day in ("2026-05-09", "2026-05-10"):
        assert run("log", "--book", book, "--diver", "Ivo", "--date", day, *kit, *seen).returncode == 0
    after = facts(run("suggest", "--book", book, "--diver", "Ivo", "--json"))
    assert (before["newer_dives"], after["newer_dives"]) == (0, 2)
    assert after["need_q50_kg"] > before["need_q50_kg"] + 0.1
    text = " ".join(run("suggest", "--book", book, "--diver", "Ivo").stdout.split())
    assert "2 dives of this diver since then taken in too" in text


def test_fit_of_another_version_is_one_line(run, tmp_path: Path) -> None:
    from leadline.book import Book

    book = make_book(tmp_path / "odd.duckdb", fitted=False)
    with Book.open(book, write=True) as opened:
        opened.save_fit(b"not a fit", opened.data_version, {})
    done = run("suggest", "--book", book, "--diver", "Ines")
    assert (done.returncode, done.stdout) == (1, "")
    assert "run `leadline learn` again" in done.stderr


@pytest.mark.parametrize("command", [["suggest"], ["ledger"]])
def test_everyday_commands_load_nothing_heavy(club: Path, command) -> None:
    code = (
        "import sys\nfrom leadline.cli import app\n"
        f"app({[*command, '--book', str(club), '--diver', 'Ines']!r}, standalone_mode=False)\n"
        f"print([name for name in {HEAVY!r} if name in sys.modules], file=sys.stderr)\n"
    )
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=False)
    assert done.stderr == "[]\n"
    assert done.stdout


def test_every_option_of_a_plan_is_there() -> None:
    import typer

    options = {
        name
        for parameter in typer.main.get_command(app).commands["suggest"].params  # type: ignore[attr-defined]  # a group, typed as a command
        for name in parameter.opts
    }
    wanted = (
        "diver suit undersuit bc cylinder gas other water salinity temp altitude date start stop body-mass"
    )
    assert {f"--{name}" for name in wanted.split()} <= options
    assert "--lead" not in options


def test_long_plan_is_printed_in_part_where_a_file_holds_it(suggest, tmp_path: Path) -> None:
    plan, out = tmp_path / "plan.csv", tmp_path / "leads.csv"
    rows = [f"p{i},Ines,full 5,jacket,steel 12,salt" for i in range(105)]
    plan.write_text("\n".join(["dive,diver,suit,bc,cylinder,water", *rows]), encoding="utf-8")
    done = suggest("--plan", plan, "--out", out)
    assert done.stderr.endswith(f"105 rows written to {out}, masses in kg; above are the first 100\n")
    assert len(out.read_text(encoding="utf-8").splitlines()) == 106
    whole = suggest("--plan", plan)
    lines = [
        sum(line.startswith(" Ines, p") for line in text.splitlines()) for text in (done.stdout, whole.stdout)
    ]
    assert lines == [100, 105]
