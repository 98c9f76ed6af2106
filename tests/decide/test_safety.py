"""The whole rig at its heaviest and lightest moments, against Archimedes by hand.

Densities: sea 1.0247 kg/L at 35 g/kg and 20 °C, lead 11.34 kg/L (published: TEOS-10; handbooks, from memory).
A litre lifts 1.0247 kg and a kilogram of lead weighs 1 - 1.0247/11.34 = 0.9096 kg there.
"""

from __future__ import annotations

import numpy as np
import pytest

from leadline.arrays import Records
from leadline.decide.assessment import Assessment
from leadline.decide.rig_sentence import rig_cautions
from leadline.decide.safety import LEGS, rig_safety
from leadline.model.population import prior_fit
from leadline.timeline import PLAN

from .club import DIVERS, GEAR, assess, plan_row, records

RHO, LEAD = 1.0247, 1 - 1.0247 / 11.34
AIR = {200: 231.6e-3, 35: 43.2e-3}  # kg/L at 20 °C, gauge; published: Lemmon et al. 2000, as CoolProp has it

KIT = [
    *GEAR,
    {"item": "small bc", "kind": "bc", "style": "jacket", "lift_l": 5},
    {"item": "big bc", "kind": "bc", "style": "wing", "lift_l": 25},
    {"item": "wing of two", "kind": "bc", "style": "wing", "lift_l": 4},
]
SEA = {"salinity_gkg": 35, "water_temp_c": 20, "max_depth_m": 30, "start_bar": 200}


def judged(need: float = 6.0, lead: float = 7.0, *, history=(), **changed):
    """The rig of one planned dive of Ines with a stated need and lead."""
    row = plan_row("Ines", **(SEA | changed))
    assessment = assess([row], fit=prior_fit(), gear=KIT, dives=list(history), checks=[])
    rows = assessment.line.at(PLAN)
    state = assessment.state(rows)
    return rig_safety(assessment, rows, lead=np.array([lead]), need=np.array([need]), stop=state)


def said(safety, **options) -> str:
    return " | ".join(rig_cautions(safety, 0, breath_out=0.5, **options))


def test_bare_diver_is_heavy_by_the_gas_at_depth() -> None:
    """By hand: without foam nothing shrinks, so from stop to start only 12 L of air come on, and water gets
    denser with 25 m by 0.11 kg/m3 on some 80 L: less than a tenth of a kilogram."""
    found = judged(suit="", other="")
    swing = 12 * (AIR[200] - AIR[35])
    assert found.deep_weight[0] == pytest.approx(1.0 * LEAD + swing, abs=0.03)
    assert found.lift_needed[0, 0] == pytest.approx(found.deep_weight[0] / RHO, abs=0.01)
    assert np.isnan(found.lift_needed[0, 1])  # no dry suit, none that floods


def test_foam_lost_to_depth_is_lifted_by_the_bc() -> None:
    """By hand: Boyle's law from 1.516 to 4.029 bar takes (0.668 - 0.251) of the gas that pressure reaches
    from the foam; the suit's surface volume is read off the ledger at the two depths by that ratio."""
    bare, suited = judged(suit=""), judged()
    assessment = assess([plan_row("Ines", **SEA)], fit=prior_fit(), gear=KIT, dives=[], checks=[])
    gas = float(assessment.rigs.take(assessment.line.at(PLAN)).foam.sum())
    ratio = 1.01325 / 1.516 - 1.01325 / 4.029
    lost = RHO * gas * ratio
    gained = float(suited.deep_weight[0] - bare.deep_weight[0])
    assert 0.9 * lost < gained <= lost + 0.02  # a share of foam resists pressure


def test_head_out_takes_its_own_volume() -> None:
    """By hand: 3.9 L of head above the water (from memory) lift no more; foam is whole at the surface."""
    found = judged(suit="", other="")
    assert found.lift_needed[0, 2] - found.lift_needed[0, 0] == pytest.approx(3.9, abs=0.05)
    assert found.heaviest(0) == "head_out"


def test_flooded_dry_suit_takes_the_gas_it_held() -> None:
    kit = {"suit": "membrane", "undersuit": "warm"}
    found = judged(**kit)
    assessment = assess([plan_row("Ines", **(SEA | kit))], fit=prior_fit(), gear=KIT, dives=[], checks=[])
    held = float(assessment.rigs.take(assessment.line.at(PLAN)).trapped[0])
    assert held > 6  # a thick undersuit
    assert found.lift_needed[0, 1] - found.lift_needed[0, 0] == pytest.approx(held, abs=1e-9)


def test_dropped_lead_floats_its_own_weight() -> None:
    kept, gone = judged(lead_ditchable_kg=0), judged(lead_ditchable_kg=4)
    for name in ("afloat_full", "afloat_near_empty"):
        assert getattr(gone, name)[0] - getattr(kept, name)[0] == pytest.approx(4 * LEAD, abs=0.01)
    swing = 12 * (AIR[200] - AIR[35])
    assert gone.afloat_near_empty[0] - gone.afloat_full[0] == pytest.approx(swing, abs=0.02)
    assert gone.lost_light[0] == pytest.approx(6.0 - (7.0 - 4.0))


def test_what_the_records_teach_is_carried_to_every_moment() -> None:
    low, high = judged(need=5.0), judged(need=6.0)
    assert low.deep_weight[0] - high.deep_weight[0] == pytest.approx(LEAD, abs=0.01)


@pytest.mark.parametrize(("bc", "short"), [("small bc", True), ("big bc", False), ("jacket", False)])
def test_bc_is_judged_where_its_lift_is_listed(bc, short) -> None:
    found = judged(bc=bc)
    assert ("The BC holds 5 L" in said(found)) is short
    assert np.isnan(found.lift[0]) == (bc == "jacket")
    assert judged(bc="small bc;wing of two").lift[0] == 9


def test_failed_bc_is_judged_by_what_legs_lift_unless_there_is_backup() -> None:
    """Common practice, no source: legs lift about 4.5 kg, and the sentence says so."""
    heavy = {"lead": 10.0, "need": 5.0}
    found = judged(**heavy)
    assert found.deep_weight[0] > LEGS
    assert "common practice, no source" in said(found)
    assert "30 m" in said(found)
    assert "98 ft" in said(found, imperial=True)
    assert " kg" not in said(found, imperial=True)
    assert "failed BC" not in said(judged(**heavy, backup_lift="second_bladder"))
    assert "failed BC" in said(judged(**heavy, backup_lift="none"))
    assert "failed BC" not in said(judged(**heavy, lead_ditchable_kg=8))  # dropping it is the way up
    assert "even with all dropped" in said(judged(**heavy, lead_ditchable_kg=1))
    deep = judged(lead=8.0, need=6.0, max_depth_m=None)  # nobody said how deep; legs lift it at the stop
    assert deep.deep_weight[0] > LEGS > deep.stop_weight[0]
    assert "failed BC" not in said(deep)
    past = [plan_row("Ines", dive="a", date="2026-05-01", lead_kg=8, max_depth_m=28)]
    assert "With a failed BC at 28 m (the deepest on record) this diver" in said(
        judged(**heavy, history=past, max_depth_m=None)
    )


def test_a_bc_that_fails_where_no_depth_is_known_is_judged_at_the_stop() -> None:
    """Whoever is too heavy for their legs at 5 m with full cylinders is so at any depth: independent of the
    depth assumed, which is never spoken of."""
    heavy = {"lead": 14.0, "need": 6.0, "max_depth_m": None}
    found = judged(**heavy)
    assert found.depth_from[0] == "assumed"
    assert found.stop_weight[0] == pytest.approx(float(judged(**heavy | {"max_depth_m": 5}).deep_weight[0]))
    assert "With a failed BC at 5 m already this diver" in said(found)
    assert "30 m" not in said(found)
    assert "failed BC" not in said(judged(**heavy, backup_lift="second_bladder"))
    assert "failed BC" not in said(judged(**heavy, lead_ditchable_kg=14))
    assert "failed BC" not in said(judged(lead=6.5, need=6.0, max_depth_m=None))


@pytest.mark.parametrize(("over", "words"), [(0.1, "at the limit of what legs"), (0.6, "more than legs")])
def test_weight_is_not_more_than_itself(over, words) -> None:
    lead = 10.0 + (LEGS + over - float(judged(lead=10.0, need=5.0).deep_weight[0])) / LEAD
    found = judged(lead=lead, need=5.0)
    assert found.deep_weight[0] == pytest.approx(LEGS + over, abs=0.02)
    assert words in said(found)


@pytest.mark.parametrize(
    ("weight", "told", "than"),
    [
        (8.8, "5 kg under water even with all dropped that can be (9 kg before)", "more than legs"),
        (8.3, "4.5 kg under water even with all dropped that can be (8.5 kg before)", "at the limit of what"),
        (8.0, "", ""),
    ],
)
def test_what_is_dropped_no_longer_weighs(weight, told, than) -> None:
    """By hand: 4 kg of lead dropped are 4 * 0.9096 = 3.64 kg less under water: of 8.8 kg 5.16 are left, of
    8.3 kg 4.66, and of 8.0 kg 4.36, which legs lift."""
    at = float(judged(lead=14.0, need=6.0, lead_ditchable_kg=4).deep_weight[0])
    found = judged(lead=14.0, need=6.0 + (at - weight) / LEAD, lead_ditchable_kg=4)
    assert found.deep_weight[0] == pytest.approx(weight, abs=0.01)
    assert found.dropped_deep_weight[0] == pytest.approx(weight - 4 * LEAD, abs=0.01)
    text = said(found)
    assert f"{told}, {than}" in text if told else "failed BC" not in text
    # Nothing to drop, nothing less.
    kept = said(judged(lead=14.0, need=6.0 + (at - weight) / LEAD, lead_ditchable_kg=0))
    assert "under water even with all dropped that can be, more than legs" in kept


def test_in_pounds_too_a_weight_is_not_more_than_itself() -> None:
    """By hand: legs lift 4.5 kg, 9.9 lb, printed as 10 lb; 4.75 kg are 10.47 lb, printed so too."""
    at = float(judged(lead=10.0, need=5.0).deep_weight[0])
    text = said(judged(lead=10.0, need=5.0 + (at - 4.755) / LEAD), imperial=True)
    assert "about 10 lb under water, at the limit of what legs lift (about 10 lb" in text


def test_of_no_lead_none_can_be_dropped() -> None:
    """Neither where nobody noted it, nor where the dives before had none: it is known all the same."""
    history = [plan_row("Ines", date="2026-05-01", lead_kg=0, lead_ditchable_kg=0)]
    none_on = judged(need=-4.0, lead=0.0)
    assert none_on.ditchable[0] == 0
    assert "No lead can be dropped" in said(none_on)
    assert said(none_on) == said(judged(need=-4.0, lead=0.0, lead_ditchable_kg=0))
    later = judged(need=-4.0, lead=1.0, history=history)
    assert (later.ditchable[0], later.ditchable_from[0]) == (0, "records")
    assert np.isnan(judged(need=-4.0, lead=1.0).ditchable[0])


def test_what_hardly_sinks_is_not_said_to_sink_by_nothing() -> None:
    """By hand: each gram of need is 0.9096 g of buoyancy, and both moments shift alike."""
    lowest = judged(need=6.0, lead=6.0, lead_ditchable_kg=0)
    sinks = -min(lowest.afloat_full[0], lowest.afloat_near_empty[0]) / LEAD
    for by, told in ((0.2, ""), (0.4, "still sinks at the surface by about 0.5 kg")):
        need = 6.0 + sinks - by / LEAD
        found = said(judged(need=need, lead=6.0, lead_ditchable_kg=0))
        assert told in found
        assert ("still sinks" in found) == bool(told)


@pytest.mark.parametrize(
    ("full", "told"),
    [
        (-3.2, "by about 3 kg with full cylinders and 1 kg with nearly empty ones"),
        (-2.0, "by about 2 kg with full cylinders"),  # near empty: floats by 0.26 kg
        (-2.3, "by about 2.5 kg with full cylinders"),  # near empty: sinks by 0.04 kg, next to nothing
    ],
)
def test_each_sinking_stands_with_the_cylinders_it_is_of(full, told) -> None:
    """By hand: 12 L from 200 to 35 bar lose 12 * (231.6 - 43.2) g = 2.26 kg of air, and so much less sinks
    with nearly empty cylinders: of 3.2 kg about 1 kg is left, not 3."""
    at = judged(need=6.0, lead=6.0, lead_ditchable_kg=0)
    found = judged(need=6.0 + (full - at.afloat_full[0]) / LEAD, lead=6.0, lead_ditchable_kg=0)
    assert found.afloat_full[0] == pytest.approx(full, abs=0.01)
    assert found.afloat_near_empty[0] == pytest.approx(full + 12 * (AIR[200] - AIR[35]), abs=0.02)
    text = said(found)
    assert f"this diver still sinks at the surface {told}" in text
    assert ("nearly empty" in text) == ("nearly empty" in told)
    assert " kg" not in said(found, imperial=True)


def test_of_one_weight_and_the_same_both_cylinders_are_said_at_once() -> None:
    """A pony of 1 L: its 0.19 kg of air make no half kilogram."""
    small = [*KIT, {"item": "pony", "kind": "cylinder", "material": "alu", "water_capacity_l": 1}]
    assessment = assess(
        [plan_row("Ines", **SEA, cylinder="pony", lead_ditchable_kg=0)], fit=prior_fit(), gear=small,
        dives=[], checks=[],
    )  # fmt: skip
    rows = assessment.line.at(PLAN)
    lead = np.array([6.0])

    def at(need: float):
        return rig_safety(assessment, rows, lead=lead, need=np.array([need]), stop=assessment.state(rows))

    found = at(6.0 + (-1.1 - at(6.0).afloat_full[0]) / LEAD)
    assert -1.25 < found.afloat_full[0] < found.afloat_near_empty[0] < -0.75
    assert "at the surface by about 1 kg, even with nearly empty cylinders" in said(found)


def test_ditchable_is_judged_both_ways() -> None:
    over = {"lead": 14.0, "need": 6.0}
    little = judged(**over, lead_ditchable_kg=1)
    assert little.afloat_full[0] < 0
    assert "still sinks at the surface" in said(little)
    assert "still sinks" not in said(judged(**over, lead_ditchable_kg=1, backup_lift="dry_suit"))
    assert "No lead can be dropped" in said(judged(**over, lead_ditchable_kg=0))
    much = judged(lead_ditchable_kg=7)
    assert "If the 7 kg that can be dropped come off at the stop" in said(much)
    assert "If the 7 kg that can be dropped come off at the stop" in said(
        judged(lead_ditchable_kg=7, backup_lift="dry_suit")
    )
    assert "come off" not in said(judged(lead_ditchable_kg=3))
    neither = said(judged())
    assert "come off" not in neither
    assert "still sinks" not in neither  # nobody noted what can be dropped


def test_a_belt_that_comes_off_is_judged_where_nobody_noted_what_can_be_dropped() -> None:
    """By hand: 6 kg needed and 7 on, so that 7 kg lost leave the diver light by 6 kg and 6.5 kg by 5.5; fins
    hold 4.5 kg and breathing out 0.5, and so 4 kg lost, light by 3, are no runaway. That a belt opens in one
    move: common practice, no source."""
    all_of_it = judged(lead_places="belt:7")
    assert (all_of_it.belt[0], all_of_it.lost_light[0]) == pytest.approx((7.0, 6.0))
    words = (
        "If the 7 kg that sit on the belt by the places noted come off at the stop (a belt opens in one "
        "move, common practice, no source), this diver is light by about 6 kg, more than fins hold down"
    )
    assert words in said(all_of_it)
    assert "If the 15 lb that sit on the belt" in said(all_of_it, imperial=True)
    assert "If the 6.5 kg that sit on the belt" in said(judged(lead_places="Belt:4;belt left:2.5;band:0.5"))
    assert "come off" not in said(judged(lead_places="belt:4;pockets:3"))
    # Of pockets nobody said that they come off; and a belt named with more than is on holds no more.
    assert np.isnan(judged(lead_places="pockets:7").lost_light[0])
    assert judged(lead_places="belt:9").belt[0] == 7
    # Nothing else is judged by it: that no more than the belt can be dropped, nobody noted.
    other = {"lead": 14.0, "need": 6.0}
    without, belted = judged(**other), judged(**other, lead_places="belt:1")
    for name in ("ditchable", "afloat_full", "dropped_deep_weight"):
        assert np.isnan(getattr(belted, name)[0])
    assert said(belted) == said(without)


def test_what_is_noted_as_ditchable_overrules_the_places() -> None:
    noted = judged(lead_places="belt:7", lead_ditchable_kg=6.5)
    assert np.isnan(noted.belt[0])
    assert "If the 6.5 kg that can be dropped come off at the stop, this diver" in said(noted)
    assert "come off" not in said(judged(lead_places="belt:7", lead_ditchable_kg=2))


def test_the_belt_of_the_latest_dive_in_that_suit_is_a_share_of_the_lead() -> None:
    """By hand: 6 of 8 kg on the belt are 5.25 of 7 kg, also where the places name only those 6."""
    for places in ("belt:6;back:2", "belt:6"):
        past = [plan_row("Ines", dive="a", date="2026-05-01", lead_kg=8, lead_places=places)]
        assert judged(history=past).belt[0] == pytest.approx(0.75 * 7)
        assert np.isnan(judged(history=past, lead_places="back:7").belt[0])
    other = [plan_row("Ines", dive="a", date="2026-05-01", suit="vest", lead_kg=8, lead_places="belt:8")]
    assert np.isnan(judged(history=other).belt[0])


def test_what_nobody_planned_is_taken_from_the_latest_dive_in_that_suit() -> None:
    past = [
        plan_row("Ines", dive="a", date="2026-05-01", lead_kg=8, lead_ditchable_kg=2, lead_places="belt:8"),
        plan_row(
            "Ines", dive="b", date="2026-05-02", lead_kg=8, lead_ditchable_kg=4, backup_lift="dry_suit",
            max_depth_m=41,
        ),
        plan_row("Ines", dive="c", date="2026-05-03", suit="vest", lead_kg=5, lead_ditchable_kg=5),
    ]  # fmt: skip
    found = judged(history=past, max_depth_m=None)
    assert found.ditchable[0] == pytest.approx(0.5 * 7.0)  # the share, at the new lead
    assert found.ditchable_from[0] == "records"
    assert (found.backup[0], found.places[0]) == ("dry_suit", "belt:8")
    assert (found.depth[0], found.depth_from[0]) == (41, "records")
    assert (judged(max_depth_m=None).depth[0], judged(max_depth_m=None).depth_from[0]) == (30, "assumed")
    planned = judged(history=past, lead_ditchable_kg=1, lead_places="back:7")
    assert (planned.ditchable[0], planned.places[0], planned.depth_from[0]) == (1, "back:7", "plan")


def test_light_above_the_stop_is_told() -> None:
    """Common practice: in thick foam the last metres run away."""
    thick = [*KIT, {"item": "seven", "kind": "suit", "style": "two_piece", "thickness_mm": 7}]
    row = plan_row("Ines", **(SEA | {"suit": "seven"}))
    assessment = assess([row], fit=prior_fit(), gear=thick, dives=[], checks=[])
    rows = assessment.line.at(PLAN)
    found = rig_safety(
        assessment, rows, lead=np.array([7.0]), need=np.array([7.0]), stop=assessment.state(rows)
    )
    assert found.shallow_light[0] > 1.5
    assert "take the last metres slowly" in said(found)
    assert "last metres" not in said(judged(suit="vest"))


def test_all_rows_at_once_are_each_by_itself() -> None:
    rows = [
        plan_row("Ines", **SEA),
        plan_row("Ole", **(SEA | {"suit": "membrane", "undersuit": "warm", "bc": "big bc"})),
        plan_row("Uma", **(SEA | {"cylinder": "steel 12;stage 7", "end_bar": "50;-", "max_depth_m": 12})),
    ]
    held: Records = records(gear=KIT, dives=[], checks=[])
    assert len(held.divers["diver"]) == len(DIVERS)

    def safety(plan):
        assessment: Assessment = assess(plan, fit=prior_fit(), gear=KIT, dives=[], checks=[])
        at = assessment.line.at(PLAN)
        need = np.full(len(at), 6.0)
        return rig_safety(assessment, at, lead=need + 1, need=need, stop=assessment.state(at))

    together = safety(rows)
    for i, row in enumerate(rows):
        alone = safety([row])
        assert together.lift_needed[i] == pytest.approx(alone.lift_needed[0], nan_ok=True)
        assert together.afloat_near_empty[i] == pytest.approx(alone.afloat_near_empty[0], nan_ok=True)
