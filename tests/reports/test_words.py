"""Chances, numbers and places as they are written. Kind of expected values: independent, by hand."""

import math
import re
from pathlib import Path

import numpy as np
import pytest

from leadline.errors import LeadlineError
from leadline.reports import page, phrase
from leadline.reports.reading import Reading
from leadline.reports.scale import Scale, round_step


@pytest.mark.parametrize(
    ("probability", "words"),
    [
        (0.0, "fewer than 1 dive in 200"),
        (0.05, "about 1 dive in 20"),
        (0.1, "about 1 dive in 10"),
        (0.25, "about 1 dive in 4"),
        (0.5, "about 5 dives in 10"),
        (0.94, "about 9 dives in 10"),
        (0.97, "almost every dive"),
        (1.0, "almost every dive"),
        (math.nan, "an unknown share of dives"),
    ],
)
def test_chance_in_words(probability, words):
    assert phrase.chance(probability) == words


@pytest.mark.parametrize("probability", np.linspace(0.005, 0.949, 60))
def test_chance_in_words_is_never_far_from_the_number(probability):
    ones, out_of = map(int, [w for w in phrase.chance(probability).split() if w.isdigit()])
    assert ones / out_of == pytest.approx(probability, rel=0.2)


@pytest.mark.parametrize(
    ("kg", "text"),
    [
        (6.44, "6.4\u00a0kg"),
        (-0.04, "0.0\u00a0kg"),
        (0.04, "0.0\u00a0kg"),
        (-1.25, "−1.2\u00a0kg"),
        (math.nan, "–"),
    ],
)
def test_mass_text(kg, text):
    assert f">{text}<" in Reading("metric").mass(kg)


@pytest.mark.parametrize(
    ("kg", "units", "text"),
    [
        (7.5, "metric", "7.5"),
        (8.0, "metric", "8"),
        (10.0, "metric", "10"),
        (0.0, "metric", "0"),
        (6.25, "metric", "6.25"),
        (6.35029318, "imperial", "14"),
        (4.5359237, "imperial", "10"),
        (7.5, "imperial", "16.5"),
    ],
)
def test_lead_is_written_as_it_lies_on_the_blocks(kg, units, text):
    assert f">{text}<" in Reading(units).lead(kg, bare=True)


def test_field_names_and_values_are_attributes():
    assert Reading("metric").pressure(35.4, field='a"b') == (
        '<data value="35.4" data-field="a&#34;b">35\u00a0bar</data>'
    )


@pytest.mark.parametrize(("span", "intervals", "step"), [(7.3, 5, 2), (0.9, 5, 0.2), (48, 5, 10), (5, 5, 1)])
def test_round_step(span, intervals, step):
    assert round_step(span, intervals) == pytest.approx(step)


def test_places_on_a_scale():
    scale = Scale(-2.0, 8.0)
    assert scale.at(3.0) == "50%"
    assert scale.at(-9.0) == "0%"
    assert scale.span(3.0, -1.0) == "left:10%;width:40%"
    assert scale.span(3.0, math.nan) == "display:none"
    np.testing.assert_allclose(scale.ticks(5), [-2, 0, 2, 4, 6, 8])


def test_scale_over_nothing_and_over_one_value():
    assert Scale.over([math.nan, math.inf]).ticks() != []
    lone = Scale.over([5.0], least=4.0)
    assert (lone.low, lone.high) == pytest.approx((2.84, 7.16))


def test_report_is_written_whole(tmp_path):
    target = tmp_path / "a.html"
    target.write_text("old", "utf-8")
    assert page.write_text("nüw\n", target) == target
    assert target.read_bytes() == "nüw\n".encode()
    assert list(tmp_path.iterdir()) == [target]


def test_failed_write_leaves_the_old_report_and_no_scraps(tmp_path):
    target = tmp_path / "a.html"
    target.write_text("old", "utf-8")
    with pytest.raises(UnicodeEncodeError):
        page.write_text("half\ud800", target)
    assert target.read_text("utf-8") == "old"
    assert list(tmp_path.iterdir()) == [target]


def test_missing_folder_is_named(tmp_path):
    with pytest.raises(LeadlineError, match=r"cannot write .*nowhere.*name a folder"):
        page.write_text("x", tmp_path / "nowhere" / "a.html")


def test_folder_in_place_of_the_file_is_told_as_one(tmp_path):
    (tmp_path / "leads.csv").mkdir()
    with pytest.raises(LeadlineError, match=r"leads\.csv: a folder, and a file is needed"):
        page.write_text("x", tmp_path / "leads.csv")
    assert [file.name for file in tmp_path.iterdir()] == ["leads.csv"]


def test_data_refuse_what_does_not_fit(season, suggestion):
    from dataclasses import replace

    data = season(3)
    with pytest.raises(ValueError, match=r"SeasonDives\.lead must have 3 rows .* got 2"):
        replace(data.dives, lead=np.zeros(2))
    with pytest.raises(ValueError, match=r"SeasonDives\.need must hold 5 quantiles"):
        replace(data.dives, need=np.zeros((3, 4)))
    with pytest.raises(ValueError, match=r"Suggestion\.need must hold 5 quantiles"):
        suggestion(need=np.zeros(3))
    with pytest.raises(ValueError, match=r"Ledger\.mass must have one row an item"):
        replace(data.ledger, mass=np.zeros((2, 2)))
    with pytest.raises(ValueError, match=r"Ledger\.total must have one value a state"):
        replace(data.ledger, total=np.zeros(9))
    with pytest.raises(ValueError, match="metric or imperial"):
        replace(data, units="furlongs")


def test_commands_in_a_sentence_are_code_and_names_stay_names() -> None:
    said = page.commands("Go by `leadline check`, <b>, or `leadline <i>`; in `6.5`.")
    assert said == "Go by <code>leadline check</code>, &lt;b&gt;, or `leadline &lt;i&gt;`; in `6.5`."
    for template in Path(page.__file__).with_name("templates").glob("*.j2"):
        for shown in re.findall(r'class="said">{{ ([^}]*) }}', template.read_text(encoding="utf-8")):
            assert shown.endswith("|commands"), (template.name, shown)
