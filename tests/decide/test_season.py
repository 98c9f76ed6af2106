"""A season: every number of it against the records, the answer and the ledger."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

import numpy as np
import pytest
from numpy.testing import assert_allclose, assert_array_equal

from leadline.decide import seasons as together
from leadline.decide.account import account
from leadline.decide.advice import advise, answers
from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.block import Block
from leadline.decide.check_reading import reading
from leadline.decide.checked_dive import CheckedDive
from leadline.decide.season import next_dive, season
from leadline.decide.season_change import season_ends
from leadline.decide.season_order import in_order
from leadline.errors import UnknownNameError
from leadline.reports.season import render
from leadline.timeline import CHECK, DIVE, PLAN

from .club import DIVERS, HOSTILE, NEED, assess, checks, dives, learned, plan_row, records

WHEN = datetime(2026, 5, 20, 12, 0)


def planned(diver: str, **changed):
    """Season and assessment of one diver, the next dive in the kit of the last."""
    assessment = assess([plan_row(diver)], **changed)
    return season(assessment, diver, generated=WHEN, book="club.duckdb", data_version="4"), assessment


@pytest.mark.parametrize("diver", list(NEED))
def test_contributions_lead_from_the_prior_to_the_answer(diver) -> None:
    data, _ = planned(diver)
    gained = sum(part.kg for part in data.learned)
    assert gained == pytest.approx(data.suggestion.need_mean_kg - data.prior.mean, abs=1e-9)
    assert all(part.sd >= 0 for part in data.learned)
    assert data.learned[0].label.startswith("All divers")
    assert data.learned[-1].label == "This diver in this suit"


def test_diver_without_evidence_moves_with_the_population_alone() -> None:
    data, _ = planned("Uma")
    offset, suit = data.learned[-2:]
    assert (suit.kg, offset.kg) == (0.0, pytest.approx(0.0, abs=0.1))
    assert offset.sd > 0.3
    assert data.learned[0].kg > 0.5  # the club needs more than the formulas say


def test_bands_know_nothing_of_later_dives() -> None:
    """What was known after a dive is the same whether or not the season went on."""
    fit = learned()
    whole = season(assess(fit=fit), "Ivo").dives
    cut = [row for row in dives() if not (row["diver"] == "Ivo" and row["date"] > "2026-05-04")]
    half = season(assess(fit=fit, dives=cut), "Ivo").dives
    assert len(half) == 4
    assert_allclose(whole.need[:4], half.need, atol=2e-4)
    width = whole.need[:, 3] - whole.need[:, 1]
    assert width[-1] < 0.7 * width[0]


def test_last_band_is_that_of_the_same_plan() -> None:
    data, _ = planned("Ivo")
    assert_allclose(data.dives.need[-1], data.suggestion.need, atol=0.02)


def test_dives_are_in_order_of_date_with_what_was_noted() -> None:
    shuffled = sorted(dives(), key=lambda row: str(row["dive"])[::-1])
    data, _ = planned("Noa", dives=shuffled)
    found = data.dives
    assert found.dive.tolist() == [f"No-{n}" for n in range(1, 9)]
    assert (np.diff(found.date) > np.timedelta64(0, "s")).all()
    assert_allclose(found.margin, found.lead - found.need[:, 2])
    assert set(found.suit) == {"full 5"}
    assert set(found.kit) == {"steel 12, salt water"}
    assert_array_equal(found.end_pressure, 50.0)
    assert ((found.p_too_light >= 0) & (found.p_too_heavy <= 1)).all()


@pytest.mark.parametrize(
    ("seen", "word"),
    [
        ({"bc_state": "empty"}, "two_sided"),
        ({"bc_state": "gas"}, "upper_only"),
        ({"bc_state": "gas", "bc_gas_l": 2}, "measured"),
        ({"stop_result": "rose", "bc_state": "empty"}, "lower_only"),
        ({"stop_result": "rose", "bc_state": ""}, "hint"),
        ({"stop_result": "sank", "bc_state": "empty"}, "too_much"),
        (
            {"stop_result": "rose", "bc_state": "empty", "handed_off_kg": -1, "handed_off_result": "hovered"},
            "lower_only",
        ),
        ({"stop_result": "rose", "bc_state": "gas"}, "none"),
        ({"stop_result": ""}, "none"),
        ({"lead_kg": None}, "none"),
        ({"bc_state": "gas", "handed_off_kg": 2, "handed_off_result": "rose"}, "two_sided"),
    ],
)
def test_each_dive_says_what_the_contract_makes_of_it(seen, word) -> None:
    rows = dives()
    rows[7] |= seen
    data, _ = planned("Ines", dives=rows)
    assert data.dives.evidence[-1] == word
    assert np.isfinite(data.dives.need[-1]).all()
    assert np.isnan(data.dives.margin[-1]) == (seen.get("lead_kg", 1) is None)


@pytest.mark.parametrize(("waterline", "side"), [("under", "at most"), ("chin", "at least"), ("eye", "")])
def test_a_check_that_only_bounds_need_says_on_which_side(waterline, side) -> None:
    seen = [row | {"waterline": waterline, "exhale_sinks": ""} for row in checks()]
    found = planned("Ines", checks=seen)[0].checks
    assert found.need_bound[0] == side
    assert np.isnan(found.need_sd[0]) == bool(side)
    assert np.isfinite(found.need[0])


def test_checks_are_carried_to_the_stop() -> None:
    data, _ = planned("Ines")
    heavier = [row | {"lead_kg": row["lead_kg"] + 1} for row in checks()]
    more, _ = planned("Ines", checks=heavier)
    # A part of that is learned to lie between the surface and the stop.
    assert more.checks.need[0] - data.checks.need[0] == pytest.approx(1.0, abs=0.2)
    assert 0.3 < data.checks.need_sd[0] < 1.5
    assert data.checks.breath[0] == "normal"
    assert data.checks_used == 1


# independent: `leadline check` reads the same look, made now, by itself; its ends hold 8 in 10, and the mean
# of a distribution that is nearly normal lies between them, 1.28 sd from either.
@pytest.mark.parametrize(
    ("waterline", "sinks"), [("eye", "yes"), ("eye", "no"), ("crown", "yes"), ("eye", "")]
)
def test_a_check_reads_what_the_command_of_that_name_reads_from_the_whole_look(waterline, sinks) -> None:
    seen = [
        row | {"waterline": waterline, "exhale_sinks": sinks} for row in checks() if row["diver"] == "Ines"
    ]
    data, assessment = planned("Ines", checks=seen)
    line = assessment.line
    row = int(line.at(CHECK)[0])
    plan = [plan_row("Ines", date=str(line.occasions.date[row].astype("datetime64[D]")))]
    asked = CheckedDive.around(assess(plan, checks=seen))
    told = reading(asked, seen[0]["lead_kg"], Block())
    row = np.array([asked.position])
    end = len(asked.line.table)  # with a limit the look is plain evidence, as in a season
    stop, here = (asked.marginals(row, s, until=end)[0] for s in (asked.state(row), asked.right_now))
    way = stop.mean - here.mean
    assert data.checks.exhale_sinks[0] == sinks
    assert data.checks.need[0] - 1.2816 * data.checks.need_sd[0] == pytest.approx(
        told.alone_low_kg + way, abs=0.1
    )
    assert data.checks.need[0] + 1.2816 * data.checks.need_sd[0] == pytest.approx(
        told.alone_high_kg + way, abs=0.1
    )


# 6 kg more on at the same waterline says a need 6 kg higher than all that Ines has shown on eight dives.
def test_a_check_outside_the_band_is_said_to_be() -> None:
    assert planned("Ines")[0].checks.apart.tolist() == [False]
    heavier = [row | {"lead_kg": row["lead_kg"] + 6} for row in checks()]
    data, _ = planned("Ines", checks=heavier)
    assert data.checks.apart.tolist() == [True]
    assert "not fit the other records" in render(data)
    assert "outside the band" not in render(planned("Ines")[0])
    only = [
        row | {"lead_kg": row["lead_kg"] + 6, "waterline": "under", "exhale_sinks": ""} for row in checks()
    ]
    assert planned("Ines", checks=only)[0].checks.apart.tolist() == [False]  # at most that much


@pytest.mark.parametrize("diver", ["Noa", "Ole"])
def test_chin_and_under_are_bounds_and_have_no_sd(diver) -> None:
    data, _ = planned(diver)
    assert np.isfinite(data.checks.need[0])
    assert np.isnan(data.checks.need_sd[0])


def test_unread_check_reads_nothing() -> None:
    data, _ = planned("Ines", checks=[row | {"waterline": ""} for row in checks()])
    assert np.isnan(data.checks.need[0])
    assert data.checks_used == 0


def test_suggestion_is_the_answer_of_the_plan() -> None:
    data, assessment = planned("Ole")
    answer = advise(assessment)[0]
    assert data.suggestion.lead_kg == answer.lead_kg
    assert data.suggestion.next_step == answer.next_step
    assert data.suggestion.low_bar == 20
    assert (data.suggestion.low_need > data.suggestion.need).all()
    assert data.suggestion.kit == ("full 5", "jacket", "steel 12")
    assert data.dives_used == 8


def test_ledger_adds_up_and_the_swing_is_the_gas() -> None:
    """Independent: 12 L from 232 to 35 bar hold at most 12 * 197 * 1.225 g (ideal gas, 15 °C; U.S. Standard
    Atmosphere 1976), and air is some per cent less dense than that at these pressures; lead of 11.34 g/cm³
    keeps 1 - 1.025/11.34 of its weight in the sea (handbook density)."""
    _, assessment = planned("Ines")
    found = account(assessment, int(assessment.line.at(PLAN)[0]))
    ledger = found.ledger
    assert ledger.state == ("stop", "start", "surface")
    assert_allclose(ledger.total, ledger.net_buoyancy.sum(axis=0))
    assert_allclose(ledger.total / ledger.lead, 1 - 1.025 / 11.34, atol=0.002)
    gas = ledger.net_buoyancy[ledger.item.index("gas in the cylinder")]
    swing = gas[0] - gas[1]
    assert 0.88 * 12 * 197 * 1.225e-3 < swing < 12 * 197 * 1.225e-3
    assert_array_equal(ledger.pressure, [35, 232, 35])
    head = ledger.net_buoyancy[ledger.item.index("head above water, to eye level")]
    assert_array_equal(head[:2], 0)
    assert head[2] < -1
    sources = dict(zip(ledger.item, found.source, strict=True))
    assert sources["regulator, a usual one"] == "assumed"
    assert sources["full 5"] == "listed"


def test_a_further_cylinder_has_its_regulator_in_the_label() -> None:
    assessment = assess([plan_row("Ines", cylinder="steel 12;stage 7")])
    found = account(assessment, int(assessment.line.at(PLAN)[0]))
    sources = dict(zip(found.ledger.item, found.source, strict=True))
    assert sources["regulator, a usual one, further ones small"] == "assumed"


def test_head_under_water_leaves_no_line() -> None:
    _, assessment = planned("Ines")
    ledger = account(assessment, int(assessment.line.at(PLAN)[0]), head_out=False).ledger
    assert not any("head" in item for item in ledger.item)


def test_measured_pieces_say_so() -> None:
    assessment = assess([plan_row("Ines", other="heavy plate")])
    found = account(assessment, int(assessment.line.at(PLAN)[0]))
    assert dict(zip(found.ledger.item, found.source, strict=True))["heavy plate"] == "measured"


@pytest.mark.parametrize("diver", ["Uma", "Zed"])
def test_nobody_is_answered_for_without_kit(diver) -> None:
    assert next_dive(records(), diver, date="2026-05-20") is None
    data = season(assess(), diver, generated=WHEN)
    assert (data.suggestion, data.prior, data.learned, data.ledger) == (None, None, (), None)
    assert len(data.dives) == len(data.checks) == 0
    assert "No number yet" in render(data)


def test_next_dive_is_in_the_kit_of_the_last() -> None:
    plan = next_dive(records(), "Ines", date="2026-05-20")
    assert plan is not None
    assert (plan["suit"][0], plan["cylinder"][0], str(plan["date"][0])[:10]) == (
        "full 5",
        "steel 12",
        "2026-05-20",
    )
    assert np.isnan(plan["lead_kg"][0])


def test_unknown_diver() -> None:
    with pytest.raises(UnknownNameError, match="no diver 'Nobody'"):
        season(assess(), "Nobody")


def test_name_is_text_on_the_page() -> None:
    data, _ = planned(HOSTILE)
    page = render(data)
    assert HOSTILE not in page
    assert "&lt;b&gt;" in page


def test_all_numbers_are_known_for_everybody_with_kit() -> None:
    for row in DIVERS[:5]:
        data, _ = planned(row["diver"])
        assert np.isfinite(data.suggestion.need).all()
        assert np.isfinite(data.dives.need).all()
        assert np.isfinite(data.ledger.net_buoyancy).all()


OTHER_SUIT = {"suit": "vest", "cylinder": "alu 11", "water": "fresh"}


def worn_before():
    """The dives of the club; Ines began in another suit, water and cylinder, and before a break."""
    return [
        row | OTHER_SUIT | {"date": row["date"].replace("2026-05", "2025-09"), "body_mass_kg": 70}
        if row["diver"] == "Ines" and int(row["dive"][-1]) <= 4
        else row
        for row in dives()
    ]


def years(**changed):
    """Records of them."""
    rows = worn_before()
    return records(dives=[row | changed if row["diver"] == "Ines" else row for row in rows])


def carded(held):
    plan = next_dive(held, "Ines", date="2026-05-20")
    assessment = Assessment.of(held, learned(), plan=plan)
    return season(assessment, "Ines", generated=WHEN), assessment


def test_card_changes_one_thing_at_a_time() -> None:
    """Its rows are the answers for those dives; need in fresh water is 2.5 % of all that is carried lower
    (independent: the densities of sea and fresh water, 1.025 and 1.000 kg/L)."""
    data, assessment = carded(years())
    assert [(row.changed, row.label) for row in data.card] == [
        ("", "full 5"),
        ("suit", "vest"),
        ("water", "fresh water"),
        ("cylinder", "alu 11"),
    ]
    for row, answer in zip(data.card, advise(assessment), strict=True):
        assert (row.lead_kg, row.bring_kg, row.check_first) == (
            answer.lead_kg,
            answer.bring_kg,
            answer.check_first,
        )
        assert_allclose(row.need[[0, 2, 4]], [answer.need_q025_kg, answer.need_q50_kg, answer.need_q975_kg])
    assert data.card[0].lead_kg == data.suggestion.lead_kg
    assert_allclose(data.card[0].need, data.suggestion.need)
    shift = data.card[0].need[2] - data.card[2].need[2]
    carried = data.ledger.mass[:, 0].sum() + data.card[0].need[2]
    assert shift == pytest.approx(0.025 * carried, rel=0.2)
    plan = assessment.line.plan
    assert (plan["water"].tolist(), plan["cylinder"].tolist()) == (
        ["salt", "salt", "fresh", "salt"],
        ["steel 12", "steel 12", "steel 12", "alu 11"],
    )


# In the suit last worn to a stop at 5 m the card had 1.5 kg less than is asked for at 3 m.
def test_the_card_keeps_the_stop_of_the_next_dive() -> None:
    held = records(
        dives=[row | {"stop_depth_m": 3.0 if row["suit"] == "full 5" else 5.0} for row in worn_before()]
    )
    data, assessment = carded(held)
    assert assessment.line.plan["stop_depth_m"].tolist() == [3.0] * len(data.card)
    deep = records(
        dives=[row | {"stop_depth_m": 5.0 if row["suit"] == "full 5" else 3.0} for row in worn_before()]
    )
    assert not (carded(deep)[1].line.plan["stop_depth_m"] < 5.0).any()


# "Put on 4 kg" after an eye level that nobody who is deeper without lead can find is up to 4 kg too many.
def test_the_card_says_what_whoever_is_deeper_without_lead_dives_with() -> None:
    data, assessment = carded(years())
    bare = {row.label: row.bare_kg for row in data.card}
    deep = {}
    for row, answer in zip(data.card, answers(assessment), strict=True):
        deep[row.label] = np.nan if answer.after is None else answer.after.bare_kg
    assert_array_equal(list(bare.values()), list(deep.values()))
    assert bare["vest"] < next(row.after_check_kg for row in data.card if row.label == "vest")
    page = render(data)
    assert page.count("if under water even without lead") == int(np.isfinite(list(deep.values())).sum()) > 0
    assert "under water even without lead dives" in page
    assert "under water even without lead dives" not in render(replace(data, card=data.card[2:]))


def test_the_card_says_of_what_is_on_no_record_that_it_is_to_be_checked() -> None:
    """Ines has never been in fresh water: less lead there, and nothing else on the card says to look."""
    data, assessment = carded(records())
    said = [any("First dive" in caution for caution in one.cautions) for one in advise(assessment)]
    assert [row.new for row in data.card] == said
    (fresh,) = [row for row in data.card if row.label == "fresh water"]
    assert (fresh.new, data.card[0].new) == (True, False)
    shown = sum(row.new and not row.check_first for row in data.card)
    assert render(data).count("a first on record, so check again") == shown > 0


def test_the_card_leaves_the_answer_alone() -> None:
    held = years()
    alone = next_dive(held, "Ines", date="2026-05-20", other=False)
    data = season(Assessment.of(held, learned(), plan=alone), "Ines", generated=WHEN)
    assert data.card == ()
    full = carded(held)[0]
    assert full.suggestion.lead_kg == data.suggestion.lead_kg
    assert_allclose(full.suggestion.need, data.suggestion.need)


def test_last_season_and_this_one() -> None:
    data, _ = carded(years())
    change = data.change
    assert (change.before.dives, change.now.dives) == (4, 4)
    assert change.new_kit == ("full 5", "steel 12")
    assert (change.before.body_mass_kg, change.now.body_mass_kg) == (70, 70)  # noted once, it holds on
    days = data.dives.date.astype("datetime64[D]")
    assert change.break_days == int((days[4] - days[3]).astype(int))
    for part, span in ((change.before, slice(0, 4)), (change.now, slice(4, 8))):
        assert part.margin_kg == pytest.approx(np.median(data.dives.margin[span]))
        assert (part.first, part.last) == (data.dives.date[span][0], data.dives.date[span][-1])
        assert part.rose == (data.dives.stop_result[span] == "rose").sum()
    # All dives known, the need of the next one is that of the answer; and before it was known less well.
    assert_allclose(change.now.need, data.suggestion.need, atol=2e-4)
    then, now = (part.need[3] - part.need[1] for part in (change.before, change.now))
    assert then > now


def test_many_seasons_foresee_what_the_last_one_asks(monkeypatch) -> None:
    """The need after either season is found along with all others, and is that of one diver alone."""
    monkeypatch.setattr(together, "foresee", lambda *a, **k: foresee(*a, **k | {"many": 1}))
    held, made = years(), []

    def assessed(plan):
        made.append(Assessment.of(held, learned(), plan=plan))
        return made[-1]

    found = list(together.seasons(held, assessed, ["Noa", "Ines"], date="2026-05-20", generated=WHEN))
    (assessment,) = made
    line, (_, place) = assessment.line, in_order(assessment)
    own = np.flatnonzero(line.occasions.diver == held.divers["diver"].tolist().index("Ines"))
    dived = own[line.table[own] == DIVE]
    ends = season_ends(assessment, dived[np.argsort(place[dived])])
    assert line.records.dives["dive"][line.row[ends]].tolist() == ["In-4", "In-8"]
    following = own[line.table[own] == PLAN][:1]
    for end in place[ends].tolist():
        assert assessment.recalled(following, assessment.state(following), until=end) != [None]
    alone = carded(held)[0].change
    for part, same in ((found[1].change.before, alone.before), (found[1].change.now, alone.now)):
        assert_allclose(part.need, same.need, atol=0.05)
    assert found[0].change is None


def test_one_season_has_none_before_it() -> None:
    assert carded(records())[0].change is None


def test_page_shows_card_and_change_as_they_are(tmp_path) -> None:
    data, _ = carded(years())
    text = render(data)
    for row in data.card:
        assert f'<data value="{row.lead_kg:.12g}" data-field="card.lead_kg">' in text
        assert f'<data value="{round(float(row.need[2]), 4):.12g}" data-field="card.need.q50">' in text
    for name, part in (("before", data.change.before), ("now", data.change.now)):
        assert f'data-field="change.{name}.dives">{part.dives}<' in text
        assert (
            f'<data value="{round(float(part.need[2]), 4):.12g}" data-field="change.{name}.need.q50">' in text
        )
    assert "New this season: <bdi>full 5</bdi>, <bdi>steel 12</bdi>" in text
    now = replace(data.change.now, first=data.change.now.last)
    once = render(replace(data, change=replace(data.change, now=now)))
    days = once[once.index('data-name="this season"') :].partition("</td>")[0]
    assert days.count("<time") == 1  # not `19 Jul 2026 to 19 Jul 2026`
