"""Strangers of a class of body mass: all sexes, heights, ages and experiences that come."""

from __future__ import annotations

import numpy as np
import pytest

from leadline.decide.stranger import CROWD, MassClass, mass_classes, population_share, strangers
from leadline.errors import OutOfRangeError
from leadline.physics.body import body

CLASSES = mass_classes(None)


def crowd(group: MassClass):
    return strangers([group], year=2026, size=512)


def test_masses_fill_the_class_and_nothing_else() -> None:
    table = strangers(CLASSES, year=2026)
    mass = table["mass_kg"].reshape(len(CLASSES), CROWD)
    for group, own in zip(CLASSES, mass, strict=True):
        assert group.holds(own).all()
        assert own.max() - own.min() > 0.9 * (group.high - group.low)
    assert len(set(table["diver"])) == len(CLASSES) * CROWD


def test_a_crowd_is_the_same_each_time() -> None:
    first, second = (strangers(CLASSES, year=2026) for _ in range(2))
    assert all(np.array_equal(first[name], second[name]) for name in ("mass_kg", "height_cm", "sex"))


# Bayes' rule on the two log-normal densities at the middle of the class, scipy.stats. Kind: independent.
@pytest.mark.parametrize("middle", [55, 72, 95])
def test_sexes_come_as_the_mass_tells(middle: float) -> None:
    stats = pytest.importorskip("scipy.stats")
    men, women = (stats.lognorm(s, scale=m).pdf(middle) for m, s in ((80.0, 0.16), (65.0, 0.17)))
    table = crowd(MassClass(middle - 1, middle + 1))
    assert (table["sex"] == "m").mean() == pytest.approx(men / (men + women), abs=0.03)


# As the page says of the answer for one diver whose sex is not noted, for whom half a man is taken: the same
# people by both. At 105 kg by hand: a man is 3.4 L less than a woman, and 0.93 - 0.5 of that are 1.4 L.
@pytest.mark.parametrize(("middle", "more"), [(50, 0.8), (105, -1.4)])
def test_strangers_float_more_than_half_a_man_where_light_and_less_where_heavy(middle, more) -> None:
    table = crowd(MassClass(middle - 1, middle + 1))
    age = 2026.0 - table["birth_year"]
    known = body(table["mass_kg"], np.nan, age=age, male=(table["sex"] == "m").astype(float))
    half = body(table["mass_kg"], np.nan, age=age, male=np.nan)
    assert (known.volume - half.volume).mean() == pytest.approx(more, abs=0.15)


def test_bodies_vary_inside_a_class() -> None:
    table = crowd(MassClass(70, 80))
    for sex, spread in (("f", 6.5), ("m", 7.0)):  # sd of height in cm at one mass, the module's own: pinned
        own = table["height_cm"][table["sex"] == sex]
        assert own.std() == pytest.approx(spread, rel=0.12)
    age = 2026 - table["birth_year"]
    assert age.min() >= 19  # nobody whom the adult formulas do not fit
    assert age.std() == pytest.approx(11.5, abs=1.5)
    assert sorted(set(table["dives_before"])) == [5, 30, 150]


def test_shares_of_the_classes_sum_to_one() -> None:
    share = population_share(CLASSES)
    assert share.sum() == pytest.approx(1)
    assert share.argmax() in (2, 3)  # 60 to 80 kg
    halves = population_share(mass_classes("60,70,80"))
    whole = population_share(mass_classes("60,80"))
    assert halves.sum() == pytest.approx(whole.sum())


# The example of the refusal is not refused itself, in either unit.
@pytest.mark.parametrize(("imperial", "unit"), [(False, "kg"), (True, "lb")])
def test_the_refusal_of_edges_names_some_that_are_taken(imperial: bool, unit: str) -> None:
    with pytest.raises(OutOfRangeError, match=f"rising edges .* {unit}, such as") as refused:
        mass_classes("5,6", imperial=imperial)
    told = str(refused.value).rpartition("such as ")[2]
    assert len(mass_classes(told, imperial=imperial)) > 1


def test_classes_in_pounds() -> None:
    found = mass_classes("100,150,200", imperial=True)
    assert found[1].low == pytest.approx(150 * 0.45359237)


@pytest.mark.parametrize("text", ["50", "80,70", "50,50", "10,60", "60,300", "light,heavy"])
def test_edges_that_make_no_classes_are_refused(text: str) -> None:
    with pytest.raises(OutOfRangeError, match="rising edges from 35 to 200 kg"):
        mass_classes(text)
