"""The ledger: the forces behind a need, item by item, and how sure they are; the door to the physics.

Assemble the rigs once, then draw up ledgers and exposures at any number of states:

>>> import numpy as np
>>> from leadline.arrays import Records, columns_from_rows, occasions
>>> from leadline.records import CHECKS, DIVERS, DIVES, GEAR
>>> dive = {"dive": "1", "diver": "Ines", "date": "2026-06-01", "water": "salt", "suit": "five",
...         "cylinder": "twelve", "end_bar": "50"}
>>> records = Records(
...     divers=columns_from_rows(DIVERS, [{"diver": "Ines", "mass_kg": 64, "height_cm": 170, "sex": "f",
...                                        "birth_year": 1990, "dives_before": 200}]),
...     gear=columns_from_rows(GEAR, [
...         {"item": "five", "kind": "suit", "style": "full", "thickness_mm": 5},
...         {"item": "twelve", "kind": "cylinder", "material": "steel", "water_capacity_l": 12}]),
...     dives=columns_from_rows(DIVES, [dive]),
...     checks=columns_from_rows(CHECKS, []),
... )
>>> rigs = assemble(records, occasions(records, records.dives))
>>> stop = State(depth=5.0, cylinder_pressure=35.0)
>>> ledger = evaluate(rigs, stop)
>>> doubts = exposures(rigs, stop, ledger=ledger)
>>> bool(1 < ledger.need[0] < 5), bool(1 < prior_sd(doubts)[0] < 2)
(True, True)
"""

from __future__ import annotations

from leadline.physics.balance import ITEMS, Item, Ledger, describe_need, evaluate, gas_mass
from leadline.physics.exposure import CATALOGUE, Exposures, exposures, prior_sd
from leadline.physics.head import emerged_head
from leadline.physics.lung import breath_volume
from leadline.physics.rig import Rigs, assemble
from leadline.physics.state import State, setting

__all__ = [
    "CATALOGUE",
    "ITEMS",
    "Exposures",
    "Item",
    "Ledger",
    "Rigs",
    "State",
    "assemble",
    "breath_volume",
    "describe_need",
    "emerged_head",
    "evaluate",
    "exposures",
    "gas_mass",
    "prior_sd",
    "setting",
]
