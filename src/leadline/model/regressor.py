"""A scikit-learn estimator over the same engine: regression on intervals, with an offset for each group.

The one module that needs scikit-learn when it is imported; nothing that runs every day imports it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from sklearn.base import BaseEstimator, RegressorMixin  # type: ignore[import-untyped]  # ships no types
from sklearn.utils.validation import (  # type: ignore[import-untyped]  # ships no types
    check_array,
    check_consistent_length,
    check_is_fitted,
    column_or_1d,
    validate_data,
)

from leadline.errors import OutOfRangeError
from leadline.model.frame import sensible
from leadline.model.likelihood import point_terms, zone_terms
from leadline.model.regression import regress

__all__ = ["IntervalRegressor"]

FloatArray = NDArray[np.float64]


def _ends(y: Any) -> tuple[FloatArray, FloatArray]:
    """Lower and upper ends of the targets, shape (n,) each."""
    shape = np.shape(np.asarray(y))
    if len(shape) != 2 or shape[1] != 2:
        one = check_array(y, ensure_2d=False, dtype=np.float64, input_name="y")
        reading = np.asarray(column_or_1d(one, warn=True))
        return reading, reading
    both = check_array(y, dtype=np.float64, ensure_all_finite=False, input_name="y")
    lower, upper = both.T.copy()
    bad = np.flatnonzero(~(lower <= upper) | (lower == np.inf) | (upper == -np.inf))
    if len(bad):
        row = int(bad[0])
        raise OutOfRangeError(
            f"each interval of y needs lower <= upper and room between them; row {row} has "
            f"[{lower[row]:g}, {upper[row]:g}]: use -inf or inf for a side that is not known"
        )
    return lower, upper


_FAR: Final = 1e100  # sds; the square of more than that is hardly a float
_SLIVER: Final = 1e-12  # sds; across less than that the normal curve does not change
_PLAIN: Final = 300  # binary digits; squares of sizes up to here are floats

_FLOAT: Final = (float, np.floating)
_EXACT: Final = 2**53  # up to here a float tells a whole number from the next
_LABEL: Final = (str, int, np.integer, *_FLOAT)


def _whole(label: Any) -> Any:
    """The whole number that a label in decimals is; else the label."""
    if not isinstance(label, _FLOAT) or not abs(number := float(label)) < _EXACT:
        return label
    return int(number) if number.is_integer() else label


def _labels(groups: Any, count: int) -> NDArray[Any]:
    """Group labels, shape (count,); none missing."""
    given = labels = np.asarray(groups)
    if labels.shape != (count,):
        raise OutOfRangeError(
            f"groups must hold one label for each of {count} rows; got shape {labels.shape}"
        )
    if labels.dtype.kind != "O":
        known = labels == labels  # NaN and NaT are not equal to themselves
    else:
        known = np.array([isinstance(label, _LABEL) and label == label for label in labels], bool)
        # Labels of several types cannot be sorted, and 2.0 is the group that is 2 elsewhere.
        plain = [_whole(label) for label in labels]
        if known.all() and not any(isinstance(label, str) for label in plain):
            labels = np.array(plain, float if any(isinstance(x, _FLOAT) for x in plain) else np.int64)
        else:
            labels = np.array(plain, object).astype(str)
    if not np.all(known):
        row = int(np.flatnonzero(~known)[0])
        raise OutOfRangeError(f"a group is a text or a number; row {row} of groups has {given[row]!r}")
    return labels


def _sd(name: str, value: Any, shape: tuple[int, ...]) -> FloatArray | None:
    """A positive sd given as a parameter, spread to `shape`; None if it is to be learned."""
    if value is None:
        return None
    given = np.asarray(value, float)
    if given.shape not in ((), shape) or not np.all((given > 0) & np.isfinite(given)):
        several = f" or {shape[0]} of them" if shape else ""
        raise OutOfRangeError(
            f"{name} must be a positive number{several}, or None to learn it; got {value!r}"
        )
    return np.broadcast_to(given, shape)


class IntervalRegressor(RegressorMixin, BaseEstimator):  # type: ignore[misc]  # bases without types
    """Linear regression on readings and intervals, with a random offset for each group.

    A target is intercept + X · slopes + offset of its group + noise, all of them normal. A row of y is a
    reading, or an interval that holds the target; either side may be infinite.

    Parameters
    ----------
    slope_sd : float or array_like, shape (p,), optional
        Prior sd of the slopes. [unit of y per unit of the column] Default: one multiple of the spread of y
        over the spread of the column, learned.
    group_sd : float, optional
        Sd of the offsets of groups. [unit of y] Default: learned. Not used without groups.
    noise_sd : float, optional
        Sd of a target around its expectation. [unit of y] Default: learned.
    fit_intercept : bool
        Whether there is an intercept; its prior sd is four spreads of y.

    Attributes
    ----------
    coef_ : ndarray, shape (p,)
        Posterior means of the slopes. [unit of y per unit of the column]
    intercept_ : float
        Posterior mean of the intercept. [unit of y]
    groups_ : ndarray, shape (g,)
        Labels of the groups, sorted; empty without groups.
    group_effects_ : ndarray, shape (g,)
        Posterior means of their offsets. [unit of y]
    slope_sd_ : ndarray, shape (p,)
        Prior sds of the slopes, given or learned. [unit of y per unit of the column]
    group_sd_, noise_sd_ : float
        Given or learned; `group_sd_` is 0 without groups. [unit of y]
    log_evidence_ : float
        Log marginal likelihood of y.
    n_features_in_, feature_names_in_ : int, ndarray
        As everywhere in scikit-learn.

    Notes
    -----
    The spread of y is the root of the mean squared distance from its middle (from 0 without an intercept), or
    half the usual width of intervals if that is more. Where fewer than two targets are readings or closed on
    both sides it is the distance between the outermost ends (without an intercept, the greatest size of one).
    So with an intercept a shift of y shifts the answers and nothing else, whatever is open. The one exception
    is y that is the same throughout, and has no spread: its size is taken instead, or 1 where it is 0, so
    that answers scale with it and do not shift.

    Expectation propagation, `leadline.model.propagation`: exact for readings, near for intervals; where many
    targets are open on the same side the sd of `predict` comes out too small (by a fifth for a dozen equal
    upper bounds), while its quantiles are integrated and hold. Learned sds are at the mode of their marginal
    posterior under a wide lognormal prior (half the spread of y, give or take a factor of 7), which keeps
    them finite where the data say nothing of them.

    Examples
    --------
    Four readings, a target known to be above 9, and one known to be below 2:

    >>> import numpy as np
    >>> X = np.array([[1.0], [2.0], [3.0], [4.0], [5.0], [0.0]])
    >>> y = np.array([[3, 3], [5, 5], [7, 7], [9, 9], [9, np.inf], [-np.inf, 2]])
    >>> fitted = IntervalRegressor(noise_sd=0.1).fit(X, y)
    >>> fitted.predict([[6.0]]).round(1)
    array([13.])
    """

    def __init__(
        self,
        *,
        slope_sd: ArrayLike | None = None,
        group_sd: float | None = None,
        noise_sd: float | None = None,
        fit_intercept: bool = True,
    ) -> None:
        self.slope_sd = slope_sd
        self.group_sd = group_sd
        self.noise_sd = noise_sd
        self.fit_intercept = fit_intercept

    def fit(self, X: ArrayLike, y: ArrayLike, groups: ArrayLike | None = None) -> IntervalRegressor:
        """Fit slopes, offsets, and the sds that are not given.

        Parameters
        ----------
        X : array_like, shape (n, p)
            Columns, finite.
        y : array_like, shape (n,) or (n, 2)
            Readings, or lower and upper ends; ends may be infinite, equal ends are a reading. [unit of y]
        groups : array_like, shape (n,), optional
            Label of each row's group; default no groups.

        Returns
        -------
        IntervalRegressor
            Itself.

        Raises
        ------
        OutOfRangeError
            If an interval is empty or NaN, no end is finite, a label is missing, a given sd is not
            positive, or y, a column of X or a given sd is of a size beyond all measure (`SIZES` and `RATIOS`
            of `leadline.model.frame`, `GIVEN` and `NOISE` of `leadline.model.regression`). It is a ValueError
            too.
        FitError
            If the fit does not settle.
        """
        columns = validate_data(self, X, y if y is None else "no_validation", dtype=np.float64)
        lower, upper = _ends(y)
        check_consistent_length(columns, lower)
        names, label = None, None
        if groups is not None:
            names, label = np.unique(_labels(groups, len(columns)), return_inverse=True)
        group_sd, noise_sd = _sd("group_sd", self.group_sd, ()), _sd("noise_sd", self.noise_sd, ())
        found = regress(
            columns,
            lower,
            upper=upper,
            group=label,
            intercept=bool(self.fit_intercept),
            slope_sd=_sd("slope_sd", self.slope_sd, (columns.shape[1],)),
            group_sd=None if group_sd is None else float(group_sd),
            noise_sd=None if noise_sd is None else float(noise_sd),
        )
        self._found = found
        self.intercept_, self.coef_ = found.coefficients
        self.groups_ = np.zeros(0, int) if names is None else names
        self.group_effects_ = found.offset[: len(self.groups_)] * found.frame.size
        self.slope_sd_ = found.slope * found.frame.size / found.frame.column_size
        self.group_sd_ = 0.0 if names is None else found.group_sd
        self.noise_sd_ = found.noise_sd
        self.log_evidence_ = found.log_evidence
        return self

    def _rows(self, X: Any, groups: Any) -> tuple[FloatArray, NDArray[np.int64]]:
        """Columns, and the place of each row's group; -1 for one that was not seen."""
        check_is_fitted(self)
        columns = validate_data(self, X, reset=False, dtype=np.float64)
        count = len(columns)
        if not len(self.groups_):
            # One offset that is next to nothing for everybody, whatever the labels.
            return columns, np.zeros(count, np.int64)
        if groups is None:
            return columns, np.full(count, -1, np.int64)
        labels = _labels(groups, count)
        if (self.groups_.dtype.kind == "U") != (labels.dtype.kind == "U"):
            one, other = ("numbers", "texts") if self.groups_.dtype.kind == "U" else ("texts", "numbers")
            raise OutOfRangeError(
                f"groups are {one}, but those of the fit were {other}: give them as they were"
            )
        at = np.minimum(np.searchsorted(self.groups_, labels), len(self.groups_) - 1)
        return columns, np.where(self.groups_[at] == labels, at, -1)

    def predict(
        self,
        X: ArrayLike,
        groups: ArrayLike | None = None,
        return_std: bool = False,
        quantiles: ArrayLike | None = None,
    ) -> Any:
        """Expected targets, and on request how far a new target may be from them.

        Parameters
        ----------
        X : array_like, shape (t, p)
            Columns.
        groups : array_like, shape (t,), optional
            Labels; a group that was not seen, and no label at all, is a stranger: no offset, wider band.
        return_std : bool
            Whether to add the sd of a new target, noise included.
        quantiles : array_like, shape (k,), optional
            Probabilities, between 0 and 1, for which to add quantiles of a new target. [-]

        Returns
        -------
        ndarray, shape (t,), or tuple of ndarray
            Mean; then sd, shape (t,), and quantiles, shape (t, k), as far as asked for. [unit of y]
            Quantiles are integrated, so one-sided evidence gives a skewed band; they are normal for
            strangers, for groups that hold readings only or more than 200 rows, and where the noise is less
            than 2e-4 of the spread of y.

        Raises
        ------
        OutOfRangeError
            If there is no probability, or one that is not between 0 and 1, labels do not match the rows, or a
            row is 1e50 spreads of a column and more from those of the fit.
        """
        columns, group = self._rows(X, groups)
        mean, sd = self._found.expectation(columns, group)
        answer = [mean]
        if return_std:
            answer.append(np.hypot(sd, self.noise_sd_))
        if quantiles is not None:
            wanted = np.atleast_1d(np.asarray(quantiles, float))
            if wanted.ndim != 1 or not wanted.size or not np.all((wanted > 0) & (wanted < 1)):
                raise OutOfRangeError(
                    f"quantiles must lie between 0 and 1, both excluded, and be some; got {quantiles!r}"
                )
            answer.append(self._found.quantile(columns, group, probability=wanted))
        return answer[0] if len(answer) == 1 else tuple(answer)

    def score(self, X: ArrayLike, y: ArrayLike, groups: ArrayLike | None = None) -> float:
        """Share of the squared distances that the prediction explains.

        Parameters
        ----------
        X, y, groups : array_like
            As for `fit`.

        Returns
        -------
        float
            1 - (distances of predictions from their intervals, squared) / (those of the best constant): R²
            for readings. [-] At most 1. An interval that holds its prediction is at no distance, however
            wide; `log_score` looks closer.
        """
        columns, group = self._rows(X, groups)
        lower, upper = _ends(y)
        check_consistent_length(columns, lower)
        predicted = self._found.expectation(columns, group)[0]
        sensible("y", np.concatenate([end[np.isfinite(end)] for end in (lower, upper)]))
        left, whole = _distances((predicted, _constant(lower, upper)), lower, upper)
        if whole == 0.0:
            return 1.0 if left == 0.0 else 0.0
        return 1 - left / whole

    def log_score(self, X: ArrayLike, y: ArrayLike, groups: ArrayLike | None = None) -> float:
        """Mean log probability of the targets, a density where they are readings.

        Parameters
        ----------
        X, y, groups : array_like
            As for `fit`.

        Returns
        -------
        float
            Greater is better; predictive normal curve with the sd of `predict`. [-]

        Raises
        ------
        OutOfRangeError
            If y is 1e100 sds and more from what is expected.
        """
        columns, group = self._rows(X, groups)
        lower, upper = _ends(y)
        check_consistent_length(columns, lower)
        mean, sd = self._found.expectation(columns, group)
        sd = np.hypot(sd, self.noise_sd_)
        with np.errstate(over="ignore"):  # what is infinite is refused, or no end
            low, high = ((end - mean) / sd for end in (lower, upper))
        far = np.flatnonzero((low > _FAR) | (high < -_FAR))
        if len(far):
            row = int(far[0])
            raise OutOfRangeError(
                f"y must lie within {_FAR:g} sds of what is expected; row {row} has "
                f"[{lower[row]:g}, {upper[row]:g}]"
            )
        lower, upper = np.where(low < -_FAR, -np.inf, lower), np.where(high > _FAR, np.inf, upper)
        exponent = int(np.frexp(self._found.frame.size)[1])
        exponent = exponent if abs(exponent) > _PLAIN else 0
        mean, sd, lower, upper = (np.ldexp(value, -exponent) for value in (mean, sd, lower, upper))
        reading = high - low < _SLIVER
        middle = np.where(reading, lower, 0.0) / 2 + np.where(reading, upper, 0.0) / 2
        logs = point_terms(mean, np.where(reading, middle, mean), wrong=0.0, sd=sd)[0]
        # A density is in units of y; the probability of a sliver is its density times its width.
        logs[reading] += np.log(np.where(upper > lower, upper - lower, 2.0**-exponent)[reading])
        ends = np.column_stack([upper, lower])[~reading]
        inside = np.tile([0.0, 1.0, 0.0], (len(ends), 1))
        logs[~reading] = zone_terms(mean[~reading], ends, inside, sd=sd[~reading])[0]
        return float(logs.mean())


def _distances(
    values: tuple[FloatArray | float, ...], lower: FloatArray, upper: FloatArray
) -> tuple[float, ...]:
    """Sums of the squared distances of values from their intervals, in one unit that keeps their digits."""
    away = [np.abs(value - np.clip(value, lower, upper)) for value in values]
    exponent = np.frexp(np.max(away))[1]
    return tuple(float(np.sum(np.ldexp(one, -exponent) ** 2)) for one in away)


def _constant(lower: FloatArray, upper: FloatArray) -> float:
    """The constant with the least squared distance from all intervals; the mean of readings."""
    known = np.concatenate([lower[np.isfinite(lower)], upper[np.isfinite(upper)]])
    if not len(known):
        return 0.0
    low, high = float(known.min()), float(known.max())
    # The pull of the intervals falls as the constant rises.
    for _ in range(200):
        middle = low / 2 + high / 2
        if np.sum(np.clip(middle, lower, upper) - middle) > 0:
            low = middle
        else:
            high = middle
    # Where all intervals have something in common, it is in there and not an ulp beside it.
    first, last = float(np.max(lower)), float(np.min(upper))
    middle = low / 2 + high / 2
    return min(max(middle, first), last) if first <= last else middle
