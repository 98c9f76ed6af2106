"""Numbers of a page with a decimal comma: all that is seen, and nothing else."""

from __future__ import annotations

import importlib.util
import re
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from leadline.errors import OutOfRangeError
from leadline.reports import roster
from leadline.reports import season as season_page
from leadline.reports.numerals import _PARTS, _part, with_numbers


def _rosters():
    path = Path(__file__).with_name("test_roster_page.py")
    spec = importlib.util.spec_from_file_location("numerals_roster", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


def pages(season):
    """A page of each of two kinds, with decimals in names and in sentences."""
    data = season(34, diver="Nr 3.5")
    answer = replace(
        data.suggestion, kit=("suit 6.5",), next_step="Hand 0.5 kg over from suit 6.5, 0.5 to 1 kg."
    )
    return season_page.render(replace(data, suggestion=answer)), roster.render(_rosters().make_roster())


def test_every_number_that_is_seen_has_a_comma_and_no_other(season, parse) -> None:
    for text in pages(season):
        page = parse(with_numbers(text, "comma"))
        seen = page.text(without={"bdi", "style", "title"}).replace("leadline 0.1.0", "")
        assert not re.search(r"\d\.\d", seen)
        before = parse(text).text(without={"bdi", "style", "title"}).replace("leadline 0.1.0", "")
        assert len(re.findall(r"\d,\d", seen)) == len(re.findall(r"\d\.\d", before)) > 50
        values = [d.attributes["value"] for d in page.all("data")]
        assert values == [d.attributes["value"] for d in parse(text).all("data")]
        assert [e.attributes.get("style") for e in page.walk()] == [
            e.attributes.get("style") for e in parse(text).walk()
        ]


def test_names_keep_their_point_and_sentences_turn_their_measures(season, parse) -> None:
    page = parse(with_numbers(pages(season)[0], "comma"))
    text = page.text()
    assert "Nr 3.5" in text
    assert "Hand 0,5 kg over from suit 6.5, 0,5 to 1 kg." in text
    assert "leadline 0.1.0" in text


def test_a_point_is_what_pages_are_made_with(season) -> None:
    for text in pages(season):
        assert with_numbers(text, "point") == text


@pytest.mark.parametrize(
    ("given_text", "numbers", "expected"),
    [
        ("<p>12345.5 L</p>", "comma", "<p>12\u202f345,5 L</p>"),
        ("<p>of 10000 days</p>", "point", "<p>of 10\u202f000 days</p>"),
        ("<p>4000 of 1234567</p>", "comma", "<p>4000 of 1\u202f234\u202f567</p>"),
        ("<p>in 2026, at 0.1.0</p>", "comma", "<p>in 2026, at 0.1.0</p>"),
        ('<svg aria-label="from 1.5 to 2.5"><text>1.5</text></svg>', "comma",
         '<svg aria-label="from 1,5 to 2,5"><text>1,5</text></svg>'),
        ('<path d="M 1.5 2.5"/>', "comma", '<path d="M 1.5 2.5"/>'),
    ],
)  # fmt: skip
def test_by_hand(given_text, numbers, expected) -> None:
    """Kind: published; ISO 80000-1:2009, 7.3.1 (groups of three parted by a small space; from memory)."""
    assert with_numbers(given_text, numbers) == expected


@given(st.from_regex(r"[ a-z0-9.,]{0,30}", fullmatch=True))
def test_a_name_is_never_touched(name) -> None:
    text = f'<p><bdi>{name}</bdi><data value="1.5">1</data></p>'
    assert with_numbers(text, "comma") == text


@given(
    st.lists(
        st.sampled_from([*"0123456789", "12345", *" a.,&#;<>_é\u00a0\u202f", "<p>", "</p>"]), max_size=30
    )
)
def test_large_numbers_are_found_wherever_they_begin(pieces) -> None:
    """What is looked at quickly first, against all of the text taken apart."""
    text = "<p>" + "".join(pieces).replace("<bdi", "") + "</p>"
    apart = "".join(_part(part, ".") for part in _PARTS.split(text))
    assert with_numbers(text, "point") == apart


def test_other_signs_are_refused() -> None:
    with pytest.raises(OutOfRangeError, match="give one of point, comma"):
        with_numbers("", "dot")
