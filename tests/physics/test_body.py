"""Body and lungs: what is known narrows, what is not known is averaged, children are marked."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.testing import assert_allclose

from leadline.errors import OutOfRangeError
from leadline.physics.body import body, predicted_fat, surface_area, tissue_volume
from leadline.physics.lung import breath_volume, dry_volumes, lungs

NAN = np.nan


def test_known_man_by_hand():
    """Kind: independent, by hand: fat 20.5 % by Gallagher, 80 kg x 470.5 / 495 = 76.04 L."""
    man = body(80, 1.80, age=40, male=1)
    assert float(man.volume) == pytest.approx(76.04, abs=0.01)
    assert float(man.volume_sd) == pytest.approx(0.012 * 80)
    assert float(man.surface) == pytest.approx(2.0)
    assert not man.junior
    assert man.unknown == 0


def test_measured_fat_overrules_the_formula_and_is_surer():
    guess, weighed = body(80, 1.80, age=40, male=1), body(80, 1.80, age=40, male=1, body_fat=12.617)
    # Kind: published (Siri 1961): 12.617 % is a density of 1.07 kg/L.
    assert float(weighed.volume) == pytest.approx(80 / 1.07, abs=0.001)
    assert weighed.volume_sd < guess.volume_sd
    assert weighed.measured


def test_the_less_is_known_the_wider():
    people = body(
        [80, 80, 80, 80, NAN, NAN],
        [1.80, 1.80, 1.80, NAN, NAN, NAN],
        age=[40, NAN, NAN, NAN, NAN, NAN],
        male=[1, 1, NAN, NAN, 1, NAN],
    )
    sd = people.volume_sd
    assert sd[0] < sd[1] < sd[2] < sd[3]
    assert sd[0] < sd[4] < sd[5]
    assert people.unknown.tolist() == [0, 0, 0, 0.5, 1, 1]
    assert not np.isnan([people.mass, people.height, people.volume, sd, people.surface]).any()


def test_nothing_known_is_an_ordinary_adult():
    stranger = body(NAN, NAN, age=NAN, male=NAN)
    assert 65 < stranger.mass < 85
    assert 1.65 < stranger.height < 1.80
    assert 1.0 < stranger.volume_sd < 3.0


def test_unknown_sex_lies_between():
    men, women, either = (body(70, 1.72, age=35, male=sex).volume for sex in (1, 0, NAN))
    assert men < either < women
    assert_allclose(either, (men + women) / 2, atol=0.05)


def test_children_are_marked_and_wider():
    child, adult = body(50, 1.60, age=13, male=1), body(50, 1.60, age=25, male=1)
    assert child.junior
    assert not adult.junior
    assert child.volume_sd > 1.5 * adult.volume_sd
    alone = body(NAN, NAN, age=12, male=NAN)
    assert 30 < alone.mass < 52
    assert 1.4 < alone.height < 1.6


def test_a_child_by_the_mass_alone_is_no_adult():
    """Kind: common practice, no source, by the table of growth: 10 years, 1.39 m, 17.0 kg/m² are 32.8 kg."""
    light = body([32.8, 39.9, 40.1, 32.8, NAN], NAN, age=[NAN, NAN, NAN, 30, NAN], male=NAN)
    assert light.junior.tolist() == [True, True, False, False, False]
    assert light.age[0] == pytest.approx(10.0, abs=0.02)
    assert light.height[0] == pytest.approx(1.39, abs=0.005)


# Kind: published, from memory. Heights by the WHO Reference 2007: boys of 14, median 163.2 cm, sd 7.7 cm;
# girls of 12, 151.2 and 6.8 cm. Two sd on either side.
@pytest.mark.parametrize(
    ("mass", "age", "male", "height"), [(126, 14, 1, 1.786), (90, 14, 1, 1.786), (20, 12, 0, 1.376)]
)
def test_child_of_any_mass_has_a_height_of_its_age(mass, age, male, height):
    assert body(mass, NAN, age=age, male=male).height == pytest.approx(height, abs=0.01)
    assert body(50, NAN, age=14, male=1).height == pytest.approx((50 / 19.6) ** 0.5)  # by the mass, as before


def test_tall_child_breathes_like_an_adult_as_tall():
    """Kind: independent, by hand from ECSC 1993 at 25 years: 7.99 x 2.00 - 7.08, 1.31 x 2 + .55 - 1.23."""
    total, residual, _ = dry_volumes(2.00, 14, male=1)
    assert (float(total), float(residual)) == (pytest.approx(8.90), pytest.approx(1.94))


def test_no_body_that_a_record_may_hold_leaves_the_breaths_a_state_may_have():
    """Kind: arithmetic; a state takes breaths within 8 L of the middle (`physics.state`)."""
    grid = np.meshgrid(
        [NAN, 20, 75, 126, 250], [NAN, 0.9, 1.8, 2.3], [NAN, 4, 12, 14, 16, 18, 25, 70, 110], [NAN, 0, 1]
    )
    mass, height, age, male = (values.ravel() for values in grid)
    person = body(mass, height, age=age, male=male)
    lung = lungs(person.height, person.age, male=person.male)
    for word in ("normal", "full", "out"):
        assert np.abs(breath_volume([word] * len(mass), lung)[0]).max() < 8.0


def test_no_jump_at_eighteen():
    ages = np.linspace(14, 19, 101)
    fat = predicted_fat(21.0, ages, male=0)
    assert np.abs(np.diff(fat)).max() < 0.7
    gas = lungs(1.70, ages, male=1).middle
    assert np.abs(np.diff(gas)).max() < 0.03


@settings(max_examples=80, deadline=None)
@given(
    mass=st.floats(20, 250),
    height=st.floats(0.9, 2.3),
    age=st.floats(4, 110),
    male=st.sampled_from([0.0, 1.0, NAN]),
)
def test_every_body_is_possible(mass, height, age, male):
    person = body(mass, height, age=age, male=male)
    density = mass / person.volume
    assert 0.95 < density < 1.10
    assert 0 < person.volume_sd < 0.2 * mass
    assert 0.4 < person.surface < 5
    lung = lungs(height, age, male=person.male)
    assert 0 < lung.residual <= lung.resting < lung.middle < lung.total + 0.2


def test_immersed_lung_by_hand():
    """Kind: independent, by hand from ECSC 1993: RV 2.008, FRC 3.482; 2.008 + .35 x 1.474 + .35 + .1 gut."""
    lung = lungs(1.80, 40, male=1)
    assert float(lung.middle) == pytest.approx(2.974, abs=0.001)
    total, residual, resting = dry_volumes(1.80, 40, male=1)
    # Girandola et al. 1977, 20 young men immersed to the neck: expiratory reserve -61 %, total -5.6 %.
    assert (lung.resting - lung.residual) / (resting - residual) == pytest.approx(0.39, abs=0.05)
    assert lung.total / total == pytest.approx(0.944, abs=0.01)


def test_breaths_in_order():
    lung = lungs([1.80, 1.60, 1.45], [40, 30, 12], male=[1, 0, 0])
    levels = {word: breath_volume([word] * 3, lung)[0] for word in ("out", "", "normal", "full")}
    assert np.all(levels["out"] < levels[""])
    assert np.all(levels[""] == 0)
    assert np.all(levels["normal"] > 0)
    assert np.all(levels["full"] > levels["normal"])
    # What a diver can cover by breathing out: common practice, about 0.5 L and at most 0.9.
    assert -0.9 < levels["out"][0] < -0.5
    assert np.all(lung.middle + levels["out"] > lung.residual)


def test_missing_in_missing_out():
    assert np.isnan(tissue_volume([NAN, 80], 20)).tolist() == [True, False]
    assert np.isnan(surface_area([NAN, 80], 1.8)).tolist() == [True, False]
    assert np.isnan(predicted_fat(25, [NAN, 40], male=1)).tolist() == [True, False]
    assert np.isnan(dry_volumes([NAN, 1.8], 40, male=1)[0]).tolist() == [True, False]


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: body(300, 1.8, age=40, male=1), r"mass must lie in \[20, 250\] kg, got 300"),
        (lambda: body(80, 180, age=40, male=1), r"height must lie in \[0.9, 2.3\] m, got 180"),
        (lambda: body(80, 1.8, age=2, male=1), r"age must lie in \[4, 110\] years, got 2"),
        (lambda: body(80, 1.8, age=40, male=1, body_fat=70), r"body_fat must lie in \[2, 65\] %, got 70"),
        (lambda: tissue_volume(400, 20), r"mass must lie in \[0, 300\] kg, got 400"),
        (lambda: surface_area(80, 3), r"height must lie in \[0.5, 2.5\] m, got 3"),
        (lambda: predicted_fat(90, 40, male=1), r"mass_index must lie in \[8, 80\] kg/m², got 90"),
        (lambda: lungs(1.8, 40, male=2), r"male must lie in \[0, 1\] .*got 2"),
    ],
)
def test_range_errors_name_the_value(call, message):
    with pytest.raises(OutOfRangeError, match=message):
        call()
