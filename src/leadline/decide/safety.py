"""Safety of the whole rig from the ledger: lift, what can be dropped, a failed BC, where the lead sits."""

from __future__ import annotations

from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.assessment import Assessment
from leadline.decide.full import full
from leadline.decide.trim import on_belt, trim
from leadline.frozen import dataclass
from leadline.physics.ledger import State, breath_volume, emerged_head, evaluate
from leadline.timeline import DIVE

__all__ = ["LEGS", "MOMENTS", "SHALLOW", "RigSafety", "rig_safety"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEGS: Final = 4.5
"""What legs and fins lift or hold down for some minutes. [kg] (common practice, no source)"""

ASSUMED_DEPTH: Final = 30.0
"""Greatest depth where neither the plan nor the diver's records name one. [m] (judged)"""

MOMENTS: Final = ("deep", "flooded", "head_out")
"""The heaviest moments: the start at the greatest depth; the same with the dry suit flooded; the head held
out of the water, cylinders full."""

SHALLOW: Final = 1.0
"""Where the last metres end. [m]"""


@dataclass(frozen=True)
class RigSafety:
    """Forces on *n* rigs at the moments that matter, at the middle of the band of need.

    Parameters
    ----------
    lead : ndarray, shape (n,)
        Lead judged. [kg]
    depth : ndarray, shape (n,)
        Greatest depth. [m]
    depth_from : ndarray of str, shape (n,)
        plan, records or assumed.
    lift : ndarray, shape (n,)
        Greatest gas volume of the BC; NaN where not listed. [L]
    lift_needed : ndarray, shape (n, 3)
        Gas that makes neutral at each of `MOMENTS`; NaN: flooded without a dry suit. [L]
    deep_weight : ndarray, shape (n,)
        What the diver weighs under water at the start at the greatest depth with an empty BC; positive
        sinks. [kg]
    stop_depth, stop_weight, dropped_stop_weight : ndarray, shape (n,)
        Depth of the stop, and what the diver weighs there at the start, as the two weights at the greatest
        depth: where no depth is known, that much it is at least. [m, kg, kg]
    ditchable : ndarray, shape (n,)
        Lead that can be dropped; NaN where nobody noted it. [kg]
    ditchable_from : ndarray of str, shape (n,)
        plan, records or empty.
    belt : ndarray, shape (n,)
        Lead on the belt, by where lead sits, of rigs of which nobody noted what can be dropped; NaN for
        others and where none is known to sit there. [kg] A belt has a quick release, so it can come off
        (common practice, no source); that nothing else can be dropped is not said with that.
    dropped_deep_weight : ndarray, shape (n,)
        As `deep_weight`, that lead dropped. [kg]
    afloat_full, afloat_near_empty : ndarray, shape (n,)
        Net buoyancy at the surface, that lead dropped, BC empty, head under, on a normal breath: full
        cylinders, and the planned reserve. Positive floats. [kg]
    lost_light : ndarray, shape (n,)
        How light the loss of that lead at the stop, where it is not noted of `belt`, leaves the diver;
        positive floats. [kg of lead]
    shallow_light : ndarray, shape (n,)
        How much lighter than neutral the diver is at 1 m with the pressure of the stop; positive floats.
        [kg of lead]
    backup : ndarray of str, shape (n,)
        Word of the records; empty where not noted.
    places : ndarray of str, shape (n,)
        Where lead sits, in the words of the records; empty where not noted.
    """

    lead: FloatArray
    depth: FloatArray
    depth_from: NDArray[np.object_]
    lift: FloatArray
    lift_needed: FloatArray
    deep_weight: FloatArray
    stop_depth: FloatArray
    stop_weight: FloatArray
    dropped_stop_weight: FloatArray
    ditchable: FloatArray
    ditchable_from: NDArray[np.object_]
    belt: FloatArray
    dropped_deep_weight: FloatArray
    afloat_full: FloatArray
    afloat_near_empty: FloatArray
    lost_light: FloatArray
    shallow_light: FloatArray
    backup: NDArray[np.object_]
    places: NDArray[np.object_]

    @cached_property
    def most_lift(self) -> FloatArray:
        """Lift needed at the heaviest moment, shape (n,). [L]."""
        return np.asarray(np.nanmax(self.lift_needed, axis=1))

    def heaviest(self, row: int) -> str:
        """Which of `MOMENTS` takes most lift."""
        return MOMENTS[int(np.nanargmax(self.lift_needed[row]))]


def _latest(assessment: Assessment, column: str) -> dict[int, int]:
    """Key of diver and suit to the row of the latest dive that has something in `column`."""
    line = assessment.line
    dives = line.at(DIVE)
    values = line.records.dives[column]
    dives = dives[values != "" if values.dtype == object else ~np.isnan(values)]
    date = line.occasions.date[dives]
    early = np.where(np.isnat(date), np.datetime64("0001-01-01", "s"), date)
    dives = dives[np.lexsort((dives, early))]
    return dict(zip(assessment.suit[dives].tolist(), line.row[dives].tolist(), strict=True))


def _depths(assessment: Assessment, rows: IntArray) -> tuple[FloatArray, NDArray[np.object_]]:
    """Greatest depth, and where it is from."""
    o, dives = assessment.line.occasions, assessment.line.at(DIVE)
    deepest = np.full(len(assessment.line.records.divers["diver"]), -np.inf)
    seen = np.where(np.isnan(o.max_depth[dives]), -np.inf, o.max_depth[dives])
    np.maximum.at(deepest, o.diver[dives], seen)
    planned, own = o.max_depth[rows], deepest[o.diver[rows]]
    known = np.isfinite(own)
    depth = np.where(np.isnan(planned), np.where(known, own, ASSUMED_DEPTH), planned)
    source = np.where(np.isnan(planned), np.where(known, "records", "assumed"), "plan")
    return depth, source.astype(object)


def _ditchable(
    assessment: Assessment, rows: IntArray, lead: FloatArray
) -> tuple[FloatArray, NDArray[np.object_]]:
    """Lead that can be dropped: as planned, else the share of the latest dive in that suit; of none none."""
    line = assessment.line
    planned = line.plan["lead_ditchable_kg"][line.row[rows]]
    latest = _latest(assessment, "lead_ditchable_kg")
    at = np.array([latest.get(key, -1) for key in assessment.suit[rows].tolist()], np.int64)
    # A last element that is missing serves where there is no such dive, at -1.
    on, off = (np.append(line.records.dives[name], np.nan)[at] for name in ("lead_kg", "lead_ditchable_kg"))
    share = np.divide(off, on, out=np.where(off == 0, 0.0, np.nan), where=on > 0)
    found = np.where(np.isnan(planned), share * lead, planned)
    found = np.where(lead == 0, 0.0, found)  # of no lead none can be dropped, whether that was noted or not
    source = np.where(np.isnan(planned), np.where(np.isnan(found), "", "records"), "plan")
    return np.minimum(found, lead), source.astype(object)


def _belt(assessment: Assessment, rows: IntArray, lead: FloatArray) -> FloatArray:
    """Lead on the belt: as planned, else the share of the latest dive in that suit; NaN: none known."""
    line, latest = assessment.line, _latest(assessment, "lead_places")
    dives = line.records.dives
    found = np.full(len(rows), np.nan)
    for i, row in enumerate(line.row[rows].tolist()):
        planned = str(line.plan["lead_places"][row])
        if planned:
            found[i] = on_belt(planned)
        elif (past := latest.get(int(assessment.suit[rows[i]]), -1)) >= 0:
            places = str(dives["lead_places"][past])
            # Of what was on and has no place named, none is taken to sit on the belt.
            whole = float(np.fmax(dives["lead_kg"][past], sum(trim(places).totals.values())))
            found[i] = on_belt(places) / whole * lead[i] if whole > 0 else np.nan
    return np.where(found > 0, np.minimum(found, lead), np.nan)


def _words(assessment: Assessment, rows: IntArray, column: str) -> NDArray[np.object_]:
    """Words of a plan, else of the latest dive in that suit that has them."""
    line = assessment.line
    planned = line.plan[column][line.row[rows]]
    latest = _latest(assessment, column)
    at = np.array([latest.get(key, -1) for key in assessment.suit[rows].tolist()], np.int64)
    return np.asarray(np.where(planned == "", np.append(line.records.dives[column], "")[at], planned), object)


def bc_lift(assessment: Assessment, rows: IntArray) -> FloatArray:
    """Lift of the BCs worn together; NaN where one of them has none listed. [L]."""
    worn = assessment.line.occasions.bc[rows]
    each = np.append(assessment.line.records.gear["lift_l"], 0.0)[worn]  # -1 pads with nothing
    return np.where((worn >= 0).any(axis=1), each.sum(axis=1), np.nan)


def rig_safety(
    assessment: Assessment, rows: IntArray, *, lead: FloatArray, need: FloatArray, stop: State
) -> RigSafety:
    """Forces at the moments that matter for rows of the plan.

    Parameters
    ----------
    assessment : Assessment
        With the plan.
    rows : ndarray of int, shape (n,)
        Rows of the timeline, of the plan.
    lead : ndarray, shape (n,)
        Lead to judge. [kg]
    need : ndarray, shape (n,)
        Need at the stop, what the records say included. [kg]
    stop : State
        The stop of those rows.

    Returns
    -------
    RigSafety
        What the records say of a need is carried unchanged from the stop to the other moments.

    Notes
    -----
    Weight under water is (lead - need in that state) (1 - rho/rho_lead); gas that lifts it fills weight/rho
    litres. The diver keeps a dry suit at its volume; flooded it displaces that much less.
    """
    rigs, filled = assessment.rigs.take(rows), full(assessment, rows)
    depth, depth_from = _depths(assessment, rows)
    normal, _ = breath_volume(np.full(len(rows), "normal", object), rigs.lungs)
    at_stop = evaluate(rigs, stop)
    offset = need - at_stop.need

    def weight(state: State, on: FloatArray) -> tuple[FloatArray, FloatArray]:
        """Weight under water [kg] and water density [kg/L]."""
        ledger = evaluate(rigs, state)
        return (on - ledger.need - offset) * ledger.lead_factor, ledger.water_density / 1e3

    ditchable, ditchable_from = _ditchable(assessment, rows, lead)
    belt = np.where(np.isnan(ditchable), _belt(assessment, rows, lead), np.nan)
    deep, rho = weight(State(depth, filled), lead)
    head = emerged_head(rigs, "chin")[0]
    out, rho_out = weight(State(0.0, filled, head_out=head), lead)
    flooded = np.where(rigs.dry, (deep + rho * rigs.trapped) / rho, np.nan)
    near_empty = State(0.0, stop.cylinder_pressure, stop.carried, breath=normal)
    near_surface = evaluate(rigs, State(SHALLOW, stop.cylinder_pressure, stop.carried))
    return RigSafety(
        lead=lead,
        depth=depth,
        depth_from=depth_from,
        lift=bc_lift(assessment, rows),
        lift_needed=np.stack([deep / rho, flooded, out / rho_out], axis=1),
        deep_weight=deep,
        stop_depth=np.broadcast_to(np.asarray(stop.depth, float), depth.shape),
        stop_weight=weight(State(stop.depth, filled), lead)[0],
        dropped_stop_weight=weight(State(stop.depth, filled), lead - ditchable)[0],
        ditchable=ditchable,
        ditchable_from=ditchable_from,
        belt=belt,
        dropped_deep_weight=weight(State(depth, filled), lead - ditchable)[0],
        afloat_full=-weight(State(0.0, filled, breath=normal), lead - ditchable)[0],
        afloat_near_empty=-weight(near_empty, lead - ditchable)[0],
        lost_light=need - (lead - np.where(np.isnan(ditchable), belt, ditchable)),
        shallow_light=near_surface.need + offset - lead,
        backup=_words(assessment, rows, "backup_lift"),
        places=_words(assessment, rows, "lead_places"),
    )
