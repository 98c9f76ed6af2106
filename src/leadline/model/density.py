"""Log density of one need given all rows of its diver, value by value, and where that has to be mended.

Taken one by one given the need, what the rows' exact likelihoods say beyond their sites is a product of
integrals in closed form. Records that contradict each other hang together even then: they are settled anew at
a few values, and what that changes is carried to all.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.distinct import distinct
from leadline.frozen import dataclass
from leadline.model.solo import Gaussian, Rows, Sites, settled

__all__ = ["SettledDiver", "corrected", "knots_of", "turned"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

KNOTS: Final = 13
"""Points at which the rows are settled anew; between them the correction is smooth. [-]"""

ROUGHLY: Final = 1e-2
FAR: Final = 6.0
"""Sds of the Gaussian from its mean beyond which rows taken one by one are not trusted. [-]"""

MATTERS: Final = 8.0
NOTHING: Final = 13.0
SLIGHT: Final = 0.1
"""Log density below the peak that matters, that is nothing under any hyperparameters where it is so under the
extreme ones, and a correction that does not matter. [-]"""

ALIKE_ENOUGH: Final = 0.5
"""Largest correction that is taken from one of the hyperparameters for all. [-] (measured on the demo's
divers: means then move by at most 0.01 sd, sds by 1 %)"""

UNLIKE: Final = 1.5
"""How many times as much as under another the rows may narrow the doubt under one of the hyperparameters, and
one's correction still be taken for all; more, and the rows were settled at different places. [-]"""

HARMLESS: Final = 0.01
"""Error of a density, in units of its highest, that another hyperparameters' corrections may make. [-]"""

UNCHANGED: Final = 0.002
SMOOTH: Final = 0.15
"""Change of a density, its highest 1, and correction up to which half of the points do. [-]"""

STEP: Final = 0.5
WEIGHTY: Final = 0.1
"""Step between the corrections of two neighbours, by itself and times the density there, the highest 1, from
which on a point between them is settled anew. [-]"""

NEARLY: Final = 0.05
FEW_SWEEPS: Final = 15
"""Tolerance that is sought, that is let pass, and sweeps there. [-]"""

LOG_SQRT_2PI: Final = 0.9189385332046727


def turned(loadings: FloatArray) -> FloatArray:
    """The same loadings on as few directions as there are rows, if that is fewer."""
    if loadings.shape[-1] <= loadings.shape[-2]:
        return loadings
    return np.swapaxes(np.linalg.qr(np.swapaxes(loadings, -1, -2), mode="r"), -1, -2)


@dataclass(frozen=True)
class SettledDiver:
    """Gaussian posterior of n rows and t directions under g hyperparameters, and what it was made of.

    The directions are the targets, and last the anchor: the row that most of the evidence is about.
    """

    rows: Rows
    before: FloatArray
    of_rows: FloatArray
    of_directions: FloatArray
    sites: Sites
    log_mass: FloatArray
    need: FloatArray
    variance: FloatArray
    start: FloatArray
    start_sd: FloatArray
    centre: FloatArray
    sd: FloatArray
    cross: FloatArray
    with_anchor: FloatArray
    apart: NDArray[np.bool_]

    def log_density(self, points: FloatArray, direction: int) -> FloatArray:
        """Log density of one direction at `points`, shape (u,), without the prior's own constant.

        Notes
        -----
        Given the direction, each row is a Gaussian; what its exact likelihood says beyond its site is one
        integral in closed form. This takes the rows one by one, which `corrected` does not.
        """
        sd = self.sd[:, direction]
        pull = self.cross[:, direction] / sd[:, None] ** 2
        away = points - self.centre[:, direction, None]
        mean = self.need[:, None] + away[..., None] * pull[:, None]
        variance = np.maximum(self.variance - pull * self.cross[:, direction], 1e-12)[:, None]
        t, shift = self.sites.precision, self.sites.shift
        left = np.maximum(1 - t * variance, 1e-9)
        constant = 0.5 * (t * mean**2 - 2 * shift * mean + variance * shift**2) / left - 0.5 * np.log(left)
        beyond = constant + self.rows.value((mean - variance * shift) / left, variance / left)
        normal = -0.5 * (away / sd[:, None]) ** 2 - np.log(sd[:, None]) - LOG_SQRT_2PI
        return np.asarray(beyond.sum(axis=-1) + normal + self.log_mass[:, None])

    def log_conditional(self, points: FloatArray, direction: int, which: IntArray) -> FloatArray:
        """The same by settling the rows anew given each point: right where records contradict each other.

        Under some of the hyperparameters, shape (w, u); NaN where they do not settle in a few sweeps.
        """
        length = self.start_sd[which, direction]
        unit = self.of_directions[which, direction] / length[:, None]
        along = (self.of_rows[which] @ unit[..., None])[..., 0]
        score = (points - self.start[which, direction, None]) / length[:, None]
        mean = self.before[which, None] + score[..., None] * along[:, None]
        apart = self.of_rows[which] - along[..., None] * unit[:, None]
        found = settled(
            self.rows.under(which),
            Gaussian(mean, turned(apart)[:, None]),
            tolerance=ROUGHLY,
            sweeps=FEW_SWEEPS,
            loose=False,
        )
        normal = -0.5 * score**2 - np.log(length[:, None]) - LOG_SQRT_2PI
        return np.where(found.left < NEARLY, found.log_evidence + normal, np.nan)

    def given(
        self, points: FloatArray, direction: int, target: int, which: IntArray
    ) -> tuple[FloatArray, FloatArray]:
        """Mean and sd of another direction with the rows settled anew given this one.

        Under some of the hyperparameters, shape (w, u) each; NaN where they do not settle.
        """
        length = self.start_sd[which, direction]
        unit = self.of_directions[which, direction] / length[:, None]
        both = np.concatenate([self.of_rows[which], self.of_directions[which, target, None]], axis=1)
        base = np.concatenate([self.before[which], self.start[which, target, None]], axis=1)
        along = (both @ unit[..., None])[..., 0]
        score = (points - self.start[which, direction, None]) / length[:, None]
        mean = base[:, None] + score[..., None] * along[:, None]
        apart = turned(both - along[..., None] * unit[:, None])
        rows, before = self.rows.under(which), Gaussian(mean[..., :-1], apart[:, None, :-1])
        last = apart[:, None, -1]
        centre, sd = np.full((2, *score.shape), np.nan)
        # Where sites wider than their cavities do not settle, narrower ones mostly do.
        for loose in (True, False):
            found = settled(rows, before, tolerance=ROUGHLY, sweeps=2 * FEW_SWEEPS, loose=loose)
            new = np.isnan(centre) & (found.left < NEARLY)
            variance = np.sum((found.covariance @ last[..., None])[..., 0] * last, axis=-1)
            centre[new] = (mean[..., -1] + np.sum(last * found.mean, axis=-1))[new]
            sd[new] = np.sqrt(np.maximum(variance, 1e-12))[new]
            if not np.isnan(centre).any():
                break
        return centre, sd


def _highest(logs: FloatArray) -> FloatArray:
    """The largest number of each row that is one; -inf where there is none; shape (g, 1)."""
    return np.asarray(np.fmax.reduce(logs, axis=1, keepdims=True, initial=-np.inf))


def knots_of(points: FloatArray, count: int = KNOTS) -> IntArray:
    """Places of a few points, spread evenly over all; shape (count,) or less."""
    return distinct(np.linspace(0, len(points) - 1, count).round().astype(int))


class _Knots:
    """Log densities of one direction at a few points: rows one by one, and settled anew where that was done.

    Made from what `corrected` is given.
    """

    def __init__(
        self, found: SettledDiver, direction: int, points: FloatArray, logs: FloatArray, count: int
    ) -> None:
        self.found, self.direction = found, direction
        self.points, self.logs = points, logs
        self.centre, self.sd = found.centre[:, direction, None], found.sd[:, direction, None]
        self.at = knots_of(points, count)
        self.few, self.plain = points[self.at], logs[:, self.at]
        self.exact = np.zeros(self.plain.shape)
        self.done = np.zeros(len(logs), bool)

    def settle(self, which: IntArray) -> None:
        """Settle the rows anew under some hyperparameters."""
        left = distinct(which[~self.done[which]])
        if len(left):
            self.exact[left] = self.found.log_conditional(self.few, self.direction, left)
            self.done[left] = True

    def alike(self) -> bool:
        """Whether the rows narrow the doubt alike under all hyperparameters."""
        narrowed = self.sd[:, 0] / self.found.start_sd[:, self.direction]
        return bool(np.max(narrowed) < UNLIKE * np.min(narrowed))

    def fill(self) -> None:
        """Settle the rows anew between two points too, as long as the corrections of these are far apart.

        Carried straight from one to the other, they would put a peak between them, or take one away.
        """
        which = np.flatnonzero(self.done)
        while True:
            exact, more = self.exact[which], self.exact[which] - self.plain[which]
            mended = self.logs[which] + np.stack([_between(self.points, self.few, one) for one in more])
            within = np.fmax.reduceat(mended, self.at[:-1], axis=1)
            within = np.fmax(within, mended[:, self.at[1:]])
            density = np.exp(np.minimum(within - _highest(exact), 0.0))
            step = np.abs(np.diff(more, axis=1))
            steep = np.any((step > STEP) & (step * density > WEIGHTY), axis=0)
            left, right = self.at[:-1], self.at[1:]
            new = ((left + right) // 2)[steep & (right - left > 1)]
            if not len(new):
                return
            anew = np.zeros((len(self.logs), len(new)))
            anew[which] = self.found.log_conditional(self.points[new], self.direction, which)
            order = np.argsort(np.append(self.at, new), kind="stable")
            self.at = np.append(self.at, new)[order]
            self.exact = np.concatenate([self.exact, anew], axis=1)[:, order]
            self.few, self.plain = self.points[self.at], self.logs[:, self.at]

    def extremes(self) -> IntArray:
        """The hyperparameters with the lowest, the highest and the widest posterior."""
        return np.array([np.argmin(self.centre), np.argmax(self.centre), np.argmax(self.sd)])

    def elsewhere(self, which: IntArray, depth: float) -> bool:
        """Whether anything within `depth` of the peak lies far from where the rows were settled."""
        exact, plain = self.exact[which], self.plain[which]
        far = np.abs(self.few - self.centre[which]) > FAR * self.sd[which]
        there = np.where(np.isnan(exact), plain, exact)
        return bool(np.any(far & (there > _highest(exact) - depth)))

    def apart(self, which: IntArray) -> float:
        """How far the first one's corrections put the others' densities wrong, the highest of them 1."""
        exact, plain = self.exact[which], self.plain[which]
        top = _highest(exact)
        given = np.minimum(plain + (exact[0] - plain[0]) - top, MATTERS)
        wrong = np.abs(np.exp(given) - np.exp(exact - top))
        lost = np.exp(np.minimum(plain - top, MATTERS))
        return float(np.max(np.where(np.isnan(wrong), lost, wrong)))

    def of_one(self, one: int, top: float) -> tuple[FloatArray, float]:
        """Corrections under one hyperparameter, NaN where they do not matter, and the largest of the others.

        Where one has nothing, its correction may be as large as it likes. A narrower one that borrowed it
        there would be given a peak.
        """
        more, largest, changed = np.full(len(self.few), np.nan), 0.0, 0.0
        # Every other point first: where corrections hardly change the density, they are as good from those.
        for some in (slice(0, None, 2), slice(1, None, 2)):
            plain = self.plain[one, some]
            exact = self.found.log_conditional(self.few[some], self.direction, np.array([one]))[0]
            more[some] = exact - plain
            # Settled anew, a place may hold a second peak of which the rows one by one know nothing.
            matters = np.fmax(exact, plain) > top - MATTERS
            size = np.where(np.isnan(more[some]), np.inf, np.abs(more[some]))
            more[some] = np.where(matters, more[some], np.nan)
            largest = max(largest, float(np.max(size[matters], initial=0.0)))
            change = np.abs(np.exp(np.minimum(exact - top, MATTERS)) - np.exp(plain - top))
            changed = max(changed, float(np.max(change[matters], initial=0.0)))
            if changed < UNCHANGED and largest < SMOOTH:
                break
        return more, largest


def corrected(
    found: SettledDiver, direction: int, points: FloatArray, logs: FloatArray, *, count: int = KNOTS
) -> FloatArray:
    """Log densities that hold where the rows cannot be taken one by one.

    Parameters
    ----------
    found : SettledDiver
        Settled rows under g hyperparameters.
    direction : int
        Of `found`.
    points, logs : ndarray, shape (u,), (g, u)
        Grid, and the log densities there with the rows taken one by one.
    count : int
        Points at which the rows are settled anew where that is needed.

    Returns
    -------
    ndarray, shape (g, u)
        Log densities; -inf far off where nothing is.
    """
    knots = _Knots(found, direction, points, logs, count)
    away = np.abs(points - knots.centre) > FAR * knots.sd
    top = np.max(np.where(away, -np.inf, logs), axis=1)
    middle = int(np.argsort(top, kind="stable")[len(top) // 2])
    some = np.append(middle, knots.extremes())
    at_odds = np.any(away & (logs > top[:, None] - MATTERS), axis=1)
    any_away = bool(at_odds.any())
    if any_away:
        # A peak far from where the rows were settled may be nothing but their sites: it is looked at itself.
        knots.settle(distinct(np.concatenate([some, np.flatnonzero(at_odds)])))
    else:
        if knots.alike():
            more, largest = knots.of_one(middle, float(top[middle]))
            if largest < SLIGHT:
                return np.where(away, -np.inf, logs)
            if largest < ALIKE_ENOUGH:
                score = (knots.few - knots.centre[middle]) / knots.sd[middle]
                same = [_between(z, score, more) for z in (points - knots.centre) / knots.sd]
                return np.where(away, -np.inf, logs + np.stack(same))
        knots.settle(some)
    any_away = knots.elsewhere(some, NOTHING if any_away else MATTERS)
    if any_away or knots.apart(some) >= HARMLESS:
        knots.settle(np.arange(len(logs)))
    knots.fill()
    more = knots.exact - knots.plain
    more[~knots.done] = more[middle]
    sure = np.stack([np.interp(points, knots.few, valid) > 0.5 for valid in (~np.isnan(more)).astype(float)])
    # Another's correction is for where the rows were settled; far from there nothing is, under any.
    sure[~knots.done] = False
    mended = logs + np.stack([_between(points, knots.few, one) for one in more])
    # Far from where the rows were settled, one by one says nothing on its own.
    return np.where(away & ~sure, -np.inf, mended)


def _between(points: FloatArray, few: FloatArray, more: FloatArray) -> FloatArray:
    """Corrections carried from a few points to all; none where there are none."""
    valid = ~np.isnan(more)
    if not valid.any():
        return np.zeros(len(points))
    return np.asarray(np.interp(points, few[valid], more[valid]))
