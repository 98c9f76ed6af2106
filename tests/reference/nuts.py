"""The engine's model in NumPyro, and its posterior by the no-U-turn sampler.

Written from the model's description alone; nothing of the engine is used but the words (`Form`) and the
hyperpriors, so that an error there cannot hide here.

References
----------
M. D. Hoffman and A. Gelman, "The No-U-Turn Sampler", JMLR 15 (2014) 1593-1623;
D. Phan, N. Pradhan and M. Jankowiak, "Composable effects for flexible and accelerated probabilistic
programming in NumPyro", arXiv:1912.11554.
"""

from __future__ import annotations

import os
import time
from dataclasses import dataclass
from functools import partial
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.model.hyperparameters import CENTRE, SPREAD
from leadline.model.observations import Form, Observations

from .theory import LIGHT_PART, POINT_RANGE, Book, chances, knots, last_knots

os.environ.setdefault("XLA_FLAGS", "--xla_force_host_platform_device_count=2")

import jax
import jax.numpy as jnp
import numpyro
import numpyro.distributions as dist
from jax.scipy.special import ndtr
from numpyro.infer import MCMC, NUTS, init_to_median, init_to_value

numpyro.enable_x64()

FloatArray = NDArray[np.float64]

LEAST_READING_SD: Final = 0.15
FAR: Final = 1e3
"""Stands for infinite bounds, so that derivatives stay finite. [kg]"""

MANY: Final = 15
"""Rows a diver from which offsets are sampled around what the effects above them leave."""

LOG_SQRT_2PI: Final = 0.9189385332046727


@dataclass(frozen=True)
class Draws:
    """Draws of what is compared; chains, then draws.

    Parameters
    ----------
    theta : ndarray, shape (chains, n, 14)
        Unconstrained hyperparameters.
    beta : ndarray, shape (chains, n, p)
    offset : ndarray, shape (chains, n, divers)
        Each diver's offset at the last time. [kg]
    suit : ndarray, shape (chains, n, suits)
        Each diver in each suit, in prior sds.
    divergences : int
    steps : float
        Mean number of gradients for a draw.
    seconds : float
        Wall time, compilation included.
    """

    theta: FloatArray
    beta: FloatArray
    offset: FloatArray
    suit: FloatArray
    divergences: int
    steps: float
    seconds: float


class Constants:
    """Constant arrays of a book."""

    def __init__(self, o: Observations) -> None:
        self.knot, self.knot_diver, self.elapsed, self.jumped = knots(o)
        self.last = last_knots(o)
        self.body_sd, self.divers, self.suits = o.body_sd, len(o.body_sd), int(o.suit.max()) + 1
        first = np.flatnonzero(np.diff(self.knot_diver, prepend=-1))
        self.place = np.arange(len(self.knot_diver)) - first[self.knot_diver]
        self.longest = int(self.place.max()) + 1
        counts = np.bincount(o.occasion)
        shared = counts > 1
        self.shared = shared[o.occasion]
        self.occasions = int(shared.sum())
        self.label = np.where(self.shared, np.cumsum(shared)[o.occasion] - 1, 0)
        self.moves = np.flatnonzero((self.elapsed > 0) | (self.jumped > 0))
        zones = np.flatnonzero(~o.point)
        self.zones, self.points = zones, np.flatnonzero(o.point)
        self.kinds, self.kind = np.unique(
            np.column_stack([o.form[zones], o.fit[zones]]), axis=0, return_inverse=True
        )
        self.kind = self.kind.reshape(-1)
        self.habit = o.form[self.points] == Form.HABIT
        self.lower, self.upper = np.clip(o.lower, -FAR, FAR), np.clip(o.upper, -FAR, FAR)
        # Means over the rows of a suit or diver, around which the offsets may be sampled.
        self.suit_exposure = _mean(o.exposure, o.suit, self.suits)
        self.suit_weight = np.maximum(_mean(o.suit_weight, o.suit, self.suits), 0.1)
        self.diver_exposure = _mean(o.exposure, o.diver, self.divers)
        self.o = o


def _mean(values: Any, label: NDArray[np.int64], count: int) -> Any:
    """Means over the rows of each label; labels ascend."""
    total = jax.ops.segment_sum(values, label, count, indices_are_sorted=True)
    rows = np.bincount(label, minlength=count).astype(float)
    return total / rows.reshape((-1,) + (1,) * (np.ndim(values) - 1))


def _walked(data: Constants, t: Any, raw: Any) -> Any:
    """Walk of each knot's diver up to that knot."""
    steps = jnp.zeros(len(data.elapsed))
    variance = jnp.exp(2 * t[13]) * data.elapsed[data.moves] + data.jumped[data.moves]
    steps = steps.at[data.moves].set(jnp.sqrt(variance) * raw)
    grid = jnp.zeros((data.divers, data.longest)).at[data.knot_diver, data.place].set(steps)
    total = grid @ np.triu(np.ones((data.longest, data.longest)))
    return total[data.knot_diver, data.place]


def log_likelihood(data: Constants, t: Any, need: Any) -> Any:
    """Of all rows, given need (any shared scatter included) and the unconstrained hyperparameters."""
    o = data.o
    scatter, breath_out, breath_in = jnp.exp(t[3]), jnp.exp(t[4]), jnp.exp(t[5])
    own = np.where(data.shared, np.maximum(o.reading_sd, LEAST_READING_SD), o.reading_sd)
    sd = jnp.sqrt(own**2 + jnp.where(data.shared, 0.0, scatter**2))
    z = data.zones
    middle = data.lower[z] - jnp.minimum(LIGHT_PART, breath_in) * o.lower_breath[z]
    upper = data.upper[z] + breath_out * o.upper_breath[z]
    lower = data.lower[z] - breath_in * o.lower_breath[z]
    chance = chances(data.kinds, t, jnp)
    steps = (chance[:, 1:] - chance[:, :-1])[data.kind]
    scores = (jnp.stack([upper, middle, lower], axis=-1) - need[z, None]) / sd[z, None]
    # No chance is zero, so that the sum cannot cancel.
    total = jnp.sum(jnp.log(chance[data.kind, 0] + jnp.sum(steps * ndtr(scores), axis=-1)))
    if not len(data.points):
        return total
    p, wrong = data.points, jax.nn.sigmoid(t[6])
    reading = data.lower[p] - data.habit * t[11]
    noise = jnp.sqrt(sd[p] ** 2 + data.habit * jnp.exp(2 * t[12]))
    good = -0.5 * ((reading - need[p]) / noise) ** 2 - jnp.log(noise) - LOG_SQRT_2PI
    mixed = jnp.logaddexp(jnp.log1p(-wrong) + good, jnp.log(wrong / POINT_RANGE))
    return total + jnp.sum(jnp.where(data.habit, good, mixed))


def _effects(name: str, sd: Any, above: Any, *, centred: bool) -> Any:
    """Normal effects of the given sds, sampled as they are in units of the sd, or added to what is above."""
    if not len(above):
        return jnp.zeros(1)
    if centred:
        return numpyro.sample(name, dist.Normal(above, sd).to_event(1)) - above
    return sd * numpyro.sample(name, dist.Normal(0, 1).expand([len(above)]).to_event(1))


def _model(data: Constants, *, centred: bool) -> None:
    """The whole model.

    With few rows a diver, effects are sampled in units of their sds. With many, the sum of all effects on a
    suit is known far better than the share of each: then such sums are sampled instead, the same distribution
    in coordinates that hang together less.
    """
    o = data.o
    t = CENTRE + SPREAD * numpyro.sample("theta", dist.Normal(0, 1).expand([len(CENTRE)]).to_event(1))
    beta = numpyro.sample("beta", dist.Normal(0, 1).expand([o.exposure.shape[1]]).to_event(1))
    walk = jnp.zeros(len(data.elapsed))
    if len(data.moves):
        walk = _walked(data, t, _effects("walk", 1.0, np.zeros(len(data.moves)), centred=False))
    diver_sd = jnp.sqrt(jnp.exp(2 * t[0]) + jnp.exp(2 * t[1]) * data.body_sd**2)
    shared = data.diver_exposure @ beta + _mean(walk[data.knot], o.diver, data.divers)
    offset = _effects("offset", diver_sd, shared, centred=centred)
    at = offset[data.knot_diver] + walk
    rest = data.suit_exposure @ beta + _mean(at[data.knot], o.suit, data.suits)
    suit = _effects("suit", jnp.exp(t[2]) * data.suit_weight, rest, centred=centred) / data.suit_weight
    need = o.prior + o.exposure @ beta + at[data.knot] + o.suit_weight * suit[o.suit]
    scatter = _effects("scatter", jnp.exp(t[3]), np.zeros(data.occasions), centred=False)
    need = need + jnp.where(data.shared, scatter[data.label], 0.0)
    numpyro.factor("records", log_likelihood(data, t, need))
    numpyro.deterministic("last", at[data.last])
    numpyro.deterministic("in_suit", suit)
    numpyro.deterministic("unconstrained", t)


def sample(
    book: Book,
    *,
    seed: int,
    warmup: int,
    draws: int,
    chains: int = 2,
    target: float = 0.8,
    middling: bool = False,
) -> Draws:
    """Posterior of a book.

    Parameters
    ----------
    book : Book
        What was observed.
    seed : int
        Of the sampler.
    warmup, draws, chains : int
        Length and number of chains.
    target : float
        Acceptance aimed at.
    middling : bool
        Whether needs, too, begin in the middle of their prior, not only hyperparameters. From needs drawn far
        off nearly all records look wrong, and where the world is not the model's a chain can stay there: nine
        records of ten wrong, forty nats and more below the posterior's mode.

    Returns
    -------
    Draws
    """
    data, begun = Constants(book.observations), time.perf_counter()
    # Another module may have started the library with one device for all chains.
    method = "parallel" if jax.local_device_count() >= chains else "vectorized"
    many = len(book.observations) > MANY * len(book.offset)
    kernel = NUTS(
        partial(_model, centred=many),
        target_accept_prob=target,
        dense_mass=[("theta", "beta")],
        init_strategy=(
            init_to_median(num_samples=50)
            if middling
            else init_to_value(values={"theta": np.zeros(len(CENTRE))})
        ),
    )
    run = MCMC(
        kernel,
        num_warmup=warmup,
        num_samples=draws,
        num_chains=chains,
        chain_method=method,
        progress_bar=False,
    )
    run.run(jax.random.PRNGKey(seed), data, extra_fields=("diverging", "num_steps"))
    found, extra = run.get_samples(group_by_chain=True), run.get_extra_fields(group_by_chain=True)
    return Draws(
        np.asarray(found["unconstrained"]),
        np.asarray(found["beta"]),
        np.asarray(found["last"]),
        np.asarray(found["in_suit"]),
        int(np.sum(np.asarray(extra["diverging"]))),
        float(np.mean(np.asarray(extra["num_steps"]))),
        time.perf_counter() - begun,
    )
