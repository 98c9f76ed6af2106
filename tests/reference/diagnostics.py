"""Summaries of draws with their Monte-Carlo errors.

References
----------
A. Vehtari, A. Gelman, D. Simpson, B. Carpenter and P.-C. Bürkner, "Rank-normalization, folding, and
localization: an improved R-hat", Bayesian Analysis 16 (2021) 667-718, doi:10.1214/20-BA1221.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

__all__ = ["QUANTILES", "effective", "summary"]

FloatArray = NDArray[np.float64]

QUANTILES: Final = (0.025, 0.5, 0.975)


def _split(draws: FloatArray) -> FloatArray:
    half = draws.shape[1] // 2
    return np.concatenate([draws[:, :half], draws[:, -half:]])


def _normal_scores(draws: FloatArray) -> FloatArray:
    """Ranks of all draws of each quantity as normal scores."""
    from scipy.special import ndtri
    from scipy.stats import rankdata

    flat = draws.reshape(-1, draws.shape[-1])
    return np.asarray(ndtri((rankdata(flat, axis=0) - 0.375) / (len(flat) + 0.25)).reshape(draws.shape))


def effective(draws: FloatArray) -> FloatArray:
    """Effective sample size of the mean of each quantity; `draws` has shape (chains, n, k)."""
    from numpyro.diagnostics import effective_sample_size

    return np.asarray(effective_sample_size(_split(draws)))


def _quantile_error(draws: FloatArray, at: float) -> FloatArray:
    """Monte-Carlo error of a quantile: half the distance of the order statistics one sd to either side."""
    from scipy.stats import beta

    flat = np.sort(draws.reshape(-1, draws.shape[-1]), axis=0)
    hits = (draws <= np.quantile(flat, at, axis=0)).astype(float)
    size = effective(hits)
    ends = [beta.ppf(p, size * at + 1, size * (1 - at) + 1) for p in (0.1586553, 0.8413447)]
    index = [np.clip((e * len(flat)).astype(int), 0, len(flat) - 1) for e in ends]
    column = np.arange(flat.shape[1])
    return np.asarray((flat[index[1], column] - flat[index[0], column]) / 2)


def summary(draws: FloatArray) -> dict[str, FloatArray]:
    """Mean, sd, quantiles and how well they are known.

    Parameters
    ----------
    draws : ndarray, shape (chains, n, k)

    Returns
    -------
    dict
        `mean`, `sd`, `mcse` (of the mean), `ess_bulk`, `ess_tail`, `rhat`, each of shape (k,);
        `quantiles` and `mcse_quantiles`, shape (k, 3).
    """
    from numpyro.diagnostics import split_gelman_rubin

    flat = draws.reshape(-1, draws.shape[-1])
    tails = [effective((draws <= np.quantile(flat, p, axis=0)).astype(float)) for p in (0.05, 0.95)]
    scores = _normal_scores(draws)
    sd = flat.std(axis=0, ddof=1)
    return {
        "mean": flat.mean(axis=0),
        "sd": sd,
        "mcse": sd / np.sqrt(effective(draws)),
        "quantiles": np.quantile(flat, QUANTILES, axis=0).T,
        "mcse_quantiles": np.stack([_quantile_error(draws, p) for p in QUANTILES], axis=-1),
        "ess_bulk": effective(scores),
        "ess_tail": np.minimum(*tails),
        "rhat": np.asarray(split_gelman_rubin(scores)),
    }
