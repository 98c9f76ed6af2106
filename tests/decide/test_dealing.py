"""Pieces of lead dealt out to the divers of a dive, against every way there is."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from leadline.decide.dealing import deal, made, makeable, wanted
from leadline.decide.stock import Pieces

CHAINS = [(4, 2, 1), (2, 1), (1,), (6, 3, 1)]
OTHERS = [(6, 4, 2, 1), (5, 3, 2, 1), (3, 2, 1), (4, 3, 1)]
ODD = [(3, 2), (5, 3, 2), (5, 2), (7, 5, 3), (6, 4, 3)]
"""Sizes of which the smallest does not make up any rest: 2 and 3 kg; 2, 3 and 5 lb."""


def best(leads, ratios, counts) -> tuple[int, int]:
    """Fewest borrowed, then fewest pieces, over every way to make every lead."""
    totals = {(0,) * len(ratios)}
    for lead in leads:
        ways = [
            way
            for way in itertools.product(*(range(lead // ratio + 1) for ratio in ratios))
            if sum(n * ratio for n, ratio in zip(way, ratios, strict=True)) == lead
        ]
        totals = {tuple(map(sum, zip(total, way, strict=True))) for total in totals for way in ways}
    return min(score(total, counts) for total in totals)


def score(total, counts) -> tuple[int, int]:
    borrowed = sum(max(n - there, 0) for n, there in zip(total, counts, strict=True))
    return borrowed, int(sum(total))


def made_by_hand(lead, ratios) -> bool:
    """Whether any numbers of pieces make a lead, by trying all."""
    ways = itertools.product(*(range(lead // ratio + 1) for ratio in ratios))
    return any(sum(n * ratio for n, ratio in zip(way, ratios, strict=True)) == lead for way in ways)


@st.composite
def boats(draw, sizes):
    ratios = draw(st.sampled_from(sizes))
    ways = [k for k in range(10) if ratios[-1] == 1 or made_by_hand(k, ratios)]
    leads = draw(st.lists(st.sampled_from(ways), min_size=1, max_size=4))
    counts = draw(st.lists(st.integers(0, 6), min_size=len(ratios), max_size=len(ratios)))
    return leads, ratios, counts


@settings(deadline=None, max_examples=150)
@given(boats(CHAINS + OTHERS + ODD))
def test_no_way_borrows_less_or_takes_fewer_pieces(boat) -> None:
    """Independent: brute force over all ways to make all leads."""
    leads, ratios, counts = boat
    found = deal(np.array(leads), ratios, counts)
    assert (found @ np.array(ratios)).tolist() == leads
    assert score(found.sum(axis=0).tolist(), counts) == best(leads, ratios, counts)


@settings(deadline=None, max_examples=150)
@given(boats(CHAINS))
def test_a_day_borrows_nothing_that_lies_there(boat) -> None:
    """Independent: brute force; whether anything is borrowed, where each size is a multiple of the next."""
    leads, ratios, counts = boat
    found = wanted(np.array([leads, leads[::-1]]), ratios, counts)
    assert (found @ np.array(ratios)).tolist() == [sum(leads)] * 2
    least = best(leads, ratios, counts)
    for day in found.tolist():
        borrowed, pieces = score(day, counts)
        assert (borrowed > 0) == (least[0] > 0)
        if not borrowed:
            assert pieces == least[1]


@pytest.mark.parametrize("ratios", ODD)
def test_what_odd_sizes_make_is_made_of_them(ratios) -> None:
    """Independent: brute force over all numbers of pieces."""
    found = makeable(ratios, 30)
    assert found.tolist() == [made_by_hand(k, ratios) for k in range(31)]
    leads = np.flatnonzero(found)
    assert (made(leads, ratios) @ np.array(ratios) == leads).all()


@settings(deadline=None, max_examples=150)
@given(boats(ODD))
def test_a_day_of_odd_sizes_is_whole_and_borrows_nothing_of_a_list_that_suffices(boat) -> None:
    """Independent: brute force; and pieces enough for each lead by itself."""
    leads, ratios, counts = boat
    found = wanted(np.array([leads, leads[::-1]]), ratios, counts)
    assert (found @ np.array(ratios)).tolist() == [sum(leads)] * 2
    assert all(score(day, counts) >= best(leads, ratios, counts) for day in found.tolist())
    plenty = made(np.array(leads), ratios).sum(axis=0).tolist()
    assert (wanted(np.array([leads]), ratios, plenty) <= plenty).all()


def test_days_of_odd_sizes_borrow_little_more_than_they_must() -> None:
    """Independent: the exact search, on 80 boats of 2 to 30 divers whose lists are scarce or just suffice."""
    rng = np.random.default_rng(11)
    more = []
    for k in range(80):
        ratios = ODD[k % 5]
        leads = rng.choice(np.flatnonzero(makeable(ratios, 25)), rng.integers(2, 31))
        share = rng.dirichlet(np.ones(len(ratios))) * rng.uniform(0.6, 1.3)
        counts = [int(s * leads.sum() / ratio) for s, ratio in zip(share, ratios, strict=True)]
        exact = score(deal(leads, ratios, counts).sum(axis=0).tolist(), counts)
        found = score(wanted(leads[None], ratios, counts)[0].tolist(), counts)
        assert found >= exact
        more.append(found[0] - exact[0])
    assert np.mean(np.array(more) > 0) <= 0.3
    assert np.mean(more) <= 1.0


def test_days_hardly_ever_borrow_more_than_they_must() -> None:
    """Independent: the exact search, on 40 boats of 2 to 30 divers in sizes of all sorts."""
    rng = np.random.default_rng(11)
    more = []
    for k in range(40):
        ratios = (CHAINS + OTHERS)[k % 8]
        leads = rng.integers(0, 25, rng.integers(2, 31))
        share = rng.dirichlet(np.ones(len(ratios))) * rng.uniform(0.6, 1.3)
        counts = [int(s * leads.sum() / ratio) for s, ratio in zip(share, ratios, strict=True)]
        exact = score(deal(leads, ratios, counts).sum(axis=0).tolist(), counts)
        found = score(wanted(leads[None], ratios, counts)[0].tolist(), counts)
        assert found >= exact
        more.append(found[0] - exact[0])
    assert np.mean(np.array(more) > 0) <= 0.15
    assert np.mean(more) <= 0.5


def test_a_list_that_suffices_is_enough() -> None:
    """By hand: ten divers of 8 kg from 102 kg in four sizes; 4 x 3 + 25 x 2 + 18 x 1 = 80 kg."""
    pieces = Pieces.listed({"0.5 kg": 20, "1 kg": 30, "2 kg": 25, "3 kg": 4})
    leads = np.full(10, 8.0)
    assert pieces.sizes == (3.0, 2.0, 1.0, 0.5)
    assert pieces.dealt(leads).sum(axis=0).tolist() == [4, 25, 18, 0]
    assert pieces.wanted(leads[None])[0].tolist() == [4, 25, 18, 0]


def test_sixty_divers_are_dealt_in_the_order_of_nothing_but_their_leads() -> None:
    """Independent: sums; the same question twice has the same answer."""
    leads = np.random.default_rng(3).integers(2, 25, 60)
    counts = [10, 20, 60, 90]
    found = deal(leads, (6, 4, 2, 1), counts)
    assert (found @ np.array([6, 4, 2, 1]) == leads).all()
    assert (found == deal(leads, (6, 4, 2, 1), counts)).all()
    # All that lies there is 350 steps; what is over has to be borrowed, 6 steps a piece at most.
    short = int(leads.sum()) - 350
    assert short > 0
    assert score(found.sum(axis=0).tolist(), counts)[0] == -(-short // 6)


@pytest.mark.parametrize("leads", [[[5.0, 2.5]], [[0.0, 0.0]]])
def test_without_a_list_the_largest_go_first(leads) -> None:
    pieces = Pieces.parse(["0.5", "1", "2"])
    day = np.array(leads)
    assert pieces.wanted(day).tolist() == pieces.of(day).sum(axis=1).tolist()
    assert (pieces.dealt(day[0]) == pieces.of(day[0])).all()
