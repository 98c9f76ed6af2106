"""What must hold for every diver, whatever the numbers: order, signs, ranges."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st

from leadline.physics.ledger import State, evaluate, exposures, prior_sd

from .kitbag import DIVERS_ROWS, rigs

SUITS = (
    "",
    "five",
    "three",
    "shorty",
    "two",
    "vest",
    "some suit",
    "membrane",
    "crushed",
    "weighed five",
    "five;vest",
)
CYLINDERS = ("", "s12", "s15", "a11", "s10h", "some cylinder", "weighed steel", "s12;stage")

rows = st.fixed_dictionaries(
    {
        "diver": st.sampled_from([row["diver"] for row in DIVERS_ROWS]),
        "suit": st.sampled_from(SUITS),
        "undersuit": st.sampled_from(["", "thin", "medium", "thick"]),
        "cylinder": st.sampled_from(CYLINDERS),
        "bc": st.sampled_from(["", "jacket", "wing"]),
        "other": st.sampled_from(["", "boots;hood;gloves", "heavy fins", "steel plate;regs"]),
        "gas": st.sampled_from(["air", "32", "100", "18/45"]),
        "water": st.sampled_from(["", "fresh", "brackish", "salt"]),
        "salinity_gkg": st.one_of(st.none(), st.floats(0, 40)),
        "water_temp_c": st.one_of(st.none(), st.floats(-2, 36)),
        "altitude_m": st.one_of(st.none(), st.floats(-400, 4000)),
    }
)
depths = st.floats(0, 40)
bars = st.floats(0, 300)
many = settings(max_examples=60, deadline=None)


@many
@given(rows, depths, bars, st.floats(0.05, 2))
def test_denser_water_never_less_need(row, depth, bar, step):
    salinity = row["salinity_gkg"] or 0.0
    both = rigs({**row, "salinity_gkg": salinity}, {**row, "salinity_gkg": salinity + step})
    need = evaluate(both, State(depth, bar)).need
    assert need[1] > need[0]


@many
@given(
    rows, depths, bars, st.sampled_from(["full", "shorty", "two_piece", "vest", "dry_foam"]), st.floats(0, 12)
)
def test_thicker_suit_never_less_need(row, depth, bar, style, thickness):
    sheets = [
        {"item": f"sheet {k}", "kind": "suit", "style": style, "thickness_mm": thickness + k} for k in (0, 1)
    ]
    both = rigs({**row, "suit": "sheet 0"}, {**row, "suit": "sheet 1"}, gear=sheets)
    need = evaluate(both, State(depth, bar)).need
    assert need[1] > need[0]


@many
@given(
    rows,
    depths,
    st.floats(0.5, 10),
    bars,
    st.sampled_from(["five", "three", "shorty", "crushed", "weighed five"]),
)
def test_deeper_never_more_need_in_foam(row, depth, step, bar, foam):
    rig = rigs({**row, "suit": foam, "other": "boots;hood;gloves"})
    shallow, deep = evaluate(rig, State(depth, bar)).need, evaluate(rig, State(depth + step, bar)).need
    assert deep[0] < shallow[0]


@many
@given(rows, depths, st.floats(0, 280), st.floats(1, 40))
def test_fuller_cylinder_never_more_need(row, depth, bar, step):
    rig = rigs(row)
    assert evaluate(rig, State(depth, bar + step)).need[0] < evaluate(rig, State(depth, bar)).need[0]


@many
@given(rows, depths, bars)
def test_every_row_has_a_need_and_an_honest_sd(row, depth, bar):
    rig = rigs(row)
    state = State(depth, bar, breath=0.3, bc_gas=1.0, head_out=0.0)
    ledger = evaluate(rig, state)
    doubts = exposures(rig, state, ledger=ledger)
    sd = prior_sd(doubts)
    assert np.isfinite(ledger.need).all()
    assert -40 < ledger.need[0] < 60
    assert 0.9 < sd[0] < 7
    assert np.isfinite(doubts.values).all()
    for line in ledger.items.values():
        assert line.mass[0] >= 0
        assert line.sd[0] >= 0


@many
@given(rows, st.floats(0, 400))
def test_wear_never_adds_need(row, dives):
    suits = [
        {
            "item": f"worn {k}",
            "kind": "suit",
            "style": "full",
            "thickness_mm": 5,
            "dives_before": dives + 50 * k,
        }
        for k in (0, 1)
    ]
    both = rigs({**row, "suit": "worn 0"}, {**row, "suit": "worn 1"}, gear=suits)
    need = evaluate(both, State(5.0, 50.0)).need
    assert need[1] < need[0]
