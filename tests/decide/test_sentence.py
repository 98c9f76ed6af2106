"""Who hears what: light (danger first), heavy, unsure; and why evidence and habit disagree."""

from __future__ import annotations

import re

import pytest

from leadline.decide.advice import answers, breath_out
from leadline.decide.block import Block, BlockSet
from leadline.decide.block_sentence import block_cautions, coarse, scarce
from leadline.decide.history import like_kit
from leadline.decide.sentence import _spread, dangers
from leadline.timeline import PLAN

from .club import GEAR, NEED, assess, dives, plan_row


def looked(lead: float, result: str, *, bc: str = "empty", day: int = 1, **changed):
    """A dive of Ines at the reserve, in the kit of the club."""
    row = plan_row("Ines", dive=f"s{day}", date=f"2026-05-{day:02d}", end_bar=35)
    return row | {"lead_kg": lead, "stop_result": result, "bc_state": bc} | changed


def advice(history, checks=(), **changed):
    return answers(assess([plan_row("Ines", **changed)], dives=history, checks=list(checks)))[0]


def test_light_hears_the_danger_first() -> None:
    history = [looked(3.0, "rose", day=day) for day in (1, 2, 3)]
    found = advice(history)
    first = found.advice.cautions[0]
    chance = float(found.need.above(3.0 + breath_out(assess().fit.theta)))
    assert first.startswith("Danger of an ascent that cannot be held: with the lead carried last, 3")
    assert f"{round(100 * chance)} dives in 100" in first
    assert found.advice.lead_kg > 3.0
    assert any("Too light at the stop 3 times in like kit" in caution for caution in found.advice.cautions)


@pytest.mark.parametrize("gas", [{"bc": "unknown"}, {"bc": ""}, {"bc": "gas", "bc_gas_l": 3}])
def test_a_rise_that_gas_explains_is_no_danger(gas) -> None:
    """Contract: rose with the BC unknown is a weak lower bound, with known gas one that the gas moves."""
    held = [looked(6.0, "hovered", day=day) for day in (1, 2)]
    found = advice([*held, looked(6.0, "rose", day=3, **gas)]).advice
    assert not any(caution.startswith("Too light") for caution in found.cautions)
    (said,) = [caution for caution in found.cautions if "may have done that" in caution]
    assert said.startswith("Rose at the stop once in like kit, the BC not noted as empty: its gas")
    assert said not in dangers(found.cautions)
    proven = advice([*held, looked(6.0, "rose", day=3)]).advice
    assert "Too light at the stop once in like kit" in dangers(proven.cautions)
    assert not any("may have done that" in caution for caution in proven.cautions)


def test_a_rise_in_a_dry_suit_of_unknown_gas_is_no_danger() -> None:
    kit = {"suit": "membrane", "undersuit": "warm"}
    found = advice([looked(9, "rose", day=day, **kit) for day in (1, 2)], **kit).advice
    (said,) = [caution for caution in found.cautions if "may have done that" in caution]
    assert said.startswith("Rose at the stop 2 times in like kit, BC or suit not noted as empty: their gas")
    assert not any(caution.startswith("Too light") for caution in found.cautions)
    vented = advice([looked(9, "rose", suit_gas="least", **kit)], **kit).advice
    assert any(caution.startswith("Too light") for caution in vented.cautions)


def test_a_check_begins_above_what_was_too_light() -> None:
    found = advice([looked(4.5, "rose")]).advice
    if found.check_first:
        assert found.lead_kg >= min(5.0, found.bring_kg)
    assert found.bring_kg > 4.5


@pytest.mark.parametrize(
    ("history", "checks", "words"),
    [
        ([looked(10, "hovered", bc="gas", day=d) for d in (1, 2, 3, 4)], (), "never that it is needed"),
        ([looked(10, "sank", day=d) for d in (1, 2, 3)], (), "the diver sank at a stop in like kit"),
        (
            [*(looked(10, "hovered", bc="gas", day=d) for d in (1, 2, 3)), looked(5, "hovered", day=4)],
            (),
            "stops with an empty BC bound the need on both sides",
        ),
        (
            [
                *(looked(11, "hovered", bc="gas", bc_gas_l=5, day=d) for d in (1, 2, 3)),
                looked(11, "sank", bc="gas", day=4),
            ],
            (),
            "stops with a known amount of gas in the BC bound the need on both sides",
        ),
        (
            [*(looked(12, "sank", day=d) for d in (1, 2, 3)), looked(3, "rose", day=4)],
            (),
            "what stops and surface checks showed bounds the need on both sides",
        ),
        (
            [looked(10, "hovered", bc="gas", day=d) for d in (1, 2, 3)],
            [plan_row("Ines", date="2026-05-12", check="c", lead_kg=5, bar=35, waterline="eye")],
            "read at a surface check",
        ),
    ],
)  # fmt: skip
def test_heavy_hears_why(history, checks, words) -> None:
    checks = [{k: v for k, v in row.items() if k != "dive"} for row in checks]
    said = [c for c in advice(history, checks).advice.cautions if c.startswith("Usually carried")]
    assert len(said) == 1
    assert "over the likely need" in said[0]
    assert words in said[0]


def test_habit_near_need_is_not_mentioned() -> None:
    near = [looked(NEED["Ines"] + 1, "hovered", bc="gas", day=d) for d in (1, 2, 3)]
    assert not any("Usually" in caution for caution in advice(near).advice.cautions)
    few = [looked(12, "hovered", bc="gas", day=d) for d in (1, 2)]
    assert not any("Usually" in caution for caution in advice(few).advice.cautions)


def test_much_more_on_the_last_dive_than_ever_is_said() -> None:
    """By hand: right on five looks, then 4 kg more with gas in the BC; then the old lead, and no word."""
    right = [looked(NEED["Ines"] + 0.5, "hovered", day=d) for d in (1, 2, 3, 4, 5)]
    more = looked(NEED["Ines"] + 4.5, "hovered", bc="gas", day=6)

    def said(*history):
        found = advice(list(history)).advice
        return [c for c in found.cautions if "carried" in c], found.need_q50_kg

    (words,), need = said(*right, more)
    assert words.startswith(f"Last carried {NEED['Ines'] + 4.5:g} kg in like kit")
    assert "stops with an empty BC bound the need on both sides" in words
    over = float(re.search(r"([\d.]+) kg over the likely need", words)[1])
    assert over == pytest.approx(NEED["Ines"] + 4.5 - need, abs=0.5)
    assert said(*right, more, looked(NEED["Ines"] + 0.5, "hovered", day=7))[0] == []


@pytest.mark.parametrize(("usual", "word"), [(11.0, "over"), (2.0, "under")])
def test_far_more_on_the_last_dive_than_a_usual_lead_far_from_need_is_said_too(usual, word) -> None:
    """By hand: the last lead less the likely need; the usual one may be too much or too little itself."""
    most = [looked(usual, "hovered" if word == "over" else "", bc="gas", day=day) for day in (1, 2, 3, 4)]

    def said(last):
        found = advice([*most, looked(last, "hovered", bc="gas", day=5)]).advice
        return [c for c in found.cautions if "carried" in c], found.need_q50_kg

    (words,), need = said(18.0)
    assert words.startswith(f"Usually carried {usual:g} kg in like kit")
    found = re.search(
        r"([\d.]+) kg (over|under) the likely need, and last 18 kg, ([\d.]+) kg over it: ", words
    )
    assert found[2] == word
    assert float(found[1]) == pytest.approx(abs(usual - need), abs=0.06)
    assert float(found[3]) == pytest.approx(18.0 - need, abs=0.06)
    assert "and last" not in said(usual + 0.5)[0][0]


def test_under_usual_is_said_too() -> None:
    low = [looked(2.0, "", day=d, stop_result="") for d in (1, 2, 3)]
    said = [c for c in advice(low).advice.cautions if c.startswith("Usually carried")]
    assert len(said) == 1
    assert "under the likely need" in said[0]


def test_unsure_hears_the_band() -> None:
    found = advice([looked(10, "hovered", bc="gas")]).advice
    assert found.check_first
    assert any(c.startswith("Not sure enough to dive on a number") for c in found.cautions)


def test_a_great_step_up_hears_why_it_is_checked_first() -> None:
    """The band is narrow, so it is not its width; common practice: a check near the reserve tells most."""
    check = {k: v for k, v in plan_row("Ines", date="2026-05-12").items() if k != "dive"}
    read = check | {"check": "c", "lead_kg": 7, "bar": 35, "waterline": "eye"}
    found = advice([looked(2.0, "", stop_result="")], [read]).advice
    assert found.check_first
    assert found.need_q90_kg - found.need_q10_kg < 2.5
    (why,) = [c for c in found.cautions if "check confirms it" in c]
    assert why.startswith("More than 2 kg over the lead carried last")
    assert not any("Not sure" in caution for caution in found.cautions)


def test_new_kit_is_said_once() -> None:
    mine = [row for row in dives() if row["diver"] == "Ines"]
    found = advice(mine, suit="membrane", undersuit="warm").advice
    text = "; ".join(found.cautions)
    assert "First dive in this suit on record: check again (it makes the band" in text
    assert "Nothing is known" not in text
    stranger = answers(assess([plan_row("Zed")]))[0].advice
    assert any("Nothing is known" in caution for caution in stranger.cautions)


def test_a_new_undersuit_is_not_called_a_new_suit() -> None:
    thin = [*GEAR, {"item": "thin", "kind": "undersuit", "style": "thin"}]
    kit = {"suit": "membrane", "undersuit": "warm"}
    history = [looked(12, "hovered", bc="gas", day=day, **kit) for day in (1, 2, 3)]

    def said(**changed):
        row = plan_row("Ines", **(kit | changed))
        found = answers(assess([row], dives=history, checks=[], gear=thin))[0]
        assert [t.name for t in found.triggers] == ["suit"]
        return [c.partition(":")[0] for c in found.advice.cautions if c.startswith("First dive")]

    assert said(undersuit="thin") == ["First dive in this suit with this undersuit on record"]
    assert said(undersuit="") == ["First dive in this suit with no undersuit noted on record"]
    assert said(suit="full 5", undersuit="") == ["First dive in this suit on record"]


@pytest.mark.parametrize("imperial", [False, True])
def test_cautions_are_clauses_in_one_unit(imperial) -> None:
    """They are joined by `; ` in the plan file, so none may hold one."""
    small = [*GEAR, {"item": "tiny", "kind": "bc", "style": "jacket", "lift_l": 2}]
    histories = [
        [looked(3, "rose", day=d, lead_ditchable_kg=3) for d in (1, 2)],
        [looked(14, "sank", day=d, lead_ditchable_kg=14, max_depth_m=40) for d in (1, 2, 3)],
        [],
    ]
    for history in histories:
        for changed in ({}, {"suit": "membrane", "water": "fresh", "date": "2028-01-01", "body_mass_kg": 75}):
            row = plan_row("Ines", **({"bc": "tiny", "max_depth_m": 30} | changed))
            assessment = assess([row], dives=history, checks=[], gear=small)
            found = answers(assessment, imperial=imperial)[0].advice
            for text in (*found.cautions, found.next_step):
                assert (" kg" not in text) or not imperial
                assert not text.endswith("..")
            assert all(";" not in caution for caution in found.cautions)


def test_danger_is_that_of_the_lead_on_the_belt() -> None:
    """A lead that held a stop with much gas left is no better for being carried to another pressure: with
    nearly empty cylinders the same lead is less than what it was worth."""
    history = [looked(4.5, "hovered", day=day, start_bar=200, end_bar=170) for day in (1, 2, 3)]
    found = advice(history)
    planned = assess([plan_row("Ines")], dives=history)
    worth = float(like_kit(planned, int(planned.line.at(PLAN)[0]), found.advice.prior_mean_kg).carried[-1])
    assert worth > 5.5  # what it would have to be at the reserve
    chance = float(found.need.above(4.5 + breath_out(assess().fit.theta)))
    assert chance > 0.2
    first = found.advice.cautions[0]
    danger = "Danger of an ascent that cannot be held: with the lead carried last, 4.5 kg"
    assert first.startswith(f"{danger} in other water or at another pressure, this stop fails on")
    assert f"fails on {round(100 * chance)} dives in 100" in first


def test_the_usual_lead_is_the_one_carried_most_often_of_those_worth_as_much() -> None:
    """Nine kilograms on most dives, once 8.5 with more gas left, which is worth about the middle."""
    most = [
        looked(9.0, "hovered", bc="gas", day=day, end_bar=bar) for day, bar in enumerate((20, 21, 60, 62), 1)
    ]
    once = looked(8.5, "hovered", bc="gas", day=7, end_bar=72)
    said = next(c for c in advice([*most, once]).advice.cautions if c.startswith("Usually carried"))
    assert said.startswith("Usually carried 9 kg in like kit")


def test_the_last_dive_in_like_kit_is_not_called_the_last() -> None:
    """By hand: 3 kg in the suit asked for, then 7 in another: the 3 are those of like kit."""
    light = [looked(3.0, "rose", day=day) for day in (1, 2, 3)]
    (alone,) = [c for c in advice(light).advice.cautions if c.startswith("Danger")]
    assert "with the lead carried last, 3 kg," in alone
    other = looked(7.0, "hovered", day=9, suit="vest")
    (said,) = [c for c in advice([*light, other]).advice.cautions if c.startswith("Danger")]
    assert "with the lead carried last in like kit, 3 kg," in said


def test_the_usual_lead_is_one_that_was_carried() -> None:
    history = [looked(9.0, "hovered", bc="gas", day=day, end_bar=150) for day in (1, 2, 3)]
    said = next(c for c in advice(history).advice.cautions if c.startswith("Usually carried"))
    assert said.startswith(
        "Usually carried 9 kg in like kit, in other water or at another pressure, and there "
    )


def test_of_an_even_number_of_dives_the_lead_named_is_as_far_from_need_as_is_said() -> None:
    """By hand: 4, 6, 7 and 8 kg in the same water have 6.5 in the middle, which nobody carried."""
    history = [
        looked(lead, result, day=day)
        for day, (lead, result) in enumerate([(4, "rose"), (6, "rose"), (8, "hovered"), (7, "rose")], 1)
    ]
    found = advice(history).advice
    said = next(c for c in found.cautions if c.startswith("Usually carried"))
    lead, gap = (float(number) for number in re.findall(r"([\d.]+) kg", said)[:2])
    assert "other water" not in said
    # At 35 bar a lead counts for some 0.2 kg less than at the 50 bar of those dives.
    assert gap == pytest.approx(found.need_q50_kg - lead, abs=0.3)


def test_a_lead_that_was_right_in_fresh_water_is_told_as_such_in_the_sea() -> None:
    history = [
        *(looked(NEED["Ines"] + 0.5, "hovered", day=d) for d in (1, 2)),
        looked(2.5, "hovered", day=3) | {"water": "fresh"},
    ]
    first = advice(history).advice.cautions[0]
    assert first.startswith(
        "Danger of an ascent that cannot be held: with the lead carried last, 2.5 kg in other water"
    )
    assert first.endswith("never with so little here")


def test_the_usual_lead_of_another_body_is_told_as_such() -> None:
    """Archimedes: with 20 kg of body mass more the same 9 kg are worth another lead."""
    history = [looked(9.0, "hovered", bc="gas", day=day, end_bar=35) for day in (1, 2, 3)]
    found = advice(history, body_mass_kg=84.0).advice.cautions
    said = next(c for c in found if c.startswith("Usually carried"))
    assert "or with another body mass, and there" in said
    assert not any("another body mass" in c for c in advice(history).advice.cautions)


def test_danger_tells_of_another_body() -> None:
    """Archimedes: with 26 kg of body mass more the lead of the last dive falls short."""
    history = [looked(5.0, "hovered", day=day, end_bar=35) for day in (1, 2, 3)]
    first = advice(history, body_mass_kg=90.0).advice.cautions[0]
    assert first.startswith("Danger of an ascent")
    assert " or with another body mass, this stop fails on" in first


# 11 kg in the sea are worth 8.5 in the lake: "usually 11 kg, and there 5 kg over" would be of no dive.
def test_the_usual_lead_and_its_excess_are_of_one_dive() -> None:
    leads = ((11.0, "salt"), (17.0, "salt"), (9.0, "fresh"))
    history = [
        looked(lead, "hovered", bc="gas", day=day, water=water) for day, (lead, water) in enumerate(leads, 1)
    ]
    found = advice(history, water="fresh").advice
    said = next(c for c in found.cautions if c.startswith("Usually carried"))
    assert said.startswith("Usually carried 9 kg in like kit, ")
    over = float(re.search(r"([\d.]+) kg over the likely need", said)[1])
    assert over == pytest.approx(9 - found.need_q50_kg, abs=0.3)


def test_a_dry_suit_has_to_be_vented_for_a_look() -> None:
    kit = {"suit": "membrane", "undersuit": "warm"}
    history = [looked(14, "hovered", bc="gas", day=d, **kit) for d in (1, 2, 3)]
    said = next(c for c in advice(history, **kit).advice.cautions if c.startswith("Usually carried"))
    assert "with an empty BC and the suit vented, and notes both" in said


@pytest.mark.parametrize(
    ("low", "high", "words"),
    [
        (0.6, 3.5, "need between 0.6 kg and 3.5 kg"),
        (-1.0, 2.0, "need 2 kg or less, down to heavy without any lead"),
        (-4.1, -0.2, "are heavy by 0.2 kg to 4.1 kg without any lead"),
    ],
)
def test_a_band_in_words(low, high, words) -> None:
    assert _spread(low, high, False) == words


def test_dangers_are_told_apart_from_other_cautions() -> None:
    found = advice([looked(3.0, "rose", day=day) for day in (1, 2, 3)]).advice.cautions
    told = dangers(found)
    assert len(told) == 2
    assert found[:2] == told
    assert dangers(("Usually carried 3 kg", "Under 18: so")) == ("Under 18: so",)


def test_coarse_blocks_are_named() -> None:
    said = coarse(10.0, 6.3)[0]
    assert said.startswith("These blocks are coarse: about 6.3 kg would be enough, and with them it is 10 kg")
    assert coarse(6.5, 6.2) == ()
    assert coarse(5.0, -1.0, imperial=True)[0].startswith("These blocks are coarse: about 0 lb")
    said = answers(assess([plan_row("Ines")]), block=Block(5.0))[0].advice
    assert any(caution.startswith("These blocks are coarse") for caution in said.cautions)


def test_blocks_that_do_not_suffice_are_named() -> None:
    assert scarce(4.5, 4.5) == ()
    assert scarce(5.0, 4.5)[0].startswith(
        "All blocks that are listed make 4.5 kg: to have 5 kg at hand borrow more of these sizes"
    )
    assert "10 lb" in scarce(6.0, 10 * 0.45359237, imperial=True)[0]


def test_a_list_too_short_for_a_lighter_lead_says_so_and_is_not_called_coarse() -> None:
    """By hand: of 40 x 2 kg and one half 2.6 kg takes 4 kg, of two halves 3 kg, which is not coarse.

    Of 5 kg and one 2 kg it takes 5 kg, of any number 4 kg, which is coarse too.
    """

    def said(pieces, bring, enough, **facts):
        answer = {"lead": bring, "failed": False} | facts
        return block_cautions(BlockSet.of(pieces), bring=bring, enough=enough, **answer)

    (only,) = said({"2 kg": 40, "0.5 kg": 1}, 4.0, 2.6)
    assert only.startswith(
        "The pieces that are listed make no less than 4 kg of it: with more of these sizes 3 kg"
    )
    both = said({"5 kg": 40, "2 kg": 1}, 5.0, 2.6)
    assert ["4 kg would be enough" in both[0], "These blocks are coarse" in both[1], len(both)] == [
        True,
        True,
        2,
    ]
    assert said({"2 kg": 40, "0.5 kg": 8}, 3.0, 2.6) == ()
    assert said({"2 kg": 40, "0.5 kg": 1}, 4.0, 2.6, failed=True) == ()
    # 3.5 kg in all: the rest is of any number of pieces, and no lighter lead is.
    assert len(said({"2 kg": 1, "1.5 kg": 1}, 4.0, 3.7)) == 1


# By hand, against 20 bar in the fullest cylinder that is carried, at the stop and at the end.
@pytest.mark.parametrize(
    ("plan", "said"),
    [
        ({"stop_bar": 0}, "Planned with 0 bar left"),
        ({"stop_bar": 10}, "Planned with 10 bar left"),
        ({"stop_bar": 60, "end_bar": 15}, "Planned with 15 bar left"),
        ({"end_bar": 19}, "Planned with 19 bar left"),
        ({"end_bar": 20}, ""),
        ({"stop_bar": 40, "end_bar": 30}, ""),
        ({}, ""),
        ({"cylinder": "steel 12;steel 12", "end_bar": "5;60"}, ""),
        ({"cylinder": "steel 12;steel 12", "end_bar": "5;-"}, "Planned with 5 bar left"),
    ],
)
def test_a_stop_that_nobody_can_breathe_at_is_cautioned_once(plan, said) -> None:
    found = [text for text in advice([], **plan).advice.cautions if "any usual reserve of 20 bar" in text]
    assert len(found) == bool(said)
    assert all(text.startswith(said) for text in found)
