"""The plan file and the numbers of a population."""

from __future__ import annotations

import csv
import io
import math
from dataclasses import replace

import pytest

from leadline.decide.advice import advise
from leadline.decide.block import Block
from leadline.decide.plan_file import COLUMNS, csv_text, record
from leadline.units import POUND

from .club import HOSTILE, assess, plan_row

CONTRACT = [
    "diver",
    "dive",
    "lead_kg",
    "bring_kg",
    "check_first",
    "p_too_light",
    "p_too_heavy",
    "need_at_bar",
    "need_mean_kg",
    "need_sd_kg",
    "need_q025_kg",
    "need_q10_kg",
    "need_q50_kg",
    "need_q90_kg",
    "need_q975_kg",
    "prior_mean_kg",
    "prior_sd_kg",
    "dives_used",
    "evidence",
    "next_step",
    "cautions",
]
"""Columns that people's scripts rest on, in order; pinned."""


@pytest.fixture(scope="module")
def answers():
    return advise(assess([plan_row(name) for name in (HOSTILE, "Zed", "Ines")]))


def test_columns_are_the_promised_ones(answers) -> None:
    assert list(COLUMNS) == CONTRACT
    rows = list(csv.DictReader(io.StringIO(csv_text(answers))))
    assert list(rows[0]) == CONTRACT
    assert [row["diver"] for row in rows] == [HOSTILE, "Zed", "Ines"]
    assert rows[1]["check_first"] == "yes"
    assert rows[2]["check_first"] == "no"
    assert rows[1]["cautions"].count("; ") == len(answers[1].cautions) - 1
    assert all("\n" not in row["next_step"] for row in rows)


def test_numbers_come_back(answers) -> None:
    rows = list(csv.DictReader(io.StringIO(csv_text(answers))))
    for row, answer in zip(rows, answers, strict=True):
        assert float(row["need_q90_kg"]) == pytest.approx(answer.need_q90_kg, abs=6e-5)
        assert float(row["p_too_light"]) == pytest.approx(answer.p_too_light, abs=6e-6)
        assert int(row["dives_used"]) == answer.dives_used


def test_lead_in_pounds_is_whole_blocks_in_the_file() -> None:
    answer = advise(assess([plan_row("Ivo")]), block=Block.parse("1lb"))[0]
    pounds = float(str(record(answer)["lead_kg"])) / POUND
    assert pounds == pytest.approx(round(pounds), abs=1e-5)


def test_unknown_numbers_are_empty(answers) -> None:
    bare = record(replace(answers[0], prior_sd_kg=math.nan))
    assert bare["prior_sd_kg"] is None


def test_no_answers_make_a_header() -> None:
    assert csv_text([]) == ",".join(CONTRACT) + "\n"
