"""How far the flags of a roster can be trusted: ``python .ci/flags.py [--schools N]``.

Simulated schools of 120 students in classes of six, most of whom begin with too much lead, are learned from
and put on a roster (`tests/decide/classes.py`); the truth is not the model's own. For each chance of a look
with an empty BC: flags and how many were false, what was stated, the share of the truly too heavy that were
flagged, or whose chance was over a half, and how often the band of the number to expect held it, thirty
students at a time. Leads go by a rule of thumb for none, half or all of the students. Exits 1 where the false
share is more than 5 points above the stated one.
"""

from __future__ import annotations

import argparse
import os
import sys
from collections import Counter
from pathlib import Path
from typing import Final

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from tests.decide.classes import roster_of, school

from leadline.decide.headcount import headcount
from leadline.decide.learning import learn
from leadline.decide.roster_data import LIKELY

LOOKS: Final = (0.0, 0.2, 0.4, 0.8)
BY_THUMB: Final = (0.0, 0.5, 1.0)
CLASS: Final = 30
MOST: Final = 0.05
COLUMNS: Final = (
    "looks",
    "too heavy, expected",
    "flagged",
    "false",
    "stated",
    "found by flags",
    "or by a chance over a half",
    "of these too heavy",
    "band of 80 % held",
)
HEAD: Final = f"| {' | '.join(COLUMNS)} |\n|{' --- |' * len(COLUMNS)}"


def tally(seed: int, looked: float, by_thumb: float) -> Counter[str]:
    """Counts of one school."""
    made = school(seed, looked=looked, by_thumb=by_thumb, excess=2.0)
    data, truth = roster_of(made.records, learn(made.records).fit), made.too_heavy()
    found: Counter[str] = Counter()
    for one in data.students:
        heavy, likely = truth[one.diver], not one.flagged and one.p_heavy_most >= LIKELY
        found["heavy"] += heavy
        found["flagged"] += one.flagged
        found["false"] += one.flagged and not heavy
        found["likely"] += likely
        found["likely heavy"] += likely and heavy
    found["stated"] += data.flags.expected_false
    found["expected"] += data.heavy.expected
    students = sorted(data.students, key=lambda one: one.diver)
    for start in range(0, len(students), CLASS):
        some = students[start : start + CLASS]
        band = headcount([one.p_heavy_most for one in some])
        found["classes"] += 1
        found["held"] += band.low <= sum(truth[one.diver] for one in some) <= band.high
    return found


def line(looked: float, n: Counter[str]) -> str:
    """A row of the table."""
    flagged = max(n["flagged"], 1)
    cells = [
        f"{100 * looked:.0f} % of stops",
        f"{n['heavy']}, {n['expected']:.0f}",
        f"{n['flagged']}",
        f"{100 * n['false'] / flagged:.0f} %",
        f"{100 * n['stated'] / flagged:.0f} %",
        f"{100 * (n['flagged'] - n['false']) / n['heavy']:.0f} %",
        f"{100 * (n['flagged'] - n['false'] + n['likely heavy']) / n['heavy']:.0f} %",
        f"{100 * n['likely heavy'] / max(n['likely'], 1):.0f} %",
        f"{100 * n['held'] / n['classes']:.0f} %",
    ]
    return f"| {' | '.join(cells)} |"


def main() -> int:
    """Print the table; 1 where flags are false more often than was said."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--schools", type=int, default=5, help="schools for each rule and chance of a look")
    schools = parser.parse_args().schools
    print(f"{schools * len(BY_THUMB)} schools of 120 for each row; independent: the known truth.\n\n{HEAD}")
    good = True
    for looked in LOOKS:
        total: Counter[str] = Counter()
        for by_thumb in BY_THUMB:
            for seed in range(101, 101 + schools):
                total += tally(seed, looked, by_thumb)
        print(line(looked, total), flush=True)
        good &= total["false"] - total["stated"] <= MOST * total["flagged"]
    return 0 if good else 1


if __name__ == "__main__":
    sys.exit(main())
