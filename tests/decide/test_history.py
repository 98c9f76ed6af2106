"""Histories of many divers at once against those of one after the other, and against plain counting."""

from __future__ import annotations

from dataclasses import fields

import numpy as np
import pytest
from numpy.testing import assert_array_equal

from leadline.decide.history import Histories, like_kit
from leadline.decide.history_data import LATEST, Sights
from leadline.timeline import DIVE, PLAN

from .club import NEED, assess, checks, dives, plan_row

ODD = (
    {"over": -0.5, "stop_result": "rose", "bc_state": "empty"},
    {"over": 1.5, "stop_result": "hovered", "bc_state": "empty"},
    {"over": -1.0, "stop_result": "sank", "bc_state": "empty"},
    {"over": 3.5, "stop_result": "rose", "bc_state": "gas", "date": ""},
    {"over": 2.5, "stop_result": "hovered", "bc_state": "empty", "handed_off_kg": 1,
     "handed_off_result": "hovered", "suit": "vest", "other": "heavy plate"},
    {"over": 2.0, "stop_result": "rose", "bc_state": "unknown", "cylinder": "alu 11"},
)  # fmt: skip
"""Dives that contradict one another, one without a date, others in other kit."""


@pytest.fixture(scope="module")
def planned():
    """Every diver in several outfits, one without any record, on top of dives that fit badly."""
    rows = dives()
    for diver in NEED:
        last = [row for row in rows if row["diver"] == diver][-1]
        for i, cells in enumerate(ODD):
            row = last | {"dive": f"x{i}", "date": f"2026-05-{20 + i}"} | cells
            rows.append(row | {"lead_kg": NEED[diver] + row.pop("over")})
    plan = [
        plan_row(diver) | {"dive": f"{i}-{j}", "date": "2026-06-20"} | cells
        for j, cells in enumerate(
            ({}, {"suit": "vest"}, {"suit": ""}, {"cylinder": "alu 11"}, {"other": "heavy plate"},
             {"water": "brackish"}, {"date": "2026-05-09"})
        )
        for i, diver in enumerate([*NEED, "Zed"])
    ]  # fmt: skip
    return assess(plan, dives=rows, checks=checks())


def alike(one, other) -> bool:
    if isinstance(one, Sights):
        return all(alike(getattr(one, part.name), getattr(other, part.name)) for part in fields(one))
    if isinstance(one, np.ndarray) and one.dtype.kind == "f":
        # Products of matrices of another shape are rounded otherwise.
        return one.shape == other.shape and bool(
            np.allclose(one, other, rtol=1e-14, atol=1e-14, equal_nan=True)
        )
    if isinstance(one, np.ndarray):
        return bool(np.array_equal(one, other))
    return bool(one == other or (one != one and other != other))


def test_many_at_once_are_one_after_the_other(planned) -> None:
    rows = planned.line.at(PLAN)
    need = np.linspace(2.0, 8.0, len(rows))
    found = Histories(planned).like_kits(rows, need)
    odd = 0
    for row, at, one in zip(rows.tolist(), need.tolist(), found, strict=True):
        alone = like_kit(planned, row, at)
        for part in fields(one):
            assert alike(getattr(one, part.name), getattr(alone, part.name)), part.name
        sights = one.sights
        assert_array_equal(sights.rose, sights.judged().rose)
        assert_array_equal(sights.more, sights.judged().more)
        odd += bool((sights.rose | sights.sank | sights.hinted | sights.more).any())
    assert odd > len(NEED)


def test_columns_are_those_of_plain_counting(planned) -> None:
    """Independent: the diver's rows of the table, gone through one by one."""
    line, o = planned.line, planned.line.occasions
    rows = line.at(PLAN)
    for row, one in zip(rows, Histories(planned).like_kits(rows, np.full(len(rows), 5.0)), strict=True):
        own = [r for r in line.at(DIVE) if o.diver[r] == o.diver[row]]
        own.sort(key=lambda r: (bool(np.isnat(o.date[r])), str(o.date[r])))
        like = [
            r for r in own
            if planned.suit[r] == planned.suit[row]
            and planned.cylinder_types[r] == planned.cylinder_types[row]
        ]  # fmt: skip
        lead = line.records.dives["lead_kg"]
        assert one.carried_row.tolist() == like
        assert one.worn.tolist() == [lead[line.row[r]] for r in like]
        noted = [planned.noted_need(np.array([r]))[0] for r in like]
        assert one.carried == pytest.approx(one.worn + 5.0 - noted)
        assert one.suit_worn == any(planned.suit[r] == planned.suit[row] for r in own)
        dated = [r for r in own if not np.isnat(o.date[r])]
        assert one.last_row == (dated[-1] if dated else -1)
        late = set(like[-LATEST:])
        assert one.sights.late.tolist() == [int(r) in late for r in one.sights.row]
