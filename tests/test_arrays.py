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


@pytest.mark.parametrize("beside", [[], [{"cylinder": "twin;stage", "start_bar": "210;190", "gas": "32;50"}]])
def test_one_value_serves_all_cylinders_whatever_other_rows_say(beside):
    """Independent: the rule of the book, one value for all of them or one for each."""
    gear = columns_from_rows(GEAR, [{"item": item, "kind": "cylinder"} for item in ("twin", "stage")])
    one = {"cylinder": "twin;stage", "start_bar": "200", "end_bar": "60", "gas": "36", "stop_bar": "70"}
    rows = columns_from_rows(
        DIVES, [{"dive": str(i), "diver": "Ines"} | row for i, row in enumerate([one, *beside])]
    )
    divers = columns_from_rows(DIVERS, [{"diver": "Ines"}])
    found = occasions(Records(divers, gear, rows, empty("checks")), rows)
    assert found.start[0].tolist() == [200, 200]
    assert found.stop[0].tolist() == [70, 70]
    assert found.oxygen[0].tolist() == [0.36, 0.36]
    assert found.carried[0].tolist() == [True, True]
    if beside:
        assert found.start[1].tolist() == [210, 190]
        assert found.oxygen[1].tolist() == [0.32, 0.5]


def test_body_mass_told_for_the_first_time_holds_for_the_dives_before_it() -> None:
    """By hand: nobody's mass changed; it was told late. A mass that was known before is kept."""
    divers = columns_from_rows(DIVERS, [{"diver": "Ada"}, {"diver": "Bo", "mass_kg": 80}, {"diver": "Cy"}])
    masses = {"Ada": ["", 60, "", 64], "Bo": ["", 84], "Cy": ["", ""]}
    dives = columns_from_rows(
        DIVES,
        [
            {"dive": str(i), "diver": diver, "date": f"2026-05-0{i + 1}", "body_mass_kg": mass}
            for diver, told in masses.items()
            for i, mass in enumerate(told)
        ],
    )
    found = occasions(Records(divers, empty("gear"), dives, empty("checks")), dives).body_mass
    np.testing.assert_equal(found, [60, 60, 60, 64, 80, 84, np.nan, np.nan])
