"""Invented seasons to draw: nobody's dives, and no model's output."""

from datetime import datetime
from html.parser import HTMLParser

import numpy as np
import pytest

from leadline.decide.season_data import (
    Contribution,
    Ledger,
    Prior,
    SeasonChecks,
    SeasonData,
    SeasonDives,
    Suggestion,
)
from leadline.decide.season_parts import CardRow, SeasonChange, SeasonPart

WET, DRY = "Two-piece 7 mm, blue", "Membrane suit with thick undersuit"
QUANTILES = np.array([-1.96, -1.2816, 0.0, 1.2816, 1.96])


def words(values):
    return np.array(list(values), object)


def make_dives(n, *, seed=3):
    """A season that closes in on need: two suits, a change of cylinder, every kind of result."""
    rng = np.random.default_rng(seed)
    wet = np.arange(n) % 10 < 7
    truth = np.where(wet, 6.3, 9.4) + 0.05 * np.cumsum(rng.standard_normal(n))
    steel = np.arange(n) < 0.6 * n
    truth += np.where(steel, 0.0, 1.9)
    age = np.where(wet, np.cumsum(wet), np.cumsum(~wet))
    sd = 0.5 + 2.2 / np.sqrt(age)
    middle = truth + 1.2 * rng.choice([-1.0, 1.0]) / age + 0.06 * sd * rng.standard_normal(n)
    need = middle[:, None] + sd[:, None] * QUANTILES
    lead = np.round(2 * (truth + 0.5 + 2.6 * np.exp(-age / 8) + 0.35 * rng.standard_normal(n))) / 2
    margin = lead - middle
    state = words(rng.choice(["empty", "gas", "unknown", ""], n, p=[0.5, 0.3, 0.15, 0.05]))
    result = words(
        np.where(
            rng.random(n) < 0.12,
            "",
            np.where(margin < 0.1, "rose", np.where(margin > 2.2, "sank", "hovered")),
        )
    )
    gave = np.where((rng.random(n) < 0.15) & (margin > 0.5), 1.0, np.nan)
    if n > 4:
        gave[4], lead[3] = -0.5, np.nan
        result[1], state[1] = "rose", "empty"
        result[2], state[2] = "sank", "empty"
        need[3], margin[3] = np.nan, np.nan
    after = words(
        np.where(np.isnan(gave), "", rng.choice(["hovered", "rose", "sank", ""], n, p=[0.7, 0.1, 0.1, 0.1]))
    )
    day = np.cumsum(rng.integers(0, 5, n)) + np.where(np.arange(n) > n / 2, 140, 0)
    return SeasonDives(
        dive=words(f"V{i + 1:03d}" for i in range(n)),
        date=np.datetime64("2024-04-06T10:00:00", "s") + day.astype("timedelta64[D]"),
        site=words(rng.choice(["Quarry steps", "North mole", "Wreck of the Marigold", ""], n)),
        suit=words(np.where(wet, WET, DRY)),
        kit=words(np.where(steel, "steel 12 L, salt water", "aluminium 11 L, salt water")),
        lead=lead,
        stop_result=result,
        bc_state=state,
        bc_gas=np.where(state == "gas", np.round(rng.uniform(0.5, 3, n), 1), np.nan),
        suit_gas=words(np.where(wet, "", rng.choice(["least", "more", "unknown"], n))),
        handed_off=gave,
        handed_off_result=after,
        handed_off_bc=words(np.where(np.isnan(gave), "", rng.choice(["empty", "gas"], n, p=[0.8, 0.2]))),
        descent=words(rng.choice(["easy", "effort", "no", ""], n, p=[0.6, 0.1, 0.02, 0.28])),
        end_pressure=np.where(rng.random(n) < 0.1, np.nan, rng.integers(30, 90, n).astype(float)),
        evidence=words(
            rng.choice(["none", "upper_only", "lower_only", "two_sided", "measured", "doubted"], n)
        ),
        need=need,
        margin=margin,
        p_too_light=np.clip(0.5 - margin / 4, 0.001, 0.999),
        p_too_heavy=np.clip(margin / 5, 0.001, 0.999),
    )


def make_checks(m):
    days = np.arange(m) * 25
    return SeasonChecks(
        check=words(f"S{i + 1}" for i in range(m)),
        date=np.datetime64("2024-04-09T08:30:00", "s") + days.astype("timedelta64[D]"),
        suit=words(np.where(np.arange(m) % 3 < 2, WET, DRY)),
        lead=np.where(np.arange(m) % 3 < 2, 7.0, 10.5) + 0.5 * (np.arange(m) % 2),
        waterline=words(("eye", "chin", "crown", "under")[i % 4] for i in range(m)),
        breath=words(("normal", "full", "out")[i % 3] for i in range(m)),
        exhale_sinks=words(("yes", "no", "")[i % 3] for i in range(m)),
        need=np.where(np.arange(m) % 3 < 2, 6.4, 9.7) + 0.25 * np.arange(m) / max(m, 1),
        need_sd=np.where(np.arange(m) % 4 == 3, np.nan, 0.7),
        need_bound=np.where(np.arange(m) % 4 == 3, "at most", "").astype(object),
        apart=np.arange(m) % 5 == 2,
    )


def make_suggestion(**changes):
    settings = {
        "lead_kg": 7.5,
        "bring_kg": 7.5,
        "check_first": False,
        "p_too_light": 0.041,
        "p_too_heavy": 0.127,
        "need_at_bar": 35.0,
        "need": np.array([4.9, 5.42, 6.38, 7.3, 7.84]),
        "need_mean_kg": 6.37,
        "need_sd_kg": 0.74,
        "low_bar": 20.0,
        "low_need": np.array([5.12, 5.64, 6.6, 7.52, 8.06]),
        "evidence": "two_sided",
        "next_step": "At the end of the next stop, hand 0.5 kg to your buddy; note whether you hover.",
        "cautions": (
            "All 7.5 kg sit on one belt: if it drops, the ascent cannot be stopped. Spread it.",
            "The suit has been worn for 190 dives; foam that old lifts less, and unevenly so.",
        ),
        "kit": (WET, "hood 5 mm", "steel 12 L", "BC, jacket"),
        "water": "salt, 14 °C",
    }
    return Suggestion(**{**settings, **changes})


def make_ledger():
    item = (
        "Body",
        "Lungs at mid-breath",
        "Two-piece 7 mm, blue",
        "Hood",
        "Steel 12 L",
        "Air in it",
        "Regulator, fins, small kit",
        "BC, jacket",
    )
    net = np.array([-2.05, 3.05, 6.9, 0.55, 0.13, -0.52, -2.7, 0.21])
    start = net + np.array([0, 0, 0, 0, 0, -2.3, 0, 0])
    surface = net + np.array([-1.75, 0.2, 2.6, 0.15, 0, 0, 0, 0])
    volume = np.array([76.0, 2.97, 9.1, 0.9, 13.78, 0.0, 3.4, 3.4])
    total = np.array([net.sum(), start.sum(), surface.sum()])
    return Ledger(
        item=item,
        state=("stop", "start", "surface"),
        depth=np.array([5.0, 5.0, 0.0]),
        pressure=np.array([35.0, 220.0, 35.0]),
        mass=np.array([80.0, 0.0, 2.4, 0.35, 14.0, 0.52, 6.18, 3.3])[:, None] + np.zeros(3),
        volume=volume[:, None] + np.zeros(3),
        net_buoyancy=np.stack([net, start, surface], axis=1),
        sd=np.array([0.95, 0.6, 1.1, 0.15, 0.4, 0.02, 0.5, 0.2])[:, None] * np.array([1.0, 1.1, 1.3]),
        total=total,
        lead=total / 0.9096,
    )


def make_card():
    need = np.array([4.9, 5.42, 6.38, 7.3, 7.84])
    return tuple(
        CardRow(changed, label, lead, lead + 1.0, check, 0.04, 0.1, need + shift, 2.5 if check else np.nan)
        for changed, label, lead, check, shift in (
            ("", WET, 7.5, False, 0.0),
            ("suit", DRY, 10.0, True, 2.9),
            ("water", "fresh water", 5.0, False, -2.4),
            ("cylinder", "aluminium 11 L", 9.5, False, 1.8),
        )
    )


def make_change():
    need = np.array([4.9, 5.42, 6.38, 7.3, 7.84])
    year = np.datetime64("2024-04-06T10:00", "s"), np.datetime64("2024-10-02T10:00", "s")
    then = SeasonPart(*year, 17, 3, 2, 1, 2.1, 82.0, 2 * need - 6.38)
    now = SeasonPart(year[0] + 31_536_000, year[1] + 31_536_000, 17, 9, 0, 3, 0.9, np.nan, need)
    return SeasonChange(then, now, 186, (DRY, "wing"))


def make_season(n=34, *, checks=3, **changes):
    dives = make_dives(n)
    settings = {
        "diver": "Maren Oste",
        "units": "metric",
        "generated": datetime(2025, 6, 14, 18, 20),
        "book": "harbour-club.duckdb",
        "data_version": "118",
        "fitted": datetime(2025, 6, 13, 21, 5),
        "latest": np.datetime64("2025-06-01", "s"),
        "since": np.datetime64("NaT", "D"),
        "dives_used": max(n - 2, 0),
        "checks_used": checks,
        "dives": dives,
        "checks": make_checks(checks),
        "suggestion": make_suggestion(),
        "prior": Prior(6.12, 1.62, 6.12 + 1.62 * QUANTILES),
        "learned": (
            Contribution("All divers: what the records say about the formulas", 0.31, 0.25),
            Contribution("This kind of suit, blue 7 mm", -0.62, 0.44),
            Contribution("You, whatever the suit", 0.74, 0.5),
            Contribution("You in this suit", -0.18, 0.35),
        ),
        "ledger": make_ledger(),
        "card": make_card(),
        "change": make_change(),
    }
    if changes.get("suggestion", "") is None:
        settings |= {"card": (), "change": None}
    return SeasonData(**{**settings, **changes})


VOID = {"meta", "br", "link", "img", "input"}


class Element:
    """A node of a parsed page: enough of a tree to ask what stands where."""

    def __init__(self, tag, attributes, parent=None):
        self.tag, self.attributes, self.parent = tag, dict(attributes), parent
        self.children = []

    def walk(self):
        yield self
        for child in self.children:
            if isinstance(child, Element):
                yield from child.walk()

    def all(self, tag=None, **attributes):
        wanted = {name.replace("_", "-").removeprefix("-"): value for name, value in attributes.items()}
        return [
            e
            for e in self.walk()
            if (tag is None or e.tag == tag)
            and all(
                value in e.attributes.get(name, "").split(" ") or e.attributes.get(name) == value
                for name, value in wanted.items()
            )
        ]

    def one(self, tag=None, **attributes):
        found = self.all(tag, **attributes)
        assert len(found) == 1, f"{len(found)} of {tag} {attributes}"
        return found[0]

    def text(self, without=()):
        parts = []
        for child in self.children:
            if not isinstance(child, Element):
                parts.append(child)
            elif child.tag not in without:
                parts.append(child.text(without))
        return "".join(parts)


class _Builder(HTMLParser):
    def __init__(self):
        super().__init__(convert_charrefs=True)
        self.root = self.here = Element("root", {})

    def handle_starttag(self, tag, attrs):
        element = Element(tag, attrs, self.here)
        self.here.children.append(element)
        if tag not in VOID:
            self.here = element

    def handle_startendtag(self, tag, attrs):
        self.here.children.append(Element(tag, attrs, self.here))

    def handle_endtag(self, tag):
        assert self.here.tag == tag, f"</{tag}> closes <{self.here.tag}>"
        self.here = self.here.parent

    def handle_data(self, data):
        self.here.children.append(data)


def parse_page(text):
    builder = _Builder()
    builder.feed(text)
    builder.close()
    assert builder.here is builder.root, f"<{builder.here.tag}> is left open"
    return builder.root


@pytest.fixture
def parse():
    """A function that turns a page into a tree, and fails where tags do not match."""
    return parse_page


@pytest.fixture
def season():
    """A function that makes an invented season: `season(n, checks=..., diver=...)`."""
    return make_season


@pytest.fixture
def suggestion():
    """A function that makes an invented suggestion with changes."""
    return make_suggestion
