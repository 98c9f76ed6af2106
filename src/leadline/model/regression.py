"""Linear regression on readings and intervals as a case of the engine.

A group is what a diver is elsewhere, a slope is a shared uncertainty, a reading is an interval of no width.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache
from typing import Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from leadline.errors import FitError, OutOfRangeError
from leadline.frozen import dataclass
from leadline.model.diver import Targets, marginals
from leadline.model.frame import INTERCEPT_SD, Frame, in_range, observations
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations
from leadline.model.population import Fit
from leadline.model.propagation import Propagation, propagate
from leadline.model.readings import Posterior, Readings

__all__ = ["Regression", "regress"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

USUAL_SD: Final = 0.5
USUAL_SPREAD: Final = 2.0
"""Median of each learned sd, in spreads of the targets, and the sd of its logarithm. [-]"""

REACH: Final = (-8.0, 5.0)
"""Logarithms between which a learned sd is sought, in spreads of the targets. [-]"""

NO_GROUP_SD: Final = 1e-3
"""Sd of the one offset where there are no groups, in spreads of the targets: next to nothing. [-]"""

STEADY: Final = 1e-7
MOST_REPEATS: Final = 30
FEW_SWEEPS: Final = 10
"""Change of the log evidence a row at which all sites have settled, most repeats, and sweeps from which
widths have settled along with means. [-]"""

MOST_ROWS: Final = 200
"""Rows of a group up to which its quantiles are integrated; above, a normal curve is as good. [-]"""

LEAST_NOISE: Final = 2e-4
"""Noise from which on quantiles are integrated, in spreads of the targets: less has not the digits. [-]"""

GIVEN: Final = (1e-100, 1e100)
NOISE: Final = (1e-30, 1e15)
"""Least and greatest sd that may be given, and noise beside intervals, in spreads of the targets. [-]"""

SDS: Final = ("slope", "diver_sd", "scatter")
"""What is learned unless it is given: multiple of the slopes' unit sds, sd of offsets, noise."""


@dataclass(frozen=True)
class Regression:
    """A fitted regression; `mean` to `shift` in the frame, `exposure` with the slopes' sds in it.

    Parameters
    ----------
    frame : Frame
        There and back.
    rows : Observations
        The targets, sorted by group.
    theta : Hyperparameters
        Offsets' sd and noise, given or learned.
    slope : ndarray, shape (p,)
        Prior sds of the slopes, in spreads of target and column.
    log_evidence : float
        Log marginal likelihood of the targets as they were given.
    mean, precision, covariance : ndarray, shape (q,), (q, q), (q, q)
        Posterior of intercept and slopes in their prior sds. [-]
    offset, group_precision : ndarray, shape (g,)
        Posterior mean of each group's offset; its precision given intercept and slopes.
    coupling : ndarray, shape (g, q)
        Of each group's offset with intercept and slopes.
    site_precision, site_shift : ndarray, shape (n,)
        What each row says of its expectation, as a normal curve.
    """

    frame: Frame
    rows: Observations
    theta: Hyperparameters
    slope: FloatArray
    log_evidence: float
    mean: FloatArray
    precision: FloatArray
    covariance: FloatArray
    offset: FloatArray
    group_precision: FloatArray
    coupling: FloatArray
    site_precision: FloatArray
    site_shift: FloatArray

    @property
    def noise_sd(self) -> float:
        """Sd of a target around its expectation. [unit of y]."""
        return self.theta.scatter * self.frame.size

    @property
    def group_sd(self) -> float:
        """Sd of the offsets of groups. [unit of y]."""
        return self.theta.diver_sd * self.frame.size

    @property
    def coefficients(self) -> tuple[float, FloatArray]:
        """Posterior means of intercept and slopes. [unit of y, and that per unit of the column]."""
        f, first = self.frame, int(self.frame.intercept)
        slopes = self.mean[first:] * self.slope * f.size / f.column_size
        constant = float(np.sum(self.mean[:first])) * INTERCEPT_SD * f.size
        return f.centre + constant - float(f.column_centre @ slopes), slopes

    def expectation(self, X: FloatArray, group: IntArray) -> tuple[FloatArray, FloatArray]:
        """Posterior mean and sd of expected targets.

        Parameters
        ----------
        X : ndarray, shape (t, p)
            Columns.
        group : ndarray of int, shape (t,)
            Label of each row's group; -1 for a group that was not seen.

        Returns
        -------
        mean, sd : ndarray, shape (t,)
            Noise left out. [unit of y]

        Raises
        ------
        OutOfRangeError
            If X is so far out that no float holds them.
        """
        z = self.frame.exposure(X, self.slope)
        seen = group >= 0
        at = np.where(seen, group, 0)
        ratio = self.coupling[at] / self.group_precision[at, None]
        offset = np.where(seen, self.offset[at], 0.0)
        own = np.where(seen, 1 / self.group_precision[at], self.theta.diver_sd**2)
        reach = z - np.where(seen[:, None], ratio, 0.0)
        with np.errstate(over="ignore", invalid="ignore"):  # what is not finite is refused
            variance = own + np.einsum("ti,ij,tj->t", reach, self.covariance, reach)
            mean = self.frame.centre + self.frame.size * (z @ self.mean + offset)
            sd = self.frame.size * np.sqrt(variance)
        if not (np.isfinite(mean) & np.isfinite(sd)).all():
            raise OutOfRangeError(
                "targets so far from those of the fit are more than a float holds: use other X"
            )
        return mean, sd

    def quantile(self, X: FloatArray, group: IntArray, *, probability: FloatArray) -> FloatArray:
        """Quantiles of targets, noise included.

        Parameters
        ----------
        X, group : ndarray, shape (t, p), (t,)
            As for `expectation`.
        probability : ndarray, shape (k,)
            Between 0 and 1. [-]

        Returns
        -------
        ndarray, shape (t, k)
            Integrated, hence skewed where the evidence of a group is one-sided; normal for groups that were
            not seen, hold readings only or hold very many rows, and where there is next to no noise.
            [unit of y]
        """
        mean, sd = self.expectation(X, group)
        found = mean[:, None] + np.hypot(sd, self.noise_sd)[:, None] * ndtri(probability)
        for label in np.unique(group[group >= 0]):
            own = np.flatnonzero(self.rows.diver == label)
            exact = len(own) <= MOST_ROWS and self.theta.scatter >= LEAST_NOISE
            if not exact or self.rows.point[own].all():
                continue
            here = np.flatnonzero(group == label)
            told = marginals(self._others(own, int(label)), self.rows.take(own), self._targets(X[here]))
            scaled = np.array([marginal.quantile(probability) for marginal in told])
            found[here] = self.frame.centre + self.frame.size * scaled
        return np.asarray(found)

    def _others(self, own: IntArray, label: int) -> Fit:
        """Intercept and slopes as all other groups leave them: this one's rows must not count twice."""
        z, t, b = self.rows.exposure[own], self.site_precision[own], self.site_shift[own]
        coupling, pivot = self.coupling[label], self.group_precision[label]
        precision = self.precision - (z.T @ (t[:, None] * z) - np.outer(coupling, coupling) / pivot)
        shift = self.precision @ self.mean - (z.T @ b - coupling * (b.sum() / pivot))
        return Fit(
            names=self.rows.names,
            mean=np.asarray(np.linalg.solve(precision, shift)),
            precision=precision,
            theta=self.theta,
            theta_sd=np.zeros(len(self.theta.to_vector())),
        )

    def _targets(self, X: FloatArray) -> Targets:
        count = len(X)
        return Targets(
            prior=np.zeros(count),
            exposure=self.frame.exposure(X, self.slope),
            suit_weight=np.zeros(count),
            suit=np.zeros(count, np.int64),
            body_sd=0.0,
        )


@cache
def _coordinate(name: str) -> int:
    """Place of the logarithm of a hyperparameter in the engine's vector."""
    moved = replace(Hyperparameters(), **{name: 1.0}).to_vector() != Hyperparameters().to_vector()
    return int(np.flatnonzero(moved)[0])


def _propagated(rows: Observations, theta: Hyperparameters, *, sketch: bool) -> Propagation:
    """Sites settled in their widths too.

    Sweeps end once means stand still, and in balanced data they stand still from the start.
    """
    found = propagate(rows, theta, sketch=sketch)
    for _ in range(MOST_REPEATS if found.sweeps < FEW_SWEEPS else 0):
        before = found.log_evidence
        found = propagate(rows, theta, start=found.start, sketch=sketch)
        if abs(found.log_evidence - before) < STEADY * len(rows):
            break
    return found


def _posterior(found: Propagation) -> Posterior:
    """What settled sites say of intercept, slopes and sds."""
    sites, slope = found.start.sites, (float(found.gradient[_coordinate(name)]) for name in SDS[1:])
    covariance = np.asarray(np.linalg.inv(found.precision))
    return Posterior(
        found.mean, found.precision, covariance, sites.precision, sites.shift, found.log_evidence, *slope
    )


class _Search:
    """Log evidence of the sds that are learned, and its gradient in their logarithms."""

    def __init__(self, rows: Observations, slopes: IntArray, fixed: dict[str, float]) -> None:
        self.rows, self.slopes, self.fixed = rows, slopes, fixed
        self.free = [name for name in SDS if name not in fixed]
        self.readings = Readings(rows) if rows.point.all() else None

    def sds(self, point: FloatArray) -> dict[str, float]:
        """All sds, given and learned."""
        return self.fixed | dict(zip(self.free, np.exp(point).tolist(), strict=True))

    def at(
        self, point: FloatArray, *, sketch: bool = True
    ) -> tuple[Posterior, Observations, Hyperparameters]:
        """Settled posterior, the rows with the slopes' sds in their exposures, and the other sds."""
        sds = self.sds(point)
        multiple = np.ones(self.rows.n_exposures)
        multiple[self.slopes] = sds["slope"]
        rows = replace(self.rows, exposure=self.rows.exposure * multiple)
        others = {name: sds[name] for name in SDS[1:]}
        # No target is a wrong record, however far it lies from all others.
        theta = replace(Hyperparameters(), wrong=0.0, **others)
        if self.readings:
            return self.readings.posterior(multiple, **others), rows, theta
        return _posterior(_propagated(rows, theta, sketch=sketch)), rows, theta

    def loss(self, point: FloatArray) -> tuple[float, FloatArray]:
        """What is to be minimised, and its gradient."""
        found, *_ = self.at(point)
        away = (point - np.log(USUAL_SD)) / USUAL_SPREAD
        square = (found.mean**2 + np.diag(found.covariance))[self.slopes]
        slope = {"slope": float(np.sum(square - 1)), "diver_sd": found.diver_sd, "scatter": found.scatter}
        gradient = np.array([slope[name] for name in self.free])
        return -found.log_evidence + 0.5 * float(away @ away), away / USUAL_SPREAD - gradient

    def best(self) -> FloatArray:
        """Logarithms of the learned sds at the mode of their marginal posterior."""
        start = np.full(len(self.free), np.log(USUAL_SD))
        if not self.free:
            return start
        from scipy.optimize import minimize

        settings = {"ftol": 1e-10, "gtol": 1e-4}
        bounds = [REACH] * len(start)
        found = minimize(self.loss, start, jac=True, method="L-BFGS-B", bounds=bounds, options=settings)
        point, slope = np.asarray(found.x), np.asarray(found.jac)
        held = ((point <= REACH[0]) & (slope > 0)) | ((point >= REACH[1]) & (slope < 0))
        left = float(np.max(np.abs(np.where(held, 0.0, slope))))
        # The last digits of the evidence are rounding; what is left may move an sd by a thousandth.
        if not found.success and left > 0.05 + 1e-3 * len(self.rows):
            message = f"the sds did not converge ({found.message}): give some of them instead"
            raise FitError(message, {"left": left})
        return point


def regress(
    X: FloatArray,
    lower: FloatArray,
    *,
    upper: FloatArray,
    group: IntArray | None = None,
    intercept: bool = True,
    slope_sd: FloatArray | None = None,
    group_sd: float | None = None,
    noise_sd: float | None = None,
) -> Regression:
    """Fit a linear regression to readings and intervals.

    Parameters
    ----------
    X : ndarray, shape (n, p)
        Columns, finite.
    lower, upper : ndarray, shape (n,)
        Ends of each target, lower at most upper; may be infinite or equal. [unit of y]
    group : ndarray of int, shape (n,), optional
        Labels 0, 1, ..., each at least once, in any order; default no groups.
    intercept : bool
        Whether there is one.
    slope_sd : ndarray, shape (p,), optional
        Prior sds of the slopes; default one learned multiple of spread of y over spread of the column.
        [unit of y per unit of the column]
    group_sd, noise_sd : float, optional
        Default: learned. [unit of y]

    Returns
    -------
    Regression
        At the mode of the learned sds.

    Raises
    ------
    OutOfRangeError
        If no end of any target is finite, or a size or a given sd is no sensible one.
    FitError
        If the fit does not settle.
    """
    frame = Frame.of(X, lower, upper, intercept=intercept)
    label = np.zeros(len(X), np.int64) if group is None else group
    order = np.argsort(label, kind="stable")
    low, high = frame.ends(lower[order], upper[order])
    with np.errstate(over="ignore"):  # what is infinite is refused
        unit = np.ones(X.shape[1]) if slope_sd is None else slope_sd * frame.column_size / frame.size
    in_range("slope_sd, in spreads of y over that of its column,", unit, GIVEN)
    rows = observations(frame.exposure(X[order], unit), low, upper=high, group=label[order])
    given = {
        "slope": None if slope_sd is None else 1.0,
        "diver_sd": NO_GROUP_SD if group is None else group_sd and group_sd / frame.size,
        "scatter": noise_sd and noise_sd / frame.size,
    }
    fixed = {name: float(value) for name, value in given.items() if value is not None}
    for text, name in (("group_sd", "diver_sd"), ("noise_sd", "scatter")):
        limits = NOISE if name == "scatter" and not rows.point.all() else GIVEN
        in_range(f"{text}, in spreads of y,", fixed.get(name, 1.0), limits)
    search = _Search(rows, np.arange(int(intercept), rows.n_exposures), fixed)
    point = search.best()
    try:
        found, rows, theta = search.at(point, sketch=False)
    except FitError as error:
        advice = "give a greater noise_sd or add readings"
        if group is not None:
            advice = "leave the groups out or add readings"
            advice = f"if the targets of whole groups are open on the same side, {advice}"
        raise FitError(f"the regression did not settle: {advice}", error.diagnostics) from error
    mean, t = found.mean, found.site_precision
    starts = np.flatnonzero(np.diff(rows.diver, prepend=-1))
    left = found.site_shift - t * (rows.exposure @ mean)
    pivot = 1 / theta.diver_sd**2 + np.add.reduceat(t, starts)
    width = np.where(high > low, high - low, 1 / frame.size)[rows.point]  # a density is in units of y
    return Regression(
        frame=frame,
        rows=rows,
        theta=theta,
        slope=unit * search.sds(point)["slope"],
        log_evidence=found.log_evidence + float(np.sum(np.log(width))),
        mean=mean,
        precision=found.precision,
        covariance=found.covariance,
        offset=np.add.reduceat(left, starts) / pivot,
        group_precision=pivot,
        coupling=np.add.reduceat(t[:, None] * rows.exposure, starts, axis=0),
        site_precision=t,
        site_shift=found.site_shift,
    )
