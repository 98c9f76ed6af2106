"""Forecasts as mixtures of normal distributions, and the library that scores them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from importlib import import_module
from importlib.util import find_spec
from typing import Any, Final

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

from leadline.errors import LeadlineError
from leadline.frozen import dataclass

__all__ = ["Forecasts", "library", "require"]

FloatArray = NDArray[np.float64]

_CHUNK: Final = 500
"""Forecasts scored at a time: the score of a mixture needs every pair of its parts."""


def require(names: Sequence[str]) -> None:
    """See that the libraries are there which only the backtest needs, without loading them.

    Parameters
    ----------
    names : sequence of str
        Packages.

    Raises
    ------
    LeadlineError
        If any is not installed; the text names them, and what to install.
    """
    missing = [name for name in names if find_spec(name) is None]
    if missing:
        raise LeadlineError(
            f"the backtest needs {' and '.join(missing)}, not installed here; install what it needs with "
            "`pip install '.[backtest]'` in the folder that leadline was installed from"
        )


def library(name: str) -> Any:
    """A library that only the backtest needs, loaded when it is first asked for.

    Parameters
    ----------
    name : str
        Module, such as `sklearn.linear_model`.

    Returns
    -------
    module
        Loaded.

    Raises
    ------
    LeadlineError
        If it is not installed; the text names what to install.
    """
    require([name.partition(".")[0]])
    return import_module(name)


@dataclass(frozen=True)
class Forecasts:
    """*n* forecasts of a quantity, each a mixture of *g* normal distributions.

    Parameters
    ----------
    points, weights, sd : ndarray, shape (n, g)
        Means, weights (each row sums to 1) and sds of the parts. [kg, -, kg]
    """

    points: FloatArray
    weights: FloatArray
    sd: FloatArray

    @classmethod
    def normal(cls, mean: ArrayLike, sd: ArrayLike) -> Forecasts:
        """Forecasts with one part each: mean and sd, shape (n,). [kg]."""
        middle = np.atleast_1d(np.asarray(mean, float))[:, None]
        return cls(
            middle, np.ones(middle.shape), np.broadcast_to(np.asarray(sd, float)[..., None], middle.shape)
        )

    def __len__(self) -> int:
        return int(self.points.shape[0])

    def take(self, rows: NDArray[Any]) -> Forecasts:
        """Forecasts at `rows` (indices or a mask), in that order."""
        return Forecasts(self.points[rows], self.weights[rows], self.sd[rows])

    @property
    def mean(self) -> FloatArray:
        """Means, shape (n,). [kg]."""
        return np.asarray(np.sum(self.weights * self.points, axis=1))

    def noisy(self, noise: FloatArray) -> Forecasts:
        """Forecasts of a reading of the quantity that has noise of its own; noise of shape (n,). [kg]."""
        return replace(self, sd=np.hypot(self.sd, noise[:, None]))

    def doubted(self, wrong: FloatArray, *, spread: float) -> Forecasts:
        """Forecasts of a reading that is worthless with some chance.

        Parameters
        ----------
        wrong : ndarray, shape (n,)
            That chance. [-]
        spread : float
            Sd of a worthless reading around the middle of the forecast. [kg]

        Returns
        -------
        Forecasts
            With one part more.
        """
        share = wrong[:, None]
        return Forecasts(
            np.hstack([self.points, self.mean[:, None]]),
            np.hstack([self.weights * (1 - share), share]),
            np.hstack([self.sd, np.full(share.shape, spread)]),
        )

    def below(self, value: FloatArray) -> FloatArray:
        """Probability of less than `value`, shape (n,). [-]."""
        chance = np.sum(self.weights * ndtr((value[:, None] - self.points) / self.sd), axis=1)
        return np.asarray(np.minimum(chance, 1.0))  # of weights rounded up, as in `Stack`

    def crps(self, observed: FloatArray) -> FloatArray:
        """Continuous ranked probability score of each forecast, shape (n,); less is better. [kg].

        References
        ----------
        E. P. Grimit et al., "The continuous ranked probability score for circular variables ...", Q. J. R.
        Meteorol. Soc. 132 (2006) 2925-2942, doi:10.1256/qj.05.235 (normal mixtures), as scoringrules has it.
        """
        score = library("scoringrules").crps_mixnorm
        found = np.empty(len(self))
        for start in range(0, len(self), _CHUNK):
            part = slice(start, start + _CHUNK)
            found[part] = score(
                observed[part], self.points[part], self.sd[part], self.weights[part], backend="numpy"
            )
        return found
