"""Can a book's bands be trusted: every dive predicted from what was known before it, scored beside rivals."""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Records
from leadline.decide.assessment import Assessment
from leadline.decide.clock import clock
from leadline.decide.forecast import Forecasts, require
from leadline.decide.outcome import WORDS, chances, reading_forecasts, readings
from leadline.decide.replay import Cut, Replay, replay
from leadline.decide.rivals import RIVALS, Carried, carried, rival_forecasts
from leadline.decide.scores import (
    Bin,
    Link,
    Parts,
    Share,
    brier,
    brier_parts,
    clustered_correlation,
    clustered_share,
    log_score,
    reliability,
)
from leadline.decide.verdict import LEVELS, Verdict, judged
from leadline.frozen import dataclass
from leadline.model.population import prior_fit
from leadline.timeline import CHECK, DIVE

__all__ = ["GROUPS", "Backtest", "Score", "Word", "backtest", "summary"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

NEEDED: Final = ("scoringrules", "statsmodels", "sklearn")
"""What the extra `backtest` brings."""

GROUPS: Final = {"0": (0, 0), "1-3": (1, 3), "4-10": (4, 10), ">10": (11, np.iinfo(np.int64).max)}
"""Earlier dives of the diver in the records."""

_KINDS: Final = ("stop", "hand_off", "litres", "waterline")


@dataclass(frozen=True)
class Score:
    """Scores of one predictor on one group of outcomes; NaN where it has none of that kind.

    Parameters
    ----------
    name : str
        The predictor or the group.
    results : int
        Stop results scored.
    log_score, brier : float
        Means; less is better. [nat, -]
    readings : int
        Readings of need scored.
    crps : float
        Mean of the forecast of the reading. [kg]
    rmse, bias : float
        Of reading less forecast. [kg]
    noise : float
        Root mean square of the readings' own noise: what of `rmse` no forecast can avoid. [kg]
    coverage : tuple of Share
        Readings inside the bands of `LEVELS`, the reading's own noise allowed for.
    bare_coverage : tuple of Share
        The same inside the bands of need as they stand, noise not allowed for.
    """

    name: str
    results: int
    log_score: float
    brier: float
    readings: int
    crps: float
    rmse: float
    bias: float
    noise: float
    coverage: tuple[Share, ...]
    bare_coverage: tuple[Share, ...]


@dataclass(frozen=True)
class Word:
    """One stop result: foretold and seen.

    Parameters
    ----------
    word : str
        rose, hovered or sank.
    foretold : float
        Sum of the chances. [-]
    seen : int
        How often it came.
    excess : float
        Seen less foretold, in its own sd (divers alike); NaN for fewer than two divers. [-]
    bins : tuple of Bin
        Reliability.
    """

    word: str
    foretold: float
    seen: int
    excess: float
    bins: tuple[Bin, ...]


@dataclass(frozen=True)
class Backtest:
    """What a replay found.

    Parameters
    ----------
    verdict : Verdict
        Can the bands be trusted?
    overall : Score
        All outcomes.
    groups, kinds : tuple of Score
        By earlier dives of the diver, and by kind of outcome.
    rivals : tuple of Score
        The model and its rivals on the outcomes that all of them foretold.
    words : tuple of Word
        Stop results.
    parts : Parts
        Of the Brier score.
    hint : Link
        The lead of the dive before over the need foretold, against what the reading then was over it.
    cuts : tuple of Cut
        When the population was fitted.
    divers : int
        Divers with an outcome.
    undated : int
        Outcomes left out for want of a date.
    """

    verdict: Verdict
    overall: Score
    groups: tuple[Score, ...]
    kinds: tuple[Score, ...]
    rivals: tuple[Score, ...]
    words: tuple[Word, ...]
    parts: Parts
    hint: Link
    cuts: tuple[Cut, ...]
    divers: int
    undated: int


def backtest(
    records: Records,
    *,
    cuts: int = 6,
    since: np.datetime64 | None = None,
    notify: Callable[[str], None] | None = None,
) -> Backtest:
    """Replay a book and score what would have been answered.

    Parameters
    ----------
    records : Records
        Of the book.
    cuts : int
        How often the population is fitted anew. Valid from 1.
    since : datetime64, optional
        Score only from that day on.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Backtest
        The same for the same records: nothing in it is random.

    Raises
    ------
    LeadlineError
        If a library is missing, or the book holds too little to score.
    """
    require(NEEDED)
    played = replay(records, cuts=cuts, since=since, notify=notify)
    if notify:
        notify("asking the rivals")
    return summary(played, _rivals(records, played))


def _rivals(records: Records, played: Replay) -> dict[str, Forecasts]:
    """What the rivals say of the same outcomes."""
    line = Assessment.of(records, prior_fit()).line
    time = clock(records)
    dives, checks = line.at(DIVE), line.at(CHECK)
    lead = np.full(len(line.table), np.nan)
    lead[dives] = records.dives["lead_kg"]
    moment = np.zeros(len(line.table), np.int64)
    moment[dives], moment[checks] = time.dive, time.check_asked
    every = carried(line.occasions, records.gear, moment=moment, lead=lead)
    history = every.take(dives[~np.isnan(lead[dives]) & (time.dive < np.iinfo(np.int64).max)])
    what = played.outcomes
    rows = np.where(what.table == DIVE, what.row, len(dives) + what.row)
    asked = every.take(rows)
    asked = Carried(asked.diver, played.moment, np.full(len(asked), np.nan), asked.features)
    cut = np.array([c.moment for c in played.cuts])[played.part]
    return {name: rival_forecasts(name, history, asked, cut=cut) for name in RIVALS}


def summary(played: Replay, rivals: dict[str, Forecasts] | None = None) -> Backtest:
    """Scores of a replay.

    Parameters
    ----------
    played : Replay
        Predictions and outcomes.
    rivals : dict of str to Forecasts, optional
        Further forecasts of the same outcomes.

    Returns
    -------
    Backtest
        With the verdict.
    """
    scorer = _Scorer(played)
    own, kind = scorer.marks(played.need), played.outcomes.kind
    overall = scorer.score("all", own, np.ones(len(kind), bool))
    groups = tuple(
        scorer.score(name, own, (played.earlier >= low) & (played.earlier <= high))
        for name, (low, high) in GROUPS.items()
    )
    sought = scorer.score("sought", own, np.isin(kind, ("hand_off", "waterline")))
    others = {"prior": played.prior, **(rivals or {})}
    common = np.all([np.isfinite(f.mean) for f in others.values()], axis=0)
    beside = {"model": own} | {name: scorer.marks(f) for name, f in others.items()}
    words, parts = scorer.words()
    return Backtest(
        judged(overall, sought, words),
        overall,
        groups,
        tuple(scorer.score(each, own, kind == each) for each in _KINDS),
        tuple(scorer.score(name, marks, common) for name, marks in beside.items()),
        words,
        parts,
        scorer.hint(),
        played.cuts,
        len(np.unique(played.outcomes.diver)),
        played.undated,
    )


@dataclass(frozen=True)
class _Marks:
    """Scores of one predictor, an outcome each; `place` is the forecast's chance of less than was read."""

    surprise: FloatArray
    roughness: FloatArray
    crps: FloatArray
    place: FloatArray
    bare: FloatArray
    error: FloatArray


def _mean(values: FloatArray) -> float:
    return float(values.mean()) if len(values) else np.nan


class _Scorer:
    """Scores of any forecasts of one replay's outcomes."""

    def __init__(self, played: Replay) -> None:
        self.played, self.what = played, played.outcomes
        self.value, self.noise = readings(self.what, played.breath)
        self.came = np.eye(len(WORDS))[self.what.word]

    def marks(self, need: Forecasts) -> _Marks:
        """Scores of each outcome by itself; NaN where it has none or nothing was foretold."""
        n = len(self.what)
        surprise, roughness, crps, place, bare = (np.full(n, np.nan) for _ in range(5))
        told = np.isfinite(need.mean)
        rows = np.flatnonzero(self.what.is_result & told)
        if len(rows):
            chance = self.chances(need, rows)
            surprise[rows] = log_score(chance[np.arange(len(rows)), self.what.word[rows]])
            roughness[rows] = brier(chance, self.came[rows])
        rows = np.flatnonzero(self.what.is_reading & told)
        if len(rows):
            bands, value = need.take(rows), self.value[rows]
            shown = reading_forecasts(bands, self.noise[rows], self.played.breath.take(rows))
            crps[rows], place[rows], bare[rows] = shown.crps(value), shown.below(value), bands.below(value)
        return _Marks(surprise, roughness, crps, place, bare, self.value - need.mean)

    def score(self, name: str, marks: _Marks, where: BoolArray) -> Score:
        """One line of a table."""
        result = np.flatnonzero(where & ~np.isnan(marks.surprise))
        read = np.flatnonzero(where & ~np.isnan(marks.crps))
        return Score(
            name,
            len(result),
            _mean(marks.surprise[result]),
            _mean(marks.roughness[result]),
            len(read),
            _mean(marks.crps[read]),
            float(np.sqrt(_mean(marks.error[read] ** 2))),
            _mean(marks.error[read]),
            float(np.sqrt(_mean(self.noise[read] ** 2))),
            self.coverage(marks.place, read),
            self.coverage(marks.bare, read),
        )

    def chances(self, need: Forecasts, rows: IntArray) -> FloatArray:
        """Chances of the words."""
        return chances(self.what.take(rows), need.take(rows), self.played.breath.take(rows))

    def coverage(self, place: FloatArray, rows: IntArray) -> tuple[Share, ...]:
        """Share of readings inside each band, from their place in the forecast."""
        return tuple(
            clustered_share(np.abs(place[rows] - 0.5) <= level / 2, self.what.diver[rows]) for level in LEVELS
        )

    def words(self) -> tuple[tuple[Word, ...], Parts]:
        """Stop results, foretold and seen."""
        rows = np.flatnonzero(self.what.is_result)
        if not len(rows):
            nothing = tuple(Word(word, 0.0, 0, np.nan, ()) for word in WORDS)
            return nothing, Parts(np.nan, np.nan, np.nan)
        chance, came, diver = self.chances(self.played.need, rows), self.came[rows], self.what.diver[rows]
        found = []
        for zone, word in enumerate(WORDS):
            left = np.bincount(diver, came[:, zone] - chance[:, zone])
            several = len(np.unique(diver)) > 1 and float(left @ left) > 0
            found.append(
                Word(
                    word,
                    float(chance[:, zone].sum()),
                    int(came[:, zone].sum()),
                    float(left.sum() / np.sqrt(left @ left)) if several else np.nan,
                    reliability(chance[:, zone], came[:, zone] == 1, diver),
                )
            )
        return tuple(found), brier_parts(chance, came)

    def hint(self) -> Link:
        """Whether the lead carried before knows something that the model is not told."""
        carried_before = self.played.carried
        rows = np.flatnonzero(self.what.is_reading & ~np.isnan(carried_before))
        middle = self.played.need.take(rows).mean
        return clustered_correlation(
            carried_before[rows] - middle, self.value[rows] - middle, self.what.diver[rows]
        )
