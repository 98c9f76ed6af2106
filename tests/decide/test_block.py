"""Lead on blocks: every sum there is, against trying all of them."""

from __future__ import annotations

import time
from itertools import product

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leadline.decide.advice import advise
from leadline.decide.block import Block, BlockSet
from leadline.decide.stock import Pieces
from leadline.errors import OutOfRangeError, TooFewBlocksError
from leadline.units import POUND

from .club import assess, dives, plan_row

STOCKS = st.lists(
    st.tuples(st.sampled_from([0.5, 1.0, 1.5, 2.0, 3.0]), st.integers(1, 4)), min_size=1, max_size=3
)


@settings(deadline=None, max_examples=60)
@given(STOCKS, st.floats(0, 30))
def test_sums_are_all_that_can_be_made(stock, lead) -> None:
    """Independent: every choice of every number of every size."""
    owned = BlockSet.parse(",".join(f"{mass}kg:{number}" for mass, number in stock))
    every = sorted(
        {
            round(sum(n * mass for n, (mass, _) in zip(numbers, stock, strict=True)), 6)
            for numbers in product(*(range(number + 1) for _, number in stock))
        }
    )
    assert [round(s, 6) for s in owned.sums] == every
    enough = [s for s in every if s >= lead - 1e-9]
    if enough:
        assert owned.at_least(lead) == pytest.approx(enough[0])
    else:
        with pytest.raises(OutOfRangeError, match="these blocks make up to"):
            owned.at_least(lead)
    assert abs(owned.nearest(lead) - lead) == pytest.approx(min(abs(s - lead) for s in every))
    assert owned.below(lead) == pytest.approx(max([s for s in every if s < lead - 1e-9], default=0))


def test_one_who_needs_more_than_all_there_is_borrows_of_the_smallest() -> None:
    """By hand: 2 x 2 kg and 0.5 kg make 4.5 kg; 6.1 kg are four more halves."""
    listed = BlockSet.of({"2 kg": 2, "0.5 kg": 1})
    assert listed.all_there_is == 4.5
    assert [listed.at_least(lead) for lead in (4.5, 4.6, 6.1)] == [4.5, 5.0, 6.5]
    assert [listed.nearest(lead) for lead in (4.4, 4.6, 4.8, 6.1)] == [4.5, 4.5, 5.0, 6.0]
    assert [listed.below(lead) for lead in (4.5, 4.6, 5.0, 6.1)] == [4.0, 4.5, 4.5, 6.0]
    assert listed.makes(6.0)
    assert not listed.makes(6.1)


LISTS = st.dictionaries(
    st.sampled_from([0.5, 0.7, 1.0, 1.5, 2.0, 3.1]), st.integers(1, 3), min_size=1, max_size=3
)


@settings(deadline=None, max_examples=150)
@given(LISTS, st.floats(0, 30) | st.integers(0, 120).map(lambda quarter: quarter / 4))
def test_beyond_the_list_leads_are_what_any_number_of_pieces_make(pieces, lead) -> None:
    """Independent: every number of every size, of which up to the whole list those that are there."""
    listed = BlockSet.of({f"{mass:g} kg": number for mass, number in pieces.items()})
    there = sum(mass * number for mass, number in pieces.items())
    every = set()
    for numbers in product(*(range(int(36 / mass) + 1) for mass in pieces)):
        total = round(sum(n * mass for n, mass in zip(numbers, pieces, strict=True)), 6)
        within = all(n <= own for n, own in zip(numbers, pieces.values(), strict=True))
        if total <= 36 and (within or total > there + 1e-6):
            every.add(total)
    assert listed.at_least(lead) == pytest.approx(min(s for s in every if s >= lead - 1e-9))
    assert listed.below(lead) == pytest.approx(max((s for s in every if s < lead - 1e-9), default=0))
    near = min(abs(s - lead) for s in every)
    assert listed.nearest(lead) == pytest.approx(max(s for s in every if abs(s - lead) <= near + 1e-9))
    assert listed.makes(lead) is (near < 1e-3)


def test_one_who_needs_more_than_all_there_is_borrows_as_the_boat_sheet_does() -> None:
    """By hand: 1 kg, 2 x 1.5 kg and 2 x 2 kg make 8 kg; 12.5 kg are 4 x 2 kg and 3 x 1.5 kg.

    Of 1.5 and 2 kg, one each, 3.5 kg; above it every half kilogram.
    """
    listed = BlockSet.of({"1 kg": 1, "1.5 kg": 2, "2 kg": 2})
    assert [listed.at_least(lead) for lead in (8.0, 8.1, 12.1, 12.6)] == [8.0, 8.5, 12.5, 13.0]
    pieces = {"2 kg": 1, "1.5 kg": 1}
    listed, boat = BlockSet.of(pieces), Pieces.listed(pieces).step
    for lead in (3.6, 4.2, 7.0, 10.1, 61.3):
        assert listed.at_least(lead) == pytest.approx(boat.at_least(lead))
        assert listed.below(lead + 0.5) == pytest.approx(boat.below(lead + 0.5))
    assert [listed.at_least(lead) for lead in (3.2, 3.6, 4.2)] == [3.5, 4.0, 4.5]


def test_five_odd_sizes_are_summed_at_once() -> None:
    """Of one each they make 32 leads; of any number tens of thousands, as of each size there are dozens."""
    listed = BlockSet.of({f"{size} lb": 1 for size in (1.013, 2.027, 3.049, 4.057, 5.081)})
    began = time.perf_counter()
    assert len(listed.sums) == 32
    assert len(listed.any_number.sums) > 25_000
    assert listed.at_least(50 * POUND) >= 50 * POUND
    assert time.perf_counter() - began < 1.0


@settings(deadline=None, max_examples=60)
@given(st.sampled_from([0.5, 1.0, POUND, 2 * POUND]), st.floats(0, 30))
def test_one_size_without_end_is_a_large_stock(mass, lead) -> None:
    plain, many = Block(mass), BlockSet(mass, False, ((mass, 120),))
    assert plain.at_least(lead) == pytest.approx(many.at_least(lead))
    assert plain.below(lead) == pytest.approx(many.below(lead))


@pytest.mark.parametrize(("text", "imperial"), [("1lb:4,2lb:6", True), ("1kg:4,2lb:6", False)])
def test_pounds_are_pounds_where_all_are(text, imperial) -> None:
    assert BlockSet.parse(text).imperial is imperial


@pytest.mark.parametrize("text", ["", "1kg", "1kg:0", "1kg:x", "9kg:2", ":3", "1kg:-1"])
def test_what_is_no_stock_is_refused(text) -> None:
    with pytest.raises(OutOfRangeError, match=r"give (a mass|masses)"):
        BlockSet.parse(text)


@pytest.mark.parametrize("mass", [-1.0, 0.0, 0.09, 5.01, float("nan"), float("inf")])
def test_block_that_no_lead_is_made_of_is_refused(mass) -> None:
    """As where it is typed: 0.1 to 5 kg."""
    for made in (lambda: Block(mass), lambda: BlockSet(mass), lambda: BlockSet(0.5, stock=((mass, 1),))):
        with pytest.raises(OutOfRangeError, match=r"mass of a block must lie in \[0\.1, 5\] kg, got"):
            made()


def test_answer_is_made_of_the_blocks_there_are() -> None:
    answer = advise(assess([plan_row("Ines")]), block=BlockSet.parse("2kg:4,0.5kg:1"))[0]
    assert answer.bring_kg in BlockSet.parse("2kg:4,0.5kg:1").sums
    with pytest.raises(OutOfRangeError, match=r"make up to 1\.0 kg"):
        advise(assess([plan_row("Ines")]), block=BlockSet.parse("1kg:1"))


@pytest.mark.parametrize("history", ["hovered", "rose"])
def test_blocks_that_do_not_suffice_are_told_the_whole_lead_that_is_called_for(history) -> None:
    """Independent: the answer with blocks of that size without end. It is named
    until it is there, whatever step on the way finds too few first; after a rise, the lead that failed."""
    seen = {"dive": "rise", "date": "2026-05-18", "lead_kg": 5, "stop_result": history, "bc_state": "empty"}
    more = [*dives(), plan_row("Ines", start_bar=200, end_bar=50, **seen)]

    def asked(block: Block):
        return advise(assess([plan_row("Ines")], dives=more), block=block)[0]

    plenty = asked(Block(1.0))
    whole = max(plenty.lead_kg, plenty.bring_kg)
    assert whole > 3
    for number in range(1, round(whole)):
        with pytest.raises(
            TooFewBlocksError, match=rf"make up to {number}\.0 kg and {whole:.1f} kg are"
        ) as told:
            asked(BlockSet.parse(f"1kg:{number}"))
        assert told.value.lead == pytest.approx(whole)
    enough = asked(BlockSet.parse(f"1kg:{whole:.0f}"))
    assert (enough.lead_kg, enough.bring_kg) == (plenty.lead_kg, plenty.bring_kg)
