"""Every cell of the table that says what a stop result means for need."""

import numpy as np
import pytest

from leadline.arrays import columns_from_rows
from leadline.evidence.stop import stop_results
from leadline.records import DIVES

# light, neutral, heavy: 1 fits, 0 would be a wrong record. By hand from the definition of each observation.
TWO = {"hovered": (0, 1, 0), "rose": (1, 0, 0), "sank": (0, 0, 1)}
GAS = {"hovered": (0, 1, 1), "rose": None, "sank": (0, 0, 1)}
UNKNOWN = {"hovered": (0, 1, 1), "rose": (1, 0.5, 0.5), "sank": (0, 0, 1)}
CELLS = [
    ({"bc_state": "empty"}, False, TWO),
    ({"bc_state": "empty", "suit_gas": "least"}, True, TWO),
    ({"bc_state": "empty", "suit_gas": "more"}, True, GAS),
    ({"bc_state": "gas"}, False, GAS),
    ({"bc_state": "gas", "bc_gas_l": 2.0}, False, TWO),
    ({"bc_gas_l": 0.0}, False, TWO),  # nothing in it, as far as anybody can tell
    ({"bc_state": "unknown", "bc_gas_l": 0.0}, False, TWO),
    ({"bc_gas_l": 0.0}, True, UNKNOWN),
    ({"bc_state": "unknown"}, False, UNKNOWN),
    ({}, False, UNKNOWN),
    ({"bc_state": "empty"}, True, UNKNOWN),
]


@pytest.mark.parametrize("result", ["hovered", "rose", "sank"])
@pytest.mark.parametrize(("state", "dry", "expected"), CELLS)
def test_zones_of_each_cell(state, dry, expected, result):
    rows = columns_from_rows(
        DIVES, [{"dive": "1", "diver": "a", "lead_kg": 6.0, "stop_result": result, **state}]
    )
    found = stop_results(rows, np.array([0]), np.array([dry]))
    if expected[result] is None:
        assert len(found) == 0
    else:
        assert found.fit.tolist() == [list(expected[result])]
        assert found.litres.tolist() == [state.get("bc_gas_l", 0.0)]


def test_a_hand_off_is_the_same_rule_at_the_lead_that_is_left():
    row = {"dive": "1", "diver": "a", "lead_kg": 6.0, "handed_off_kg": 1.0, "handed_off_result": "hovered"}
    found = stop_results(columns_from_rows(DIVES, [row]), np.array([0]), np.array([False]))
    assert found.kind.tolist() == ["hand_off"]
    assert found.lead.tolist() == [5.0]
    assert found.fit.tolist() == [[0, 1, 0]]
