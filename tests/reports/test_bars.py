"""Bars of the page lie where their numbers say.

Kind of every expected value here: independent. Places are read back in per cent from the page; the scale is
taken from its ticks, or from two bars whose numbers are known.
"""

import re

import numpy as np
import pytest

from leadline.reports import season as report

POUND = 0.45359237  # kg; NIST SP 811 (2008), appendix B: exact. Published.


def ends(part):
    """Left and right end of a bar in per cent of its track."""
    style = part.attributes["style"]
    left = float(re.search(r"left:([\d.]+)%", style)[1])
    width = re.search(r"width:([\d.]+)%", style)
    return left, left + float(width[1] if width else 0)


def kilograms(places, values):
    """The map from per cent to kg through known points."""
    slope, offset = np.polyfit(places, values, 1)
    return lambda place: slope * np.asarray(place) + offset


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_answer_bands_and_lead(season, parse, units):
    data = season(units=units)
    answer = data.suggestion
    scale = parse(report.render(data)).one("div", _class="scale")
    ticks = scale.one("div", _class="ticks").all("span")
    unit = POUND if units == "imperial" else 1.0
    kg = kilograms(
        [ends(tick)[0] for tick in ticks], [float(tick.text().replace("−", "-")) * unit for tick in ticks]
    )
    for track, need in zip(scale.all("span", _class="track"), (answer.need, answer.low_need), strict=True):
        outer, inner, median, mark = track.all("i")
        places = [ends(outer)[0], ends(inner)[0], ends(median)[0], ends(inner)[1], ends(outer)[1]]
        np.testing.assert_allclose(kg(places), need, atol=0.01)
        np.testing.assert_allclose(kg(ends(mark)[0]), answer.lead_kg, atol=0.01)


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_learned_steps_lead_from_the_prior_on(season, parse, units):
    data = season(units=units)
    page = parse(report.render(data))
    before = page.one("tr", data_row="prior").all("i")
    kg = kilograms(ends(before[0]), data.prior.band[[0, 4]])
    at = data.prior.mean
    for row, part in zip(page.all("tr", data_row="learned"), data.learned, strict=True):
        bar = row.one("i")
        np.testing.assert_allclose(kg(ends(bar)), sorted([at, at + part.kg]), atol=0.01)
        assert bar.attributes["class"] == ("up" if part.kg > 0 else "down")
        at += part.kg
    after = page.one("tr", data_row="posterior").all("i")
    np.testing.assert_allclose(kg(ends(after[1])), data.suggestion.need[[1, 3]], atol=0.01)


@pytest.mark.parametrize("units", ["metric", "imperial"])
def test_ledger_bars_add_up_to_the_sum(season, parse, units):
    data = season(units=units)
    page = parse(report.render(data))
    zero, total = page.one("tr", data_row="total").all("i")
    kg = kilograms([ends(zero)[0], ends(total)[1]], [0.0, data.ledger.total[0]])
    at = 0.0
    for row, net in zip(page.all("tr", data_row="item"), data.ledger.net_buoyancy[:, 0], strict=True):
        line, bar = row.all("i")
        assert ends(line) == ends(zero)
        np.testing.assert_allclose(kg(ends(bar)), sorted([at, at + net]), atol=0.01)
        assert bar.attributes["class"] == ("up" if net > 0 else "down")
        at += net
