"""What a user might take instead of the engine, on the same rows: each foretells needs for known divers.

The common mistake is to read *carried* as *needed*: all of these can be fitted that way, some also to nothing
but the rows that say on both sides how much was needed.
"""

from __future__ import annotations

import warnings
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtri

from leadline.model.observations import Form, Observations

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

LEVELS: Final = (np.arange(99) + 1) / 100
"""Probabilities of the quantiles by which every forecast is given and scored."""

READ: Final = (0.5 - 1.2) / 2
"""Need less lead in the middle of what breathing covers, for 'hovered, BC empty'. [kg]"""

COARSE: Final = (0.025, 0.1, 0.25, 0.5, 0.75, 0.9, 0.975)
"""Quantiles that are learned one by one."""


@dataclass(frozen=True)
class Asked:
    """Needs to be foretold, one of each diver, scatter included.

    Parameters
    ----------
    prior, exposure : ndarray, shape (divers,), (divers, p)
        As of observations. [kg]
    diver : ndarray of int, shape (divers,)
        Label in the observations; -1 for somebody who is not in them.
    """

    prior: FloatArray
    exposure: FloatArray
    diver: IntArray


Peer = Callable[[Observations, Asked], FloatArray]
"""Quantiles at `LEVELS` of the needs asked for, shape (divers, levels)."""


def normal(mean: FloatArray, sd: FloatArray | float) -> FloatArray:
    """Quantiles of normal distributions; shape (n, levels)."""
    return np.asarray(mean[:, None] + np.broadcast_to(sd, mean.shape)[:, None] * ndtri(LEVELS))


def spread(quantiles: FloatArray) -> FloatArray:
    """Sds of what has these quantiles, by the distance of those one sd to either side; shape (n,)."""
    low, high = (np.array([np.interp(p, LEVELS, row) for row in quantiles]) for p in _ends(0.6826895))
    return np.asarray((high - low) / 2)


def crps(quantiles: FloatArray, truth: FloatArray) -> float:
    """Mean continuous ranked probability score: twice the pinball loss over all levels. [kg]."""
    loss = import_module("sklearn.metrics").mean_pinball_loss
    return 2 * float(
        np.mean([loss(truth, found, alpha=p) for p, found in zip(LEVELS, quantiles.T, strict=True)])
    )


def coverage(quantiles: FloatArray, truth: FloatArray, level: float) -> float:
    """Share of truths in the central band."""
    ends = [np.array([np.interp(p, LEVELS, row) for row in quantiles]) for p in _ends(level)]
    return float(np.mean((ends[0] < truth) & (truth < ends[1])))


def _ends(level: float) -> tuple[float, float]:
    return (1 - level) / 2, (1 + level) / 2


@dataclass(frozen=True)
class _Known:
    """Readings of need less prior, as a peer takes them."""

    excess: FloatArray
    exposure: FloatArray
    diver: IntArray


def _carried(o: Observations) -> _Known:
    """All leads at stops, as if they had been needed."""
    rows = np.flatnonzero(~o.point)
    return _Known(o.lower[rows] - o.prior[rows], o.exposure[rows], o.diver[rows])


def _two_sided(o: Observations) -> _Known:
    """Only 'hovered, BC empty', in the middle of the breath range, and readings of need."""
    hovered = (o.form == Form.HOVERED_CLOSED) & ~o.point
    rows = np.flatnonzero(hovered | (o.point & (o.form != Form.HABIT)))
    middle = o.lower[rows] + READ * hovered[rows]
    return _Known(middle - o.prior[rows], o.exposure[rows], o.diver[rows])


def _apart(exposure: FloatArray) -> list[int]:
    """Columns that neither a constant nor the columns before them already tell."""
    kept: list[int] = []
    for column in range(exposure.shape[1]):
        tried = _with_constant(exposure[:, [*kept, column]])
        if np.linalg.matrix_rank(tried, tol=1e-6 * np.sqrt(len(tried))) == tried.shape[1]:
            kept.append(column)
    return kept


def _with_constant(exposure: FloatArray) -> FloatArray:
    return np.column_stack([np.ones(len(exposure)), exposure])


def _mixed(known: _Known, asked: Asked) -> FloatArray:
    """statsmodels MixedLM with a random intercept for each diver; best linear prediction."""
    model = import_module("statsmodels.regression.mixed_linear_model").MixedLM
    kept = _apart(known.exposure)
    inside, outside = (_with_constant(each[:, kept]) for each in (known.exposure, asked.exposure))
    with warnings.catch_warnings():
        # A variance at its edge, or few rounds: the peer is then scored as it stands.
        warnings.simplefilter("ignore")
        fitted = model(known.excess, inside, groups=known.diver).fit(reml=True)
    slope, within = np.asarray(fitted.fe_params), float(fitted.scale)
    between = max(float(np.asarray(fitted.cov_re).reshape(-1)[0]), 0.0)
    left = known.excess - inside @ slope
    size = int(max(known.diver.max(), asked.diver.max())) + 1
    count, total = np.bincount(known.diver, minlength=size), np.bincount(known.diver, left, size)
    rows, whole = np.where(asked.diver < 0, size, asked.diver), np.append(count, 0)
    weight = whole * between / (within + whole * between)
    mean = np.append(total, 0.0) / np.maximum(whole, 1) * weight
    variance = between * (1 - weight[rows]) + within
    return normal(asked.prior + outside @ slope + mean[rows], np.sqrt(variance))


def mixed_model(o: Observations, asked: Asked) -> FloatArray:
    """statsmodels MixedLM, carried is needed."""
    return _mixed(_carried(o), asked)


def mixed_model_two_sided(o: Observations, asked: Asked) -> FloatArray:
    """statsmodels MixedLM on two-sided rows only."""
    return _mixed(_two_sided(o), asked)


def ridge(o: Observations, asked: Asked) -> FloatArray:
    """scikit-learn BayesianRidge with a column for each diver, carried is needed."""
    known, divers = _carried(o), np.arange(len(o.body_sd))

    def design(exposure: FloatArray, diver: IntArray) -> FloatArray:
        return np.hstack([exposure, (diver[:, None] == divers).astype(float)])

    fitted = import_module("sklearn.linear_model").BayesianRidge()
    fitted.fit(design(known.exposure, known.diver), known.excess)
    mean, sd = fitted.predict(design(asked.exposure, asked.diver), return_std=True)
    return normal(asked.prior + mean, sd)


def boosted(o: Observations, asked: Asked) -> FloatArray:
    """scikit-learn gradient-boosted quantiles, the diver as a category, carried is needed."""
    known = _carried(o)
    model = import_module("sklearn.ensemble").HistGradientBoostingRegressor
    inside = np.column_stack([known.exposure, known.diver])
    outside = np.column_stack([asked.exposure, np.where(asked.diver < 0, np.nan, asked.diver)])
    category = [inside.shape[1] - 1]
    found = [
        model(loss="quantile", quantile=q, categorical_features=category, random_state=0)
        .fit(inside, known.excess)
        .predict(outside)
        for q in COARSE
    ]
    # Learned one by one they may cross.
    ends = np.sort(np.stack(found, axis=1), axis=1)
    score, wanted = ndtri(np.array(COARSE)), ndtri(LEVELS)
    return np.stack([p + np.interp(wanted, score, row) for p, row in zip(asked.prior, ends, strict=True)])


PEERS: Final[dict[str, Peer]] = {
    "mixed model, two-sided rows": mixed_model_two_sided,
    "mixed model, carried is needed": mixed_model,
    "Bayesian ridge, carried is needed": ridge,
    "boosted quantiles, carried is needed": boosted,
}
"""All that answer within seconds."""


def variational(book: Any, *, seed: int, steps: int = 3000, draws: int = 2000, **_unused: Any) -> Any:
    """NumPyro's mean-field normal guide for the sampler's model, in the sampler's place.

    Parameters
    ----------
    book : tests.reference.theory.Book
        What was observed.
    seed : int
        Of the search and of the draws.
    steps, draws : int
        Steps of the search; draws from the guide.

    Returns
    -------
    tests.reference.nuts.Draws
        One chain.
    """
    import time
    from functools import partial

    import jax
    import numpyro
    from numpyro import infer

    nuts = import_module("tests.reference.nuts")
    begun = time.perf_counter()
    data = nuts.Constants(book.observations)
    centred = len(book.observations) > nuts.MANY * len(book.offset)
    model = partial(nuts._model, centred=centred)
    guide = infer.autoguide.AutoNormal(
        model, init_loc_fn=infer.init_to_value(values={"theta": np.zeros(len(nuts.CENTRE))})
    )
    search = infer.SVI(model, guide, numpyro.optim.Adam(0.01), infer.Trace_ELBO())
    first, second, third = jax.random.split(jax.random.PRNGKey(seed), 3)
    found = search.run(first, steps, data, progress_bar=False)
    samples = guide.sample_posterior(second, found.params, sample_shape=(draws,))
    sites = infer.Predictive(model, samples)(third, data)
    chain = (
        np.asarray(each)[None]
        for each in (sites["unconstrained"], samples["beta"], sites["last"], sites["in_suit"])
    )
    return nuts.Draws(*chain, 0, 1.0, time.perf_counter() - begun)
