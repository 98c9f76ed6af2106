"""Default leads for strangers: the crowd against plain chance, physics' directions, counts by hand."""

from __future__ import annotations

from dataclasses import asdict, replace
from datetime import datetime

import numpy as np
import pytest

from leadline.arrays import Records, columns_from_rows, empty
from leadline.decide.advice import breath_out
from leadline.decide.assessment import Assessment
from leadline.decide.crowd import Crowd
from leadline.decide.outfit import outfits, suit_types
from leadline.decide.rental import Desk, rental
from leadline.decide.rental_crowd import RentalCrowd
from leadline.decide.rental_place import Place
from leadline.decide.rental_stock import Renters, mix
from leadline.decide.stock import Pieces
from leadline.decide.stranger import CROWD, mass_classes, strangers
from leadline.errors import OutOfRangeError, RecordError, UnknownNameError
from leadline.model.population import Fit, prior_fit
from leadline.records import DIVES, RESERVE_PRESSURE
from leadline.reports.rental import place_text
from leadline.timeline import PLAN

from . import club

WHEN = datetime(2026, 5, 20)
PAIR = [
    {"item": "thin S", "type": "thin", "kind": "suit", "style": "full", "thickness_mm": 3},
    {"item": "thin L", "type": "thin", "kind": "suit", "style": "full", "thickness_mm": 3},
    {"item": "thick", "type": "thick", "kind": "suit", "style": "full", "thickness_mm": 7},
]


def worn(diver: str, suit: str, **changed):
    return {"dive": f"{diver} {suit}", "date": "2026-05-10", **club.plan_row(diver, suit=suit)} | changed


def small(desk: Desk | None = None, **changed):
    """Two classes, two suits, few blocks: quick."""
    asked = {"classes": "55,65,85", "suits": ("full 5", "membrane"), "cylinders": ("steel 12",)} | changed
    return rental(club.assess(), desk or Desk(**asked), generated=WHEN, book="club")


@pytest.fixture(scope="module")
def data():
    return small()


def cells(data, table: int = 0):
    return [cell for row in data.tables[table].cells for cell in row]


def lead(data, table: int = 0):
    return np.array([[cell.bring_kg for cell in row] for row in data.tables[table].cells])


def middle(data, table: int = 0):
    return np.array([[cell.need_q50_kg for cell in row] for row in data.tables[table].cells])


def test_shape_and_order(data) -> None:
    assert [(c.low, c.high) for c in data.classes] == [(55, 65), (65, 85)]
    assert [o.label for o in data.outfits] == ["full 5 mm", "dry membrane"]
    assert (data.tables[0].place.water, data.tables[0].place.cylinder) == ("salt", "steel 12")
    for cell in cells(data):
        band = [getattr(cell, f"need_q{q}_kg") for q in ("025", "10", "50", "90", "975")]
        assert band == sorted(band)
        assert cell.lead_kg <= cell.bring_kg


def test_cells_follow_the_rule_of_the_plan_file(data) -> None:
    out = breath_out(club.learned().theta)
    for cell in cells(data):
        assert cell.check_first == (cell.need_q90_kg - cell.need_q10_kg > 2.5)
        assert (cell.bring_kg / 0.5) % 1 == pytest.approx(0)
        # The lightest lead within the risk lies between the 90 and 97.5 % points, less the breath out.
        assert cell.need_q90_kg - out <= cell.bring_kg <= cell.need_q975_kg - out + 0.5
        if cell.check_first:
            assert cell.need_q50_kg - 0.25 <= cell.lead_kg <= cell.need_q90_kg
        else:
            assert cell.lead_kg == cell.bring_kg
            assert cell.p_too_light <= 0.05


def test_a_narrow_band_hands_out_a_lead_and_a_wide_one_asks_for_a_check() -> None:
    fit = club.learned()
    sure = replace(fit.theta, diver_sd=0.1, body_factor=0.1, suit_factor=0.1, scatter=0.2)
    known = Fit(fit.names, fit.mean, 1e4 * fit.precision, sure, fit.theta_sd)
    wide = Fit(fit.names, fit.mean, fit.precision, replace(fit.theta, diver_sd=3.0), fit.theta_sd)
    desk = Desk(classes="60,62", suits=("full 5",), cylinders=("steel 12",))
    for state, check in ((known, False), (wide, True)):
        found = rental(club.assess(fit=state), desk, generated=WHEN)
        assert cells(found)[0].check_first is check
        if not check:
            assert cells(found)[0].p_too_light <= 0.05


# A thousand strangers by plain chance instead of an even design of 48. Kind: independent.
def test_crowd_stands_for_any_strangers(data) -> None:
    rng = np.random.default_rng(11)
    group = data.classes[1]
    people = dict(strangers([group], year=2026, size=1000))
    order = rng.permutation(1000)  # another thousand of the same law, in no order
    people = {name: values[order] for name, values in people.items()}
    plan = columns_from_rows(
        DIVES, [club.plan_row(str(name), dive=name, suit="full 5") for name in people["diver"]]
    )
    records = Records(people, club.records().gear, empty("dives"), empty("checks"))
    assessment = Assessment.of(records, club.learned(), plan=plan)
    rows = assessment.line.at(PLAN)[:300]
    needs = []
    for row in rows:
        one = np.array([row])
        need = assessment.marginals(one, assessment.state(one, pressure=RESERVE_PRESSURE))[0]
        needs.append(rng.choice(need.points, 40, p=need.weights) + need.scatter * rng.standard_normal(40))
    drawn = np.concatenate(needs)
    cell = data.tables[0].cells[1][0]
    out = breath_out(club.learned().theta)
    # 12,000 draws of 300 people: 3 points and 0.15 kg are about three standard errors.
    assert (drawn > cell.lead_kg + out).mean() == pytest.approx(cell.p_too_light, abs=0.03)
    assert (drawn < cell.lead_kg - 2).mean() == pytest.approx(cell.p_too_heavy, abs=0.03)
    assert drawn.mean() == pytest.approx(cell.need_mean_kg, abs=0.15)
    assert drawn.std() == pytest.approx(cell.need_sd_kg, rel=0.06)


def test_the_band_holds_the_variety_of_bodies(data) -> None:
    # One person of known height, age and sex is better known than anybody of that mass.
    who = {
        "diver": "Kay",
        "mass_kg": 75,
        "height_cm": 172,
        "birth_year": 1988,
        "sex": "f",
        "dives_before": 30,
    }
    assessment = club.assess([club.plan_row("Kay")], divers=[*club.DIVERS, who], fit=club.learned())
    row = assessment.line.at(PLAN)
    one = assessment.marginals(row, assessment.state(row, pressure=RESERVE_PRESSURE))[0]
    assert data.tables[0].cells[1][0].need_sd_kg > 1.05 * one.sd


def test_directions_of_physics() -> None:
    desk = Desk(
        classes="55,65,85",
        suits=("thin", "thick"),
        waters=("fresh", "salt"),
        cylinders=("steel 12", "alu 11"),
        worn_with={"other": "-", "bc": "jacket"},
    )
    found = rental(club.assess(gear=[*club.GEAR, *PAIR], fit=prior_fit()), desk, generated=WHEN)
    assert [(t.place.water, t.place.cylinder) for t in found.tables] == [
        ("fresh", "steel 12"),
        ("fresh", "alu 11"),
        ("salt", "steel 12"),
        ("salt", "alu 11"),
    ]
    fresh_steel, fresh_alu, salt_steel, salt_alu = (middle(found, k) for k in range(4))
    assert (fresh_steel[:, 1] > fresh_steel[:, 0] + 1).all()  # 4 mm more of foam
    assert (salt_steel > fresh_steel + 1).all()  # the sea lifts some 2.5 % more
    assert (salt_alu > salt_steel).all()  # an aluminium cylinder floats when empty
    assert (fresh_alu > fresh_steel).all()
    assert {cell.evidence for cell in cells(found)} == {"none"}


def test_a_cell_is_the_same_whatever_table_is_printed_beside_it() -> None:
    """Independent: the table by itself. Bodies are learned to differ less than the formulas leave open."""
    fit = club.learned()
    known = Fit(fit.names, fit.mean, fit.precision, replace(fit.theta, body_factor=0.4), fit.theta_sd)

    def table(*waters: str, suits=("full 5", "membrane")):
        desk = Desk(classes="55,65,85", suits=suits, waters=waters, cylinders=("steel 12",))
        rows = rental(club.assess(fit=known), desk, generated=WHEN).tables[-1].cells
        return np.array(
            [[[n for n in asdict(cell).values() if not isinstance(n, str)] for cell in row] for row in rows]
        )

    alone = table("salt")
    assert table("fresh", "salt") == pytest.approx(alone, rel=1e-9, nan_ok=True)
    assert table("brackish", "fresh", "salt") == pytest.approx(alone, rel=1e-9, nan_ok=True)
    assert table("salt", suits=("full 5",)) == pytest.approx(alone[:, :1], rel=1e-9, nan_ok=True)


def test_one_risk_for_the_whole_table(data) -> None:
    careful = small(risk=0.01)
    assert (lead(careful) >= lead(data)).all()
    assert (lead(careful) > lead(data)).any()
    assert middle(careful) == pytest.approx(middle(data))


def test_heavier_blocks_never_hand_out_less_to_have_at_hand(data) -> None:
    coarse = small(pieces=Pieces.parse(["1"]))
    assert (lead(coarse) >= lead(data)).all()
    assert all(cell.lead_kg % 1 == 0 for cell in cells(coarse))


def test_evidence_is_counted_by_class_and_suit(data) -> None:
    # The club by hand: Ines (64 kg) has 8 dives in the full 5; Ivo (82) and Noa (71) have 16; the others
    # are outside both classes; nobody wore the membrane. Kind: independent.
    table = data.tables[0].cells
    assert [(c.dives, c.divers, c.evidence) for c in (table[0][0], table[1][0])] == [
        (8, 1, "little"),
        (16, 2, "little"),
    ]
    assert {(row[1].dives, row[1].evidence) for row in table} == {(0, "none")}
    assert (data.dives, data.divers) == (40, 5)
    assert data.seen[0].rose.of == 40
    assert data.seen[1].rose.of == 0


def test_children_do_not_stand_behind_a_cell_for_adults() -> None:
    """Counts by hand from the club, see above; whoever's year of birth is not noted counts. Independent."""

    def behind(**born: int | None):
        divers = [
            row | {"birth_year": born[row["diver"]]} if row["diver"] in born else row for row in club.DIVERS
        ]
        desk = Desk(classes="55,65,85", suits=("full 5",), cylinders=("steel 12",))
        found = rental(club.assess(divers=divers, fit=club.learned()), desk, generated=WHEN)
        counted = [(row[0].dives, row[0].divers, row[0].evidence) for row in found.tables[0].cells]
        return counted, (found.dives, found.divers, found.observed_divers)

    grown, whole = behind(Ines=None, Noa=1979)
    assert grown == [(8, 1, "little"), (16, 2, "little")]
    young, all_the_same = behind(Ines=2012, Noa=2011)
    assert young == [(0, 0, "none"), (8, 1, "little")]
    # What was handed out, and what the whole book holds, is told of everybody.
    assert all_the_same == whole
    # On the day of the dive: the dives are in May 2026.
    assert behind(Ines=2007)[0][0] == (8, 1, "little")


def test_rental_kit_is_what_passes_from_hand_to_hand() -> None:
    gear = [*club.GEAR, *PAIR]
    dives = [worn("Ines", "thin S"), worn("Noa", "thin S"), worn("Ivo", "thin L"), worn("Ole", "thick")]
    held = club.records(gear=gear, dives=dives)
    assert suit_types(held.gear)["full 5"] == "full 5 mm"
    found = outfits(held.gear, held.dives, np.array([64, 71, 82, 90.0]), classes=mass_classes("50,70,90"))
    assert [outfit.key for outfit in found] == [("thin",)]  # only Ole wore the thick one
    inches = [
        *gear,
        {"item": "two", "kind": "suit", "style": "full", "thickness_mm": 0.276 * 25.4},
        {"item": "three", "kind": "suit", "style": "full", "thickness_mm": 7},
    ]
    types = suit_types(club.records(gear=inches).gear)
    assert types["two"] == types["three"] == "full 7 mm"
    assert found[0].suit == ("thin S", "thin L")  # the sizes that divers of that mass wore
    assert found[0].worn_with == {"undersuit": "", "bc": "jacket", "other": ""}


def test_what_one_diver_wore_once_is_not_handed_to_everybody() -> None:
    gear = [*club.GEAR, *PAIR, {"item": "lamp", "kind": "other", "mass_kg": 4.6, "buoyancy_kg": -3.4}]
    dives = [worn(who, "thin S", dive=f"{who} {n}") for who in ("Ines", "Noa") for n in range(4)]
    dives[0] |= {"other": "lamp", "undersuit": "fleece", "bc": ""}
    held = club.records(gear=gear, dives=dives)
    (found,) = outfits(held.gear, held.dives, np.full(8, 64.0), classes=mass_classes("50,70"))
    assert found.worn_with == {"undersuit": "", "bc": "jacket", "other": ""}
    dives[1] |= {"other": "lamp"}
    for row in dives[4:7]:
        row |= {"other": "lamp"}
    held = club.records(gear=gear, dives=dives)
    (found,) = outfits(held.gear, held.dives, np.full(8, 64.0), classes=mass_classes("50,70"))
    assert found.worn_with["other"] == "lamp"


def test_a_mountain_lake_has_its_own_table() -> None:
    """Pinned: the altitude and stop of the dives; independent: as a plan of a row that names them has it."""
    lake = {"water": "fresh", "altitude_m": 1560.0, "stop_depth_m": 3.0}
    dives = [row | lake for row in club.dives()]
    asked = {"classes": "60,80", "suits": ("full 5",), "cylinders": ("steel 12",)}
    high = rental(club.assess(dives=dives), Desk(**asked), generated=WHEN)
    assert asdict(high.tables[0].place) == pytest.approx(
        asdict(Place("fresh", "steel 12", 1560.0, 3.0)), nan_ok=True
    )
    named = rental(
        club.assess(), Desk(**asked, waters=("fresh",), altitude_m=1560.0, stop_depth_m=3.0), generated=WHEN
    )
    low = rental(club.assess(), Desk(**asked, waters=("fresh",)), generated=WHEN)
    assert (low.tables[0].place.altitude_m, low.tables[0].place.stop_depth_m) == (0.0, 5.0)
    more = named.tables[0].cells[0][0].need_q50_kg - low.tables[0].cells[0][0].need_q50_kg
    plan = [club.plan_row("Zed", water="fresh"), club.plan_row("Zed", **lake)]
    assessment = club.assess(plan)
    rows = assessment.line.at(PLAN)
    need = assessment.prior(rows, assessment.state(rows))[0].need
    assert more == pytest.approx(need[1] - need[0], abs=0.25)
    assert need[1] - need[0] > 0.4
    assert place_text(high.tables[0].place, "metric") == "Fresh water, steel 12, 1560 m up, stop at 3 m"
    assert place_text(high.tables[0].place, "imperial") == "Fresh water, steel 12, 5118 ft up, stop at 10 ft"
    with pytest.raises(OutOfRangeError, match="stop_depth_m must lie in"):
        rental(club.assess(), Desk(**asked, stop_depth_m=40.0), generated=WHEN)
    brackish = [
        row | {"water": "brackish", "salinity_gkg": value}
        for row, value in zip(club.dives(), [18.0, np.nan] * 50, strict=False)
    ]
    place = rental(club.assess(dives=brackish), Desk(**asked), generated=WHEN).tables[0].place
    assert place.salinity_gkg == 18.0
    assert place_text(place, "metric") == "Brackish water, 18\u00a0g/kg, steel 12"
    # A deeper stop than the usual one needs less lead, and nobody said that it will be dived again.
    deep = rental(
        club.assess(dives=[row | {"stop_depth_m": 9.0} for row in dives]), Desk(**asked), generated=WHEN
    )
    assert deep.tables[0].place.stop_depth_m == 5.0


def test_without_shared_suits_every_suit_is_shown_but_vests() -> None:
    held = club.records(dives=[])
    found = outfits(held.gear, held.dives, np.zeros(0), classes=mass_classes("50,70"))
    assert [outfit.label for outfit in found] == ["full 5 mm", "dry membrane"]


def test_group_and_day_choose_who_counts() -> None:
    dives = [row | {"group": "red" if row["diver"] == "Ines" else "blue"} for row in club.dives()]
    assessment = club.assess(dives=dives, fit=club.learned())
    desk = Desk(classes="55,85", suits=("full 5",), group="red", since="2026-05-05")
    found = rental(assessment, desk, generated=WHEN)
    assert (found.dives, found.divers) == (4, 1)
    assert found.stock.renters == 4  # the least that is reckoned with


def test_stock_serves_the_day_and_is_the_same_again(data) -> None:
    again = small()
    assert again.stock == data.stock
    assert data.stock.renters == 5  # five divers on each day of the club
    assert data.stock.stock.served.share >= 0.95
    more = small(renters=30)
    assert more.stock.stock.total_kg > 2 * data.stock.stock.total_kg
    assert more.stock.stock.usual_kg == pytest.approx(6 * data.stock.stock.usual_kg, rel=0.15)


def test_mix_leans_on_who_came_and_never_rules_anybody_out() -> None:
    classes = mass_classes("50,70,90")
    day = np.array(["2026-05-01"] * 90, "datetime64[D]")
    renters = Renters(np.array([0] * 60 + [1] * 30), np.zeros(90, int), day, np.arange(90).astype(object))
    found = mix(renters, classes, 2)
    assert found.sum() == pytest.approx(1)
    assert found[0, 0] == pytest.approx(0.6 + 0.1 * 0.5, abs=0.05)
    assert (found > 0).all()
    assert renters.busiest() == 90


@pytest.mark.parametrize(
    ("changed", "error", "message"),
    [
        ({"suits": ("rubber",)}, UnknownNameError, "known types: dry membrane, full 5 mm"),
        ({"cylinders": ("jacket",)}, UnknownNameError, "no such cylinder"),
        ({"worn_with": {"bc": "steel 12"}}, UnknownNameError, "no such bc in the book; it has jacket"),
        ({"waters": ("sea",)}, OutOfRangeError, "fresh, brackish, salt"),
        ({"classes": "90,50"}, OutOfRangeError, "rising edges"),
        ({"renters": 0}, OutOfRangeError, "give 1 to 500"),
    ],
)
def test_refusals(changed, error, message) -> None:
    with pytest.raises(error, match=message):
        small(**changed)


def test_a_book_without_suits_is_refused() -> None:
    gear = [row for row in club.GEAR if row["kind"] != "suit"]
    with pytest.raises(RecordError, match="no suits"):
        rental(club.assess(gear=gear, dives=[], checks=[], fit=prior_fit()), Desk(), generated=WHEN)


def test_knowing_the_sex_moves_both_figures(data) -> None:
    """Independent: a crowd of women alone and one of men alone, drawn from the strangers of each class."""
    place = [data.tables[0].place]
    crowd = RentalCrowd(club.assess(), data.classes, data.outfits, place, WHEN)
    sex = crowd.assessment.line.records.divers["sex"]
    for i, row in enumerate(data.nearer):
        own = {word: np.flatnonzero(sex[i * CROWD : (i + 1) * CROWD] == word) for word in "fm"}
        means = np.array([[m.mean for m in crowd.of(i, 0, j)] for j in range(2)])
        apart = means[:, own["f"]].mean() - means[:, own["m"]].mean()
        assert row.woman_kg - row.man_kg == pytest.approx(apart, abs=0.6)
        assert row.woman_kg >= 0 >= row.man_kg
        assert max(row.woman_width_kg, row.man_width_kg) < row.width_kg + 0.15
        # Handed what the row says, neither is too light more often than was accepted; without it women are.
        for j in range(2):
            cell = data.tables[0].cells[i][j]
            for word, shift in (("f", row.woman_kg), ("m", row.man_kg)):
                group = Crowd.of([crowd.of(i, 0, j)[k] for k in own[word]])
                assert float(group.above(cell.bring_kg + shift + crowd.out)) < data.risk + 0.02
    heavier = data.nearer[1]
    women = [crowd.of(1, 0, 0)[k] for k in np.flatnonzero(sex[CROWD : 2 * CROWD] == "f")]
    plain = float(Crowd.of(women).above(data.tables[0].cells[1][0].bring_kg + crowd.out))
    assert plain > data.risk
    assert heavier.woman_kg > 0
