"""A book replayed: what would have been answered before each dive, from what was known then and no more."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records, empty
from leadline.decide.ahead import foresee
from leadline.decide.assessment import Assessment
from leadline.decide.clock import NEVER, Clock, clock, cut_moments, date_of, moment_of
from leadline.decide.forecast import Forecasts
from leadline.decide.learning import learn
from leadline.decide.outcome import Outcomes, Range, outcomes, state_of
from leadline.errors import FitError, LeadlineError
from leadline.frozen import dataclass
from leadline.model.marginal import Marginal
from leadline.model.population import Fit, prior_fit
from leadline.physics.ledger import prior_sd
from leadline.records import DIVES
from leadline.timeline import CHECK, DIVE, PLAN, resolve_checks

__all__ = ["FEWEST_DIVES", "Cut", "Replay", "replay"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

FEWEST_DIVES: Final = 20
"""Dives with a date from which a replay is worth its time."""

_UNSEEN: Final = {c.name for c in DIVES.columns if c.result} | {
    "lead_kg",
    "lead_places",
    "lead_ditchable_kg",
}
_FROM_CHECK: Final = {"start_bar": "bar", "end_bar": "bar"}


@dataclass(frozen=True)
class Cut:
    """A day on which the population was fitted anew.

    Parameters
    ----------
    moment : int
        On the clock.
    date : str
        The day, ISO 8601; empty for the beginning, where nothing was known.
    dives : int
        Dives known then.
    fitted : bool
        False where the fit did not converge, so that the one before served on.
    """

    moment: int
    date: str
    dives: int
    fitted: bool = True


@dataclass(frozen=True)
class Replay:
    """*n* outcomes with what was foretold of them.

    Parameters
    ----------
    outcomes : Outcomes
        What was seen.
    need : Forecasts
        Need before the dive, in the state of the outcome, scatter included.
    prior : Forecasts
        The same from physics alone.
    breath : Range
        Of the fit of the day.
    earlier : ndarray of int, shape (n,)
        Dives of that diver in the records before.
    moment, part : ndarray of int, shape (n,)
        When it was asked, and after which of the cuts.
    carried : ndarray, shape (n,)
        Lead of the diver's dive before, carried to this state by the ledger; NaN where there is none. [kg]
    cuts : tuple of Cut
        In order.
    undated : int
        Outcomes without a date, left out.
    """

    outcomes: Outcomes
    need: Forecasts
    prior: Forecasts
    breath: Range
    earlier: IntArray
    moment: IntArray
    part: IntArray
    carried: FloatArray
    cuts: tuple[Cut, ...]
    undated: int


def replay(
    records: Records,
    *,
    cuts: int = 6,
    since: np.datetime64 | None = None,
    notify: Callable[[str], None] | None = None,
) -> Replay:
    """Predict every outcome of a book from what was known before it.

    Parameters
    ----------
    records : Records
        Of the book.
    cuts : int
        How often the population is fitted anew; between, each diver's own records are taken in at once.
    since : datetime64, optional
        Only outcomes from that day on; all earlier records are known.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Replay
        In order of the moments.

    Raises
    ------
    LeadlineError
        If there are too few dives with a date, or no outcome that could be scored.
    """
    time = clock(records)
    first = -NEVER if since is None else moment_of(since)
    _require(time.dive, first)
    what = outcomes(Assessment.of(records, prior_fit()))
    moment = np.full(len(what), NEVER)
    for table, moments in ((DIVE, time.dive), (CHECK, time.check_asked)):
        here = what.table == table
        moment[here] = moments[what.row[here]]
    undated = int((moment == NEVER).sum())
    used = np.flatnonzero((moment >= first) & (moment < NEVER))
    if not len(used):
        raise LeadlineError(
            "no record says where need lay, so there is nothing to hold the bands against; note "
            "`stop_result` and an empty BC at a stop, a hand-off, or the `waterline` of a surface check"
        )
    used = used[np.argsort(moment[used], kind="stable")]
    return _Player(records, time, what.take(used), moment[used], notify).play(
        cut_moments(time.dive, first, cuts), undated
    )


def _require(dive: IntArray, first: int) -> None:
    dated = int(((dive < NEVER) & (dive >= first)).sum())
    if dated < FEWEST_DIVES:
        when = "" if first == -NEVER else " from that day on"
        raise LeadlineError(
            f"the book has {dated} {'dive' if dated == 1 else 'dives'} with a date{when}; a backtest needs "
            f"at least {FEWEST_DIVES}: bring more in with `leadline load`, or log them"
        )


class _Player:
    """The records, laid open moment by moment."""

    def __init__(
        self,
        records: Records,
        time: Clock,
        what: Outcomes,
        moment: IntArray,
        notify: Callable[[str], None] | None,
    ) -> None:
        self.records, self.time, self.what, self.moment = records, time, what, moment
        self.notify = notify or (lambda text: None)
        self.checks = resolve_checks(records)
        cells = np.concatenate([records.dives["suit"], self.checks["suit"]]).astype(str)
        names, place = np.unique(cells, return_inverse=True)
        self.dive_suit, self.check_suit = np.split(place, [len(records.dives["suit"])])
        items = [{part.strip() for part in name.split(";")} - {""} for name in names.tolist()]
        self.alike = np.array([[bool(a & b) for b in items] for a in items], bool).reshape(len(items), -1)

    def play(self, moments: IntArray, undated: int) -> Replay:
        """All predictions, part by part."""
        cuts = [Cut(-NEVER, "", 0), *(self._cut(int(m)) for m in moments)]
        part = np.searchsorted([cut.moment for cut in cuts], self.moment, side="right") - 1
        fit, found = prior_fit(), _Found(len(self.what))
        for i, cut in enumerate(cuts):
            if i:
                fit, cuts[i] = self._learned(cut, fit)
            for moment in np.unique(self.moment[part == i]):
                rows = np.flatnonzero(self.moment == moment)
                self._foretell(rows, int(moment), cut.moment, fit, found)
                self.notify(f"{rows[-1] + 1} of {len(self.what)} outcomes foretold")
        return Replay(
            self.what,
            found.need(),
            Forecasts.normal(found.prior_mean, found.prior_sd),
            Range(found.breath_out, found.breath_in, found.wrong),
            found.earlier,
            self.moment,
            part,
            found.carried,
            tuple(cuts),
            undated,
        )

    def _cut(self, moment: int) -> Cut:
        return Cut(moment, date_of(moment), int((self.time.dive < moment).sum()))

    def _known(self, moment: int) -> tuple[BoolArray, BoolArray]:
        return self.time.dive < moment, self.time.check_known < moment

    def _records(self, dives: BoolArray, checks: BoolArray) -> Records:
        r = self.records
        return Records(r.divers, r.gear, _take(r.dives, dives), _take(r.checks, checks))

    def _learned(self, cut: Cut, before: Fit) -> tuple[Fit, Cut]:
        """The population from all that was known at a cut; the fit before where this one fails."""
        self.notify(f"learning from the {cut.dives} dives before {cut.date}")
        try:
            return learn(self._records(*self._known(cut.moment)), twice=False).fit, cut
        except FitError:
            return before, Cut(cut.moment, cut.date, cut.dives, fitted=False)

    def _near(self, rows: IntArray, moment: int) -> tuple[BoolArray, BoolArray]:
        """Known dives and checks that bear on the divers asked about: their own, and wear of their suits."""
        dives, checks = self._known(moment)
        names = self.records.divers["diver"][np.unique(self.what.diver[rows])].tolist()
        own, own_checks = (np.isin(t["diver"], names) for t in (self.records.dives, self.checks))
        asked = self.what.table[rows] == DIVE
        worn = np.concatenate(
            [
                self.dive_suit[self.what.row[rows[asked]]],
                self.check_suit[self.what.row[rows[~asked]]],
                self.dive_suit[own & dives],
                self.check_suit[own_checks & checks],
            ]
        )
        wear = self.alike[np.unique(worn)].any(axis=0)
        return dives & (own | wear[self.dive_suit]), checks & own_checks

    def _plan(self, table: IntArray, row: IntArray) -> Columns:
        """Dives and checks as plans: kit, water and pressures, without lead and without what was seen."""
        dive, template = table == DIVE, empty("dives")
        plan: dict[str, NDArray[Any]] = {}
        for name in DIVES.by_name:
            blank = template[name]
            cells = np.full(len(row), "" if blank.dtype == object else np.nan, blank.dtype)
            source = _FROM_CHECK.get(name, name)
            if name not in _UNSEEN:
                cells[dive] = self.records.dives[name][row[dive]]
                if source in self.checks:
                    cells[~dive] = self.checks[source][row[~dive]]
            plan[name] = cells
        return plan

    def _foretell(self, rows: IntArray, moment: int, cut: int, fit: Fit, found: _Found) -> None:
        """Predict all outcomes of one moment."""
        dives, checks = self._near(rows, moment)
        own = self.what.take(rows)
        pairs, place = np.unique(np.stack([own.table, own.row]), axis=1, return_inverse=True)
        assessment = Assessment.of(
            self._records(dives, checks),
            fit,
            plan=self._plan(*pairs),
            dives_in_fit=self.time.dive[dives] < cut,
            checks_in_fit=self.time.check_known[checks] < cut,
        )
        at = assessment.line.at(PLAN)[place.reshape(-1)]
        state = state_of(assessment, at, own)
        ledger, shared = assessment.prior(at, state)
        found.breath_out[rows], found.breath_in[rows] = fit.theta.breath_out, fit.theta.breath_in
        found.wrong[rows] = fit.theta.wrong
        found.prior_mean[rows] = ledger.need
        found.prior_sd[rows] = np.hypot(prior_sd(shared), prior_fit().theta.scatter)
        found.earlier[rows] = assessment.line.occasions.dives_logged[at]
        found.carried[rows] = ledger.need + _excess(assessment, own.diver)
        foresee(assessment, at, state)
        for diver in np.unique(own.diver):
            mine = np.flatnonzero(own.diver == diver)
            answers = assessment.marginals(at[mine], state.take(mine))
            for row, answer in zip(rows[mine], answers, strict=True):
                found.answers[row] = answer


def _take(columns: Columns, rows: BoolArray) -> Columns:
    return {name: values[rows] for name, values in columns.items()}


def _excess(assessment: Assessment, divers: IntArray) -> FloatArray:
    """Lead over the prior need on the latest known dive of each diver; NaN where there is none. [kg]."""
    line = assessment.line
    rows = line.at(DIVE)
    lead = line.records.dives["lead_kg"]
    rows = rows[~np.isnan(lead)]
    rows = rows[np.argsort(line.occasions.date[rows], kind="stable")]
    latest = dict(zip(line.occasions.diver[rows].tolist(), rows.tolist(), strict=True))
    excess = {}
    for diver in np.unique(divers).tolist():
        row = latest.get(diver)
        if row is not None:
            excess[diver] = lead[line.row[row]] - assessment.noted_need(np.array([row]))[0]
    return np.array([excess.get(diver, np.nan) for diver in divers.tolist()])


class _Found:
    """Predictions as they come in."""

    def __init__(self, count: int) -> None:
        self.answers: list[Marginal | None] = [None] * count
        self.earlier = np.zeros(count, np.int64)
        self.prior_mean, self.prior_sd, self.carried = (np.full(count, np.nan) for _ in range(3))
        self.breath_out, self.breath_in, self.wrong = (np.full(count, np.nan) for _ in range(3))

    def need(self) -> Forecasts:
        """The answers as mixtures: a part for each value of the expected need, scatter around it."""
        answers = [answer for answer in self.answers if answer is not None]
        width = max(len(answer.points) for answer in answers)
        points, weights = np.zeros((len(answers), width)), np.zeros((len(answers), width))
        for i, answer in enumerate(answers):
            points[i, : len(answer.points)] = answer.points
            weights[i, : len(answer.points)] = answer.weights
        sd = np.array([answer.scatter for answer in answers])
        return Forecasts(points, weights, np.broadcast_to(sd[:, None], points.shape))
