"""What failed in one cylinder, undersuit, body or season counts in the next: need changed, not the kit."""

from __future__ import annotations

import numpy as np
import pytest

from leadline.decide.advice import advise
from leadline.decide.kin import apart, apart_rows
from leadline.model.population import prior_fit
from leadline.timeline import DIVE, PLAN

from .club import NEED, assess, dives, plan_row

LEAD = NEED["Ines"]
ALU = {"cylinder": "alu 11"}
WITH_STAGE = {"cylinder": "steel 12;stage 7", "start_bar": "200;200", "end_bar": "50;-"}


def season(*rises: float, cylinders: tuple[str, ...] = ("steel 12",), **kit) -> list[dict]:
    """Twelve stops held with an empty BC, cylinders by turns, then rises with so much over need."""
    own = next(row for row in dives() if row["diver"] == "Ines")
    # An aluminium cylinder of 11.1 L asks for 2.6 kg more than a steel one of 12 L, by the ledger.
    more = {"steel 12": 0.0, "alu 11": 2.6}
    held = [
        own | {"dive": f"h{i}", "date": f"2026-04-{i + 1:02d}", "cylinder": cylinder, "bc_state": "empty",
               "lead_kg": LEAD + more[cylinder] + 0.5}
        for i, cylinder in enumerate(cylinders * (12 // len(cylinders)))
    ]  # fmt: skip
    failed = [
        own | {"dive": f"r{i}", "date": f"2026-05-{i + 10}", "lead_kg": LEAD + over, "bc_state": "empty",
               "stop_result": "rose"} | kit
        for i, over in enumerate(rises)
    ]  # fmt: skip
    return [row for row in dives() if row["diver"] != "Ines"] + held + failed


def answer(rows: list[dict], **changed):
    (found,) = advise(assess([plan_row("Ines", **changed)], dives=rows, checks=[]))
    return found


@pytest.mark.parametrize("rises", [(1.0,), (1.0, 1.5)])
def test_a_stage_that_is_left_behind_forgets_no_rise(rises) -> None:
    """By hand: the stage is not there at the stop, so that both are one question."""
    rows = season(*rises, **WITH_STAGE)
    without, with_it = answer(rows), answer(rows, cylinder="steel 12;stage 7", end_bar="35;-")
    assert without.check_first
    assert with_it.check_first
    assert without.lead_kg > LEAD + rises[-1]
    assert without.need_q50_kg == pytest.approx(with_it.need_q50_kg, abs=0.1)
    assert without.need_q90_kg == pytest.approx(with_it.need_q90_kg, abs=0.2)
    assert any(text.startswith("Rose at the stop") for text in without.cautions)


@pytest.mark.parametrize("rises", [(1.5,), (1.5, 2.0)])
def test_another_cylinder_asks_for_as_much_more_after_rises_as_before(rises) -> None:
    """By hand: what a cylinder weighs does not hang on who rose with the other one."""
    both = ("steel 12", "alu 11")
    before, after = season(cylinders=both), season(*rises, cylinders=both)
    gap = answer(before, **ALU).need_q90_kg - answer(before).need_q90_kg
    steel, alu = answer(after), answer(after, **ALU)
    assert alu.check_first
    assert alu.need_q90_kg - steel.need_q90_kg == pytest.approx(gap, abs=0.4)
    assert alu.need_q50_kg > answer(before, **ALU).need_q50_kg
    assert any(text.startswith("Rose at the stop") for text in alu.cautions)


def test_what_was_held_in_one_cylinder_answers_a_rise_with_the_other() -> None:
    rows = season(1.5, cylinders=("steel 12", "alu 11"))
    last = rows[-1]
    rows += [
        last | {"dive": f"a{i}", "date": f"2026-05-{13 + i}", "lead_kg": LEAD + 3.1, "stop_result": "hovered"}
        | ALU
        for i in range(3)
    ]  # fmt: skip
    found = answer(rows, **ALU)
    assert not found.check_first
    assert not any(text.startswith("Rose at the stop with") for text in found.cautions)


@pytest.mark.parametrize("changed", [{"body_mass_kg": 70}, {"date": "2028-05-20"}, {"body_mass_kg": 72}])
def test_a_break_or_another_body_makes_no_rise_less_likely(changed) -> None:
    """They widen the band of the dive to come, and nothing that was seen before them has moved."""
    rows = season(1.5)
    now, later = answer(rows), answer(rows, **changed)
    assert later.check_first
    assert later.need_q90_kg >= now.need_q90_kg - 0.05
    assert later.need_q90_kg - later.need_q10_kg >= now.need_q90_kg - now.need_q10_kg - 0.05
    assert later.bring_kg >= now.bring_kg


def test_a_rise_in_kit_that_was_hardly_known_says_little_of_kit_that_is() -> None:
    """The first dive with another cylinder: it may weigh less than listed, and the old one is known.

    Nobody has to check with the cylinder of twelve held stops for that."""
    rows = season(3.2, **ALU)  # 0.6 kg more than the ledger has as need with that cylinder
    plain, found = answer(season()), answer(rows)
    assert not found.check_first
    assert found.lead_kg <= plain.lead_kg + 0.5
    assert answer(rows, **ALU).lead_kg > LEAD + 3.2


THICK = {"suit": "membrane", "undersuit": "warm", "suit_gas": "least"}
THIN = THICK | {"undersuit": ""}


def dry(*after: tuple[float, str, dict]) -> list[dict]:
    """Eight stops held in each of two undersuits 3 kg apart, by turns, then others: lead, result, kit."""
    own = next(row for row in dives() if row["diver"] == "Ines") | {"bc_state": "empty"}
    held = [
        own | {"dive": f"h{i}", "date": f"2026-04-{i + 1:02d}", "lead_kg": 12.5 if i % 2 else 9.5}
        | (THICK if i % 2 else THIN)
        for i in range(16)
    ]  # fmt: skip
    later = [
        own | {"dive": f"x{i}", "date": f"2026-05-{i + 2:02d}", "lead_kg": lead, "stop_result": result} | kit
        for i, (lead, result, kit) in enumerate(after)
    ]
    return [row for row in dives() if row["diver"] != "Ines"] + held + later


def test_a_stop_held_with_more_in_the_other_undersuit_bears_a_rise_out() -> None:
    """By hand: both say that need has risen by some 3 kg. The ledger has the undersuits further apart than
    this diver's records do, so that the stop that was held seemed to answer the rise."""
    risen, borne_out = (11.0, "rose", THIN), (15.5, "hovered", THICK)
    one, both = answer(dry(risen), **THICK), answer(dry(risen, borne_out), **THICK)
    assert one.check_first
    assert both.check_first
    assert both.lead_kg >= one.lead_kg > 14.0
    # The stop that was held says how far need has risen, which one rise leaves open.
    assert both.need_q50_kg > one.need_q50_kg + 1.5
    same = answer(dry((14.0, "rose", THICK), borne_out), **THICK)
    assert both.bring_kg == pytest.approx(same.bring_kg, abs=0.5)
    assert answer(dry(risen, borne_out), **THIN).lead_kg > 11.0


def test_stops_held_in_this_undersuit_answer_a_rise_in_the_other() -> None:
    """By hand: the kit that is asked for was held with what it always took. Each stop raised its lead."""
    plain = answer(dry(), **THIN)
    found = [answer(dry((14.0, "rose", THICK), *[(9.5, "hovered", THIN)] * n), **THIN) for n in (1, 3)]
    for one in found:
        assert not one.check_first
        assert one.lead_kg <= plain.lead_kg
        assert not any(text.startswith("Rose at the stop") for text in one.cautions)
    # In the other one it is still not answered.
    other = answer(dry((14.0, "rose", THICK), (9.5, "hovered", THIN)), **THICK)
    assert other.check_first
    assert other.lead_kg > 14.0


@pytest.mark.parametrize("over", [2.0, 3.0])
def test_a_stop_held_with_another_body_answers_no_rise(over) -> None:
    rows = [*season(), *(row | {"body_mass_kg": 72} for row in season(over)[-1:])]
    held = {"lead_kg": LEAD + 0.5, "stop_result": "hovered", "body_mass_kg": 64}
    lighter = rows[-1] | {"dive": "back", "date": "2026-05-12"} | held
    found = answer([*rows, lighter], body_mass_kg=72)
    assert found.check_first
    assert found.lead_kg > LEAD + over
    assert not any(t.startswith("Rose at the stop") for t in answer([*rows, lighter]).cautions)


@pytest.mark.parametrize("first", ["rose", "sank"])
@pytest.mark.parametrize("over", [1.5, 3.0])
def test_rises_as_many_as_stops_that_sank_are_no_slips(first, over) -> None:
    """By hand: half of the stops rose with 6 or 7.5 kg, the others sank with 3. Whatever the model takes for
    slips and whatever risk is accepted, a check has to have more than what rose at hand, and begins above it.
    """
    own = next(row for row in dives() if row["diver"] == "Ines")
    second = "sank" if first == "rose" else "rose"
    rows = [
        own | {"dive": f"x{i}", "date": f"2026-05-{i + 1:02d}", "bc_state": "empty",
               "lead_kg": LEAD + (over if result == "rose" else -1.5), "stop_result": result}
        for i, result in enumerate([first, second] * 4)
    ]  # fmt: skip
    asked = assess(
        [plan_row("Ines")], dives=[row for row in dives() if row["diver"] != "Ines"] + rows, checks=[]
    )
    at_hand = []
    for risk in (0.02, 0.05, 0.2):
        (found,) = advise(asked, risk=risk)
        assert found.check_first
        assert found.lead_kg > LEAD + over
        at_hand.append(found.bring_kg)
        assert found.bring_kg >= found.lead_kg
    assert at_hand == sorted(at_hand, reverse=True)


def test_kit_lies_apart_by_what_is_in_doubt_about_it() -> None:
    """By the definition: exposures are a need's change for one sd of each doubt, which are independent before
    anything is learned. A stage that is not there at the stop makes no difference to speak of."""
    rows = season(1.0, **WITH_STAGE)
    other = plan_row("Ines", **ALU)
    assessment = assess([plan_row("Ines"), other], fit=prior_fit(), dives=rows, checks=[])
    steel, alu = assessment.line.at(PLAN)
    last = assessment.line.at(DIVE)[-1]
    found = apart_rows(assessment, np.array([steel, alu, last]), int(steel))
    shared = assessment.prior(np.array([steel, alu]), assessment.state(np.array([steel, alu])))[1]
    assert found[0] == 0
    assert found[1] == pytest.approx(((shared.values[0] - shared.values[1]) ** 2).sum())
    assert found[1] > 0.2**2
    assert found[2] < 0.1**2
    one = shared.take(np.array([0]))
    foreign = apart(assessment, one, one.values, one.suit_sd, np.array([False]))
    assert foreign == pytest.approx(2 * (assessment.fit.theta.suit_factor * one.suit_sd) ** 2)
