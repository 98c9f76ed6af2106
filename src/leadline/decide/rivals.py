"""Simple rivals of the model: what one would do who takes the lead carried for the lead needed."""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import fields
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Occasions
from leadline.decide.forecast import Forecasts, library
from leadline.frozen import dataclass

__all__ = ["RIVALS", "Carried", "carried", "last_lead", "mixed_model", "ridge", "rival_forecasts"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
Answer = tuple[FloatArray, FloatArray]

FEWEST_LEADS: Final = 20
"""Leads from which a rival may learn."""

LEAST_SD: Final = 0.3
"""No rival may be surer than this. [kg]"""

MOST_DIVERS: Final = 2000
"""A regression with a column for each diver beyond this is left out: its matrix would not fit."""

_DRY: Final = ("dry_membrane", "dry_foam")


@dataclass(frozen=True)
class Carried:
    """*n* dives as the rivals see them.

    Parameters
    ----------
    diver, moment : ndarray of int, shape (n,)
        Who and when.
    lead : ndarray, shape (n,)
        Lead carried; NaN where it is asked for. [kg]
    features : ndarray, shape (n, k)
        Body mass, foam thickness, dry suit, salt, aluminium cylinders, litres of cylinders.
    """

    diver: IntArray
    moment: IntArray
    lead: FloatArray
    features: FloatArray

    def __len__(self) -> int:
        return int(self.diver.shape[0])

    def take(self, rows: NDArray[Any]) -> Carried:
        """The dives at `rows`, in that order."""
        return Carried(**{f.name: getattr(self, f.name)[rows] for f in fields(self)})


def _sum_over(table: FloatArray, items: IntArray) -> FloatArray:
    """Sum of a property of the gear over the items of each row; unknown counts as nothing."""
    return np.asarray(np.append(np.nan_to_num(table), 0.0)[items].sum(axis=1))


def carried(occasions: Occasions, gear: Columns, *, moment: IntArray, lead: FloatArray) -> Carried:
    """Dives as the rivals see them.

    Parameters
    ----------
    occasions : Occasions
        n rows.
    gear : Columns
        The gear table.
    moment : ndarray of int, shape (n,)
        When.
    lead : ndarray, shape (n,)
        Lead carried. [kg]

    Returns
    -------
    Carried
        n rows; a body mass that nobody knows is that of the middle diver.
    """
    dry = np.isin(gear["style"], _DRY).astype(float)
    aluminium = (gear["material"] == "aluminium").astype(float)
    mass = occasions.body_mass
    middle = np.nanmedian(mass) if not np.isnan(mass).all() else 75.0
    salt = np.where(occasions.water == "fresh", 0.0, np.where(occasions.water == "brackish", 0.5, 1.0))
    columns = [
        np.where(np.isnan(mass), middle, mass),
        _sum_over(gear["thickness_mm"], occasions.suit),
        np.minimum(_sum_over(dry, occasions.suit), 1.0),
        salt,
        _sum_over(aluminium, occasions.cylinder),
        _sum_over(gear["water_capacity_l"], occasions.cylinder),
    ]
    return Carried(occasions.diver, moment, lead, np.stack(columns, axis=1))


def _scaled(known: Carried, asked: Carried) -> tuple[FloatArray, FloatArray]:
    """Features in sds of the known dives, without those that do not vary or that others already tell."""
    middle, sd = known.features.mean(axis=0), known.features.std(axis=0)
    kept: list[int] = []
    for column in np.flatnonzero(sd > 1e-9):
        tried = (known.features - middle)[:, [*kept, column]] / sd[[*kept, column]]
        if np.linalg.matrix_rank(tried, tol=1e-6 * np.sqrt(len(tried))) > len(kept):
            kept.append(int(column))
    inside, outside = ((c.features[:, kept] - middle[kept]) / sd[kept] for c in (known, asked))
    return inside, outside


def _own(history: Carried, asked: Carried) -> list[IntArray]:
    """For each dive asked about the rows of its diver's earlier dives, in order of time."""
    order = np.lexsort((history.moment, history.diver))
    diver, moment = history.diver[order], history.moment[order]
    first = np.searchsorted(diver, asked.diver, side="left")
    last = np.searchsorted(diver, asked.diver, side="right")
    return [
        order[a : a + np.searchsorted(moment[a:b], m, side="left")]
        for a, b, m in zip(first.tolist(), last.tolist(), asked.moment.tolist(), strict=True)
    ]


def last_lead(known: Carried, history: Carried, asked: Carried) -> Answer:
    """The lead that the diver carried last; before the first dive, the usual lead.

    Parameters
    ----------
    known : Carried
        Dives up to the last cut, of all divers.
    history : Carried
        All dives of the book.
    asked : Carried
        n dives to foretell; of the history only what came before each is used.

    Returns
    -------
    mean, sd : ndarray, shape (n,)
        The sd is that of the change from one dive of a diver to the next. [kg]
    """
    order = np.lexsort((known.moment, known.diver))
    same = np.diff(known.diver[order]) == 0
    steps = np.diff(known.lead[order])[same]
    change = max(float(np.sqrt(np.mean(steps**2))), LEAST_SD) if len(steps) else LEAST_SD
    usual, spread = float(known.lead.mean()), max(float(known.lead.std()), LEAST_SD)
    mean, sd = np.full(len(asked), usual), np.full(len(asked), spread)
    for row, own in enumerate(_own(history, asked)):
        if len(own):
            mean[row], sd[row] = history.lead[own[-1]], change
    return mean, sd


def mixed_model(known: Carried, history: Carried, asked: Carried) -> Answer:
    """A linear model with a random intercept for each diver (statsmodels MixedLM), lead taken for need.

    Parameters
    ----------
    known, history, asked : Carried
        As for `last_lead`.

    Returns
    -------
    mean, sd : ndarray, shape (n,)
        Best linear prediction from all earlier dives of the diver, at the variances of the last cut. [kg]

    Raises
    ------
    ValueError
        If the dives known do not hold it.
    """
    model = library("statsmodels.regression.mixed_linear_model").MixedLM
    inside, outside = _scaled(known, asked)
    design = np.column_stack([np.ones(len(known)), inside])
    with warnings.catch_warnings():
        # A variance at its edge, or few rounds: the rival is then scored as it stands.
        warnings.simplefilter("ignore")
        fitted = model(known.lead, design, groups=known.diver).fit(reml=True)
    slope, within = np.asarray(fitted.fe_params), float(fitted.scale)
    between = max(float(np.asarray(fitted.cov_re).reshape(-1)[0]), 0.0)
    if not (np.all(np.isfinite(slope)) and np.isfinite(between) and within > 0):
        raise ValueError("the mixed model gave no finite answer")
    past = np.column_stack([np.ones(len(history)), _scaled(known, history)[1]])
    left = history.lead - past @ slope
    mean = np.column_stack([np.ones(len(asked)), outside]) @ slope
    variance = np.full(len(asked), within + between)
    for row, own in enumerate(_own(history, asked)):
        weight = len(own) * between / (within + len(own) * between)
        if len(own):
            mean[row] += weight * left[own].mean()
        variance[row] = within + between * (1 - weight)
    return mean, np.sqrt(variance)


def ridge(known: Carried, history: Carried, asked: Carried) -> Answer:
    """scikit-learn's BayesianRidge with a column for each diver, lead taken for need.

    Parameters
    ----------
    known, history, asked : Carried
        As for `last_lead`.

    Returns
    -------
    mean, sd : ndarray, shape (n,)
        Updated in closed form by the diver's dives since the last cut, at the precisions of that cut. [kg]

    Raises
    ------
    ValueError
        If there are more divers than a column each allows.
    """
    divers = np.unique(np.concatenate([known.diver, asked.diver]))
    if len(divers) > MOST_DIVERS:
        raise ValueError("too many divers for a column each")
    since = history.take(np.flatnonzero(history.moment > known.moment.max()))
    since = since.take(np.flatnonzero(np.isin(since.diver, divers)))

    def design(rows: Carried) -> FloatArray:
        return np.hstack([_scaled(known, rows)[1], (rows.diver[:, None] == divers).astype(float)])

    fitted = library("sklearn.linear_model").BayesianRidge().fit(design(known), known.lead)
    covariance, noise, offset = fitted.sigma_, 1 / fitted.alpha_, fitted.X_offset_
    mean, sd = (np.asarray(found, float) for found in fitted.predict(design(asked), return_std=True))
    later, wanted = design(since) - offset, design(asked) - offset
    left = since.lead - fitted.intercept_ - design(since) @ fitted.coef_
    for row, own in enumerate(_own(since, asked)):
        if len(own):
            gain = covariance @ later[own].T
            inner = later[own] @ gain + noise * np.eye(len(own))
            pull = np.linalg.solve(inner, gain.T @ wanted[row])
            mean[row] += pull @ left[own]
            sd[row] = np.sqrt(max(sd[row] ** 2 - pull @ (gain.T @ wanted[row]), noise))
    return mean, sd


RIVALS: Final[dict[str, Callable[[Carried, Carried, Carried], Answer]]] = {
    "last_lead": last_lead,
    "mixed_model": mixed_model,
    "ridge": ridge,
}
"""What is held beside the model."""


def rival_forecasts(name: str, history: Carried, asked: Carried, *, cut: IntArray) -> Forecasts:
    """Forecasts of one rival, learned at the same cuts as the model.

    Parameters
    ----------
    name : str
        One of `RIVALS`.
    history : Carried
        All dives of the book with a date and a lead.
    asked : Carried
        n dives to foretell.
    cut : ndarray of int, shape (n,)
        Moment of the last cut before each.

    Returns
    -------
    Forecasts
        NaN where there was too little to learn from, or where the library gave up.
    """
    mean, sd = np.full(len(asked), np.nan), np.full(len(asked), np.nan)
    for moment in np.unique(cut):
        known = history.take(np.flatnonzero(history.moment < moment))
        rows = np.flatnonzero(cut == moment)
        if len(known) < FEWEST_LEADS or len(np.unique(known.diver)) < 2:
            continue
        try:
            mean[rows], sd[rows] = RIVALS[name](known, history, asked.take(rows))
        except (np.linalg.LinAlgError, ValueError):
            continue  # a rival that fails is left out for that stretch, and the count says so
    return Forecasts.normal(mean, np.maximum(sd, LEAST_SD))
