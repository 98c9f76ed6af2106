"""The chart shows the data: positions are read back from the drawing and turned into kilograms and dives.

Kind of every expected value here: independent; the scale is taken from the grid lines and their labels.
"""

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest

from leadline.reports import chart
from leadline.reports import season as report
from leadline.reports.marks import MARKS, marks_in
from leadline.reports.reading import Reading

POUND = 0.45359237  # kg; NIST SP 811 (2008), appendix B: exact. Published.


class Drawing:
    """Positions of a chart in kilograms and columns."""

    def __init__(self, page, units):
        self.page = page
        levels = [self._points(e)[0][1] for e in page.all(data_part="level")]
        labels = [float(e.text().replace("−", "-")) for e in page.all(data_part="mass")]
        assert len(levels) == len(labels) >= 2
        self.slope, self.offset = np.polyfit(levels, labels, 1)
        assert np.allclose(np.polyval([self.slope, self.offset], levels), labels, atol=1e-2)
        self.unit = POUND if units == "imperial" else 1.0

    @staticmethod
    def _points(group):
        path = group.one("path").attributes["d"]
        return [tuple(map(float, xy)) for xy in re.findall(r"[ML] ?(-?[\d.]+) (-?[\d.]+)", path)]

    def kg(self, pixel):
        return (self.slope * np.asarray(pixel) + self.offset) * self.unit

    def parts(self, name):
        """Corner points of every part of this name, x in pixels and y in kg."""
        found = [np.array(self._points(e)) for e in self.page.all(data_part=name)]
        return [np.column_stack([p[:, 0], self.kg(p[:, 1])]) for p in found]

    def marks(self, name):
        """Places of the marks of this kind."""
        uses = [u for e in self.page.all(data_part=name) for u in e.all("use")]
        place = np.array([[float(u.attributes["x"]), float(u.attributes["y"])] for u in uses]).reshape(-1, 2)
        return np.column_stack([place[:, 0], self.kg(place[:, 1])])


def panel_of(data):
    letters = {kit: chr(65 + i) for i, kit in enumerate(dict.fromkeys(data.dives.kit))}
    kit = tuple(letters[kit] for kit in data.dives.kit)
    values = np.concatenate([data.dives.need.ravel(), data.dives.lead, data.checks.need])
    return chart.Panel(("all",), data.dives, data.checks, kit, np.nanmin(values) - 2, np.nanmax(values) + 2)


@pytest.fixture
def drawn(parse):
    def make(data, variant=chart.VARIANTS[0]):
        panel = panel_of(data)
        if data.units == "imperial":
            panel = replace(panel, low=panel.low / POUND, high=panel.high / POUND)
        svg = chart.draw(panel, variant, reading=Reading(data.units), prefix="x", label="a chart")
        return Drawing(parse(svg), data.units)

    return make


@pytest.mark.parametrize("units", ["metric", "imperial"])
@pytest.mark.parametrize("variant", chart.VARIANTS, ids=lambda v: v.name)
def test_band_and_lead_equal_the_data(season, drawn, units, variant):
    data = season(34, units=units)
    drawing = drawn(data, variant)
    known = ~np.isnan(data.dives.need[:, 0])
    for name, low, high in (("outer", 0, 4), ("inner", 1, 3)):
        lower = np.concatenate([p[: len(p) // 2, 1] for p in drawing.parts(name)])
        upper = np.concatenate([p[len(p) // 2 :, 1][::-1] for p in drawing.parts(name)])
        np.testing.assert_allclose(lower, np.repeat(data.dives.need[known, low], 2), atol=0.02)
        np.testing.assert_allclose(upper, np.repeat(data.dives.need[known, high], 2), atol=0.02)
    median = np.concatenate([p[:, 1] for p in drawing.parts("median")])
    np.testing.assert_allclose(median, np.repeat(data.dives.need[known, 2], 2), atol=0.02)
    lead = np.concatenate([p[:, 1] for p in drawing.parts("lead")])
    carried = data.dives.lead[~np.isnan(data.dives.lead)]
    np.testing.assert_allclose(lead, np.repeat(carried, 2), atol=0.02)


def test_marks_stand_at_their_dive_and_lead(season, drawn):
    data = season(60, checks=0)
    drawing = drawn(data)
    d = data.dives
    columns = np.concatenate([(p[::2, 0] + p[1::2, 0]) / 2 for p in drawing.parts("lead")])
    place = np.full(len(d), np.nan)
    place[~np.isnan(d.lead)] = columns
    total = 0
    for kind, rows in marks_in(d, data.checks).items():
        if kind.startswith("check"):
            continue
        rows = rows & ~np.isnan(d.lead)
        y = d.lead - d.handed_off if kind.startswith("hand") else d.lead
        np.testing.assert_allclose(drawing.marks(kind), np.column_stack([place, y])[rows], atol=0.02)
        total += rows.sum()
    seen = (d.stop_result != "").astype(int) + ~np.isnan(d.handed_off)
    assert total == seen[~np.isnan(d.lead)].sum()
    # A hover that is not believed is no dot, and a rise stays what it is.
    crossed = (d.stop_result == "hovered") & (d.evidence == "doubted")
    assert crossed.any()
    assert marks_in(d, data.checks)["hovered-doubted"].tolist() == crossed.tolist()
    assert (marks_in(d, data.checks)["rose"] == (d.stop_result == "rose")).all()


def test_checks_stand_between_the_dives_of_their_day(season, drawn):
    data = season(34, checks=5)
    drawing = drawn(data)
    found = np.concatenate([drawing.marks("check"), drawing.marks("check-bound")])
    found = found[np.argsort(found[:, 0], kind="stable")]
    np.testing.assert_allclose(found[:, 1], data.checks.need[np.argsort(data.checks.date)], atol=0.02)
    columns = np.concatenate([(p[::2, 0] + p[1::2, 0]) / 2 for p in drawing.parts("lead")])
    dates = data.dives.date[~np.isnan(data.dives.lead)]
    for x, date in zip(found[:, 0], np.sort(data.checks.date), strict=True):
        assert (columns < x).sum() == (dates < date).sum()


def test_bounds_of_checks_point_to_where_need_lies(season, drawn):
    data = season(12, checks=3)
    bounds = np.array(["at least", "", "at most"], object)
    sd = np.where(bounds == "", 0.4, np.nan)
    drawing = drawn(replace(data, checks=replace(data.checks, need_bound=bounds, need_sd=sd)))
    stems = drawing.parts("bound")
    assert len(stems) == 2
    for (foot, tip), way, need in zip(stems, (1, -1), data.checks.need[[0, 2]], strict=True):
        assert foot[1] == pytest.approx(need, abs=0.02)
        assert (tip[1] - foot[1]) * way > 0.1
        assert tip[0] == pytest.approx(foot[0])


def test_band_breaks_where_the_kit_changes_or_need_is_unknown(season, drawn):
    data = season(10, checks=0)
    kit = np.array(["a"] * 4 + ["b"] * 3 + ["a"] * 3, object)
    need = np.tile(data.dives.need[0], (10, 1))
    need[8] = np.nan
    drawing = drawn(replace(data, dives=replace(data.dives, kit=kit, need=need)))
    assert [len(p) // 4 for p in drawing.parts("outer")] == [4, 3, 1, 1]
    edges = [(p[:, 0].min(), p[:, 0].max()) for p in drawing.parts("outer")]
    assert all(left_end < right_start for (_, left_end), (right_start, _) in itertools.pairwise(edges))


@pytest.mark.parametrize("variant", chart.VARIANTS, ids=lambda v: v.name)
def test_words_stand_where_they_belong(season, parse, variant):
    """A label beside its line, dates and years below the box, letters and unit above it."""
    data = season(34)
    page = parse(chart.draw(panel_of(data), variant, reading=Reading("metric"), prefix="x", label="a chart"))

    def baseline(element):
        return float(element.attributes["y"])

    lines = [Drawing._points(e)[0][1] for e in page.all(data_part="level")]
    labels = [baseline(e.one("text")) for e in page.all(data_part="mass")]
    assert all(0 < label - line < 11 for line, label in zip(lines, labels, strict=True))
    dates = [baseline(e.one("text")) for e in page.all(data_part="date")]
    years = [baseline(t) for t in page.all("text") if re.fullmatch(r"20\d\d", t.text())]
    above = [baseline(t) for t in page.all("text") if re.fullmatch(r"[A-Z]{1,2}|kg of lead", t.text())]
    assert max(above) < min(labels)
    assert max(labels) < min(dates) < min(years) <= variant.height


@pytest.mark.parametrize("variant", chart.VARIANTS, ids=lambda v: v.name)
@pytest.mark.parametrize("count", [0, 1, 2, 7, 200])
def test_everything_lies_inside_the_drawing_and_dates_do_not_collide(season, parse, count, variant):
    data = season(count, checks=2)
    page = parse(chart.draw(panel_of(data), variant, reading=Reading("metric"), prefix="x", label="a chart"))
    box = [float(v) for v in page.one("svg").attributes["viewbox"].split()]
    assert box == [0, 0, variant.width, variant.height]
    for use in page.all("use"):
        assert 0 <= float(use.attributes["x"]) <= variant.width
        assert 0 <= float(use.attributes["y"]) <= variant.height
    dates = [float(g.one("text").attributes["x"]) for g in page.all(data_part="date")]
    years = [t for t in page.all("text") if re.fullmatch(r"20\d\d", t.text())]
    assert len(years) == len(np.unique(data.dives.date.astype("datetime64[Y]")))
    assert np.all(np.diff(sorted(dates)) >= 40)  # px; "30 Sep" at 11 px is about 36 wide
    assert len(dates) >= min(count, 1)


def test_a_small_drawing_holds_no_text_of_the_user(season):
    data = season(5)
    data = replace(data, dives=replace(data.dives, kit=np.array(["<b>$\\frac$"] * 5, object)))
    panel = replace(panel_of(data), letters=("A",) * 5)
    svg = chart.draw(panel, chart.VARIANTS[1], reading=Reading("metric"), prefix="x", label="a chart")
    assert "frac" not in svg
    assert "xmlns" not in svg
    assert not re.search(r"#0000[0-9a-f]{2}", svg)
    assert "var(--outer)" in svg


def test_marks_differ_by_shape_and_not_by_colour_alone():
    looks = [(mark.shape, mark.filled) for mark in MARKS.values()]
    assert len(set(looks)) == len(looks)


@pytest.mark.parametrize("variant", chart.VARIANTS, ids=lambda v: v.name)
@pytest.mark.parametrize("stretches", [[5, 4], [1, 1, 2, 1] * 5, [1, 2, 1, 7, 1, 30] * 8, [40, 1, 40]])
def test_every_stretch_of_kit_tells_its_letter(season, parse, stretches, variant):
    """Read off the drawing: by the letter above a stretch, or by the row in which the stretch has its bar."""
    letters = tuple("ABCD"[i % 4] for i in range(len(stretches)))
    kit = [letter for letter, count in zip(letters, stretches, strict=True) for _ in range(count)]
    panel = replace(panel_of(season(len(kit), checks=1)), letters=tuple(kit))
    page = parse(chart.draw(panel, variant, reading=Reading("metric"), prefix="x", label="a chart"))
    words = [group.one("text") for group in page.all(data_part="kit")]
    bars = [Drawing._points(group) for group in page.all(data_part="stretch")]
    if bars:
        rows = {float(word.attributes["y"]) - 4: word.text() for word in words}
        assert len(rows) == len(set(letters))
        told = [rows[min(rows, key=lambda y: abs(y - bar[0][1]))] for bar in bars]
        assert all(min(abs(y - bar[0][1]) for y in rows) < 1 for bar in bars)
        assert all(right[0] - left[0] >= 1.4 for left, right in bars)
    else:
        told = [word.text() for word in words]
        assert np.all(np.diff([float(word.attributes["x"]) for word in words]) >= 11)
    assert tuple(told) == letters
    heights = [float(e.attributes["y"]) for e in page.all("text")]
    assert min(heights) > 8  # nothing is cut off above


# Each dive has a column of its own: without a mark two seasons years apart would look like one.
def test_a_year_without_a_dive_leaves_a_mark_between_the_dives(season, drawn):
    data = season(20, checks=0)
    dates = np.datetime64("2023-05-01T10:00:00", "s") + np.arange(20) * np.timedelta64(7, "D")
    dates[12:] += np.timedelta64(400, "D")
    same = np.array(["steel"] * 20, object)
    paused = replace(data, dives=replace(data.dives, date=dates, kit=same))
    drawing = drawn(paused)
    (line,) = drawing.parts("pause")
    assert line[0, 0] == line[1, 0]
    for name in ("lead", "outer"):
        parts = [part[:, 0] for part in drawing.parts(name)]
        assert all(at.max() < line[0, 0] or at.min() > line[0, 0] for at in parts)
        assert {bool(at.max() < line[0, 0]) for at in parts} == {True, False}
    whole = replace(data, dives=replace(data.dives, date=dates - (dates - dates[0]) // 2, kit=same))
    assert drawn(whole).parts("pause") == []
    assert "without a dive" in report.render(paused)
    assert "without a dive" not in report.render(whole)
