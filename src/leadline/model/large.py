"""A fit of any size: the search on a sample of divers where there are many, the last steps on all."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.climb import ROUGHLY, Climb
from leadline.model.hyperparameters import CENTRE, SPREAD, Hyperparameters
from leadline.model.mode import MOST_LEFT
from leadline.model.observations import Observations
from leadline.model.partition import Holder
from leadline.model.population import Fit, fit, likeliest, prior_fit, unsettled
from leadline.model.sites import Propagation

__all__ = [
    "FEW",
    "ROUGHLY",
    "SAMPLES",
    "drawn",
    "fit_any_size",
    "fit_held",
    "fit_with_sites",
    "has_the_say",
    "likeliest_any_size",
    "likeliest_drawn",
    "sampled",
]

FloatArray = NDArray[np.float64]

FEW: Final = 10_000
"""Rows up to which the whole book is searched as it is. [-]"""

SAMPLES: Final = (4_000, 30_000, 200_000)
"""Rows of the samples on which the hyperparameters are sought, one after the other; from the last they are
learned, if there are more than twice as many: their posterior sds are a few hundredths then. [-]"""

SEED: Final = 20_260_401


def sampled(observations: Observations, rows: int) -> NDArray[np.bool_]:
    """Rows of as many divers, drawn by lot, as it takes to have so many rows; shape (m,).

    The lot depends on the number of divers alone, so the same book gives the same sample.
    """
    return np.asarray(drawn(np.bincount(observations.diver), rows)[observations.diver])


def drawn(counts: NDArray[np.int64], rows: int) -> NDArray[np.bool_]:
    """The same by diver, from how many rows each has; shape (d,)."""
    lot = np.random.default_rng(SEED).permutation(len(counts))
    taken = np.zeros(len(counts), bool)
    taken[lot[: int(np.searchsorted(np.cumsum(counts[lot]), rows)) + 1]] = True
    return taken


def fit_any_size(
    observations: Observations,
    *,
    few: int = FEW,
    samples: Sequence[int] = SAMPLES,
    notify: Callable[[str], None] | None = None,
) -> Fit:
    """Fit the population to all observations, however many.

    Parameters
    ----------
    observations : Observations
        Any number of rows.
    few : int
        Up to so many, `fit` does it.
    samples : sequence of int
        Rows of the samples from which the hyperparameters are learned first; those that make up less than
        half of all are taken.
    notify : callable, optional
        Called with a short text as the work goes on.

    Returns
    -------
    Fit
        Of all rows.

    Raises
    ------
    FitError
        If it does not converge; such a fit must not be stored.

    Notes
    -----
    The divers' own slopes of the evidence, squared and summed, are the curvature that the evidence of very
    many divers has (Berndt, Hall, Hall and Hausman, 1974): in hyperparameters and shared effects together, so
    that it is known too how the latter move with the former. So a step of Newton's rule costs one settling.
    Each sample begins where a smaller one has its mode; where there are very many rows, the last sample has
    the say. The posterior of the hyperparameters is normal, as wide as that curvature has it where the model
    describes the book; what the next step would be is added to its width. Shared effects and sites are
    those of all rows.
    """
    return fit_with_sites(observations, few=few, samples=samples, notify=notify)[0]


def fit_with_sites(
    observations: Observations,
    *,
    few: int = FEW,
    samples: Sequence[int] = SAMPLES,
    notify: Callable[[str], None] | None = None,
) -> tuple[Fit, Propagation | None]:
    """As `fit_any_size`, with the settled sites of all rows where they are at hand; else None."""
    o = observations
    if len(o) <= few:
        return fit(o, notify=notify), None
    climb = _over_samples(_drawing(o), len(o), o.n_exposures, samples, notify)
    if notify:
        notify(f"shared effects of {len(o.body_sd)} divers")
    settled = climb.stay(o) if has_the_say(samples, len(o)) else climb.up(o)
    return _whole(climb, settled, o.names, len(o), len(o.body_sd)), settled


def has_the_say(samples: Sequence[int], rows: int) -> bool:
    """Whether the last sample has the say on the hyperparameters of so many rows."""
    return bool(samples) and 2 * samples[-1] < rows


def fit_held(
    holder: Holder,
    draw: Callable[[int], Observations],
    *,
    names: tuple[str, ...],
    rows: int,
    divers: int,
    samples: Sequence[int] = SAMPLES,
    notify: Callable[[str], None] | None = None,
) -> Fit:
    """Fit the population to rows that stand elsewhere, where the last sample has the say.

    Parameters
    ----------
    holder : Holder
        Who has them.
    draw : callable
        The rows of a sample of so many; as `sampled` has them.
    names : tuple of str
        Names of the exposures.
    rows, divers : int
        How many there are; more than twice as many rows as the last sample has.
    samples, notify
        As for `fit_any_size`.

    Returns
    -------
    Fit
        To the bit what `fit_any_size` finds.

    Raises
    ------
    FitError
        If it does not converge; such a fit must not be stored.
    """
    climb = _over_samples(draw, rows, len(names), samples, notify)
    if notify:
        notify(f"shared effects of {divers} divers")
    return _whole(climb, climb.stay(holder), names, rows, divers)


def _drawing(o: Observations) -> Callable[[int], Observations]:
    return lambda rows: o.take(sampled(o, rows))


def _over_samples(
    draw: Callable[[int], Observations],
    count: int,
    columns: int,
    samples: Sequence[int],
    notify: Callable[[str], None] | None = None,
) -> Climb:
    """A climb from the prior over larger and larger samples, those of less than half of all rows."""
    climb = Climb(np.zeros(len(CENTRE)), np.zeros(columns), np.eye(columns))
    for rows in samples:
        if 2 * rows < count:
            if notify:
                notify(f"hyperparameters of {rows} observations")
            climb.up(draw(rows))
    return climb


def likeliest_any_size(
    observations: Observations, *, few: int = SAMPLES[0], samples: Sequence[int] = SAMPLES[:2]
) -> tuple[Hyperparameters, int]:
    """Hyperparameters at their mode, and the rows that had a say.

    Parameters
    ----------
    observations : Observations
        Any number of rows; none gives the prior medians.
    few, samples : int, sequence of int
        As for `fit_any_size`; of more rows than that the last sample stands for all.

    Raises
    ------
    FitError
        If it does not converge.
    """
    if len(observations) <= few:
        return likeliest(observations), len(observations)
    o = observations
    if has_the_say(samples, len(o)):
        return likeliest_drawn(_drawing(o), rows=len(o), columns=o.n_exposures, samples=samples)
    climb = _over_samples(_drawing(o), len(o), o.n_exposures, samples)
    climb.up(o)
    return Hyperparameters.from_vector(CENTRE + SPREAD * climb.point), climb.rows


def likeliest_drawn(
    draw: Callable[[int], Observations], *, rows: int, columns: int, samples: Sequence[int]
) -> tuple[Hyperparameters, int]:
    """The same where the last sample stands for all; `draw` as for `fit_held`."""
    climb = _over_samples(draw, rows, columns, samples)
    return Hyperparameters.from_vector(CENTRE + SPREAD * climb.point), climb.rows


def _whole(climb: Climb, settled: Propagation, names: tuple[str, ...], rows: int, divers: int) -> Fit:
    """The fit where the climb has ended."""
    width = np.linalg.inv(climb.curve)
    moves = np.abs(climb.step) / np.sqrt(np.diag(width))
    left = float(moves.max())
    if left > MOST_LEFT:
        raise unsettled(moves, climb.calls, several=climb.several)
    # What is still to come is not known any better than that.
    width += np.outer(climb.step, climb.step)
    design = (prior_fit().vectors - CENTRE) / SPREAD
    apart = design @ np.linalg.cholesky((width + width.T) / 2).T
    vector = CENTRE + SPREAD * climb.point
    diagnostics = {
        "observations": float(rows),
        "divers": float(divers),
        "log_evidence": settled.log_evidence,
        "rounds": float(climb.rounds),
        "calls": float(climb.calls),
        "sweeps": float(climb.sweeps),
        "settled_sweeps": float(settled.sweeps),
        "left": left,
        "sampled_observations": float(climb.rows),
    }
    return Fit(
        names,
        settled.mean,
        settled.precision,
        Hyperparameters.from_vector(vector),
        SPREAD * np.sqrt(np.diag(width)),
        diagnostics,
        vector + SPREAD * apart,
        np.full(len(apart), 1 / len(apart)),
        settled.mean + apart @ climb.follow.T,
    )
