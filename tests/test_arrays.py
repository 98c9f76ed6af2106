"""Wear of a suit, counted by hand."""

import numpy as np
import pytest

from leadline.arrays import Records, columns_from_rows, empty, occasions
from leadline.records import DIVERS, DIVES, GEAR


def wear(*dives, dives_before=10.0, counts=None):
    """Dives that the suit of each row had seen; rows are (diver, date)."""
    divers = columns_from_rows(DIVERS, [{"diver": name} for name in sorted({who for who, _ in dives})])
    gear = columns_from_rows(GEAR, [{"item": "five", "kind": "suit", "dives_before": dives_before}])
    rows = columns_from_rows(
        DIVES,
        [{"dive": str(i), "diver": who, "date": date, "suit": "five"} for i, (who, date) in enumerate(dives)],
    )
    records = Records(divers, gear, rows, empty("checks"))
    return occasions(records, rows, counts_as_dive=counts).suit_dives[:, 0].tolist()


def test_one_divers_suit_ages_by_every_dive():
    days = [("Ines", "2026-05-01"), ("Ines", "2026-05-01"), ("Ines", "2026-05-02")]
    # Two dives of one diver on a day are two dives of one suit.
    assert wear(*days) == [10, 11, 12]


def test_what_two_wear_on_a_day_is_two_suits():
    days = [("Ines", "2026-05-01"), ("Teo", "2026-05-01"), ("Ines", "2026-05-02"), ("Teo", "2026-05-03")]
    assert wear(*days) == [10, 10.5, 11, 11.5]


def test_later_records_do_not_change_earlier_wear():
    early = [("Ines", "2026-05-01"), ("Teo", "2026-05-02"), ("Ines", "2026-05-03")]
    late = [("Ines", "2026-06-01"), ("Teo", "2026-06-01")]
    assert wear(*early) == wear(*early, *late)[:3] == [10, 11, 12]
    assert wear(*early, *late)[3:] == [11.5, 12]


def test_plans_and_undated_rows():
    rows = [("Ines", "2026-05-01"), ("Ines", "2026-06-01"), ("Teo", "2026-06-01"), ("Teo", None)]
    # The second and third are planned: two who may wear it are no proof of two suits.
    found = wear(*rows, counts=np.array([True, False, False, True]))
    assert found == [10, 11, 11, pytest.approx(11)]
