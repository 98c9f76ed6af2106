"""Shared effects in kg, and the kit among them whose listed buoyancy the logs contradict.

Of many types some look wrong by chance alone. So each is held to the sharp question 'is the entry right?',
and of those named the expected share of false ones is kept down.

References
----------
Y. Benjamini and Y. Hochberg, "Controlling the false discovery rate", J. R. Stat. Soc. B 57(1) (1995)
289-300, doi:10.1111/j.2517-6161.1995.tb02031.x; R. Bourgon, R. Gentleman and W. Huber, "Independent
filtering increases detection power for high-throughput experiments", PNAS 107(21) (2010) 9546-9551,
doi:10.1073/pnas.0914005107 (why what was hardly learned of may be left out beforehand).
"""

from __future__ import annotations

import os
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from leadline.decide.exact import exact_sums, nearest
from leadline.decide.findings import Contradiction, Effect
from leadline.model.freed import freed
from leadline.model.observations import Observations
from leadline.model.population import Fit
from leadline.physics.ledger import CATALOGUE

__all__ = ["Touch", "contradictions", "effects", "false_rates", "touch"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

TWO_SIDED: Final = 1.959964
"""Standard normal quantile of 0.975, for a 95 % interval."""

FALSE_RATE: Final = 0.05
"""Expected share of false ones among the kit that is named. [-]"""

MATTERS: Final = 0.25
"""Half a block: an error of this size matters however wide the entry's own sd. [kg]"""

BEYOND: Final = 2.0
"""Sds of the entry beyond which it was too sure of itself. [-]"""

LEARNED: Final = 0.1
"""Share by which the logs must have narrowed an effect before it is asked about at all, [-]"""

SURELY: Final = 1e-4
"""unless chance alone would hardly ever take it so far: an entry that is very sure of itself is narrowed by
nothing, and answers hold on to it the longest. [-]"""

KIT: Final = frozenset(
    {
        "foam",
        "foam_compression",
        "foam_age",
        "dry_gas",
        "bc_jacket",
        "bc_wing",
        "cylinder_aluminium",
        "cylinder_steel",
        "hood",
        "gloves",
        "boots",
        "unlisted",
    }
)
"""Shared uncertainties about kit, besides the types of the gear table."""


AT_ONCE: Final = 1 << 14
"""Rows whose squares are held at once. [-]"""


class Touch(NamedTuple):
    """How much some records touch each shared effect.

    Parameters
    ----------
    names : tuple of str, length p
        Of the effects.
    rows : ndarray of int, shape (p,)
        Rows with any exposure. [-]
    seen : ndarray of int, shape (p,)
        Of these the observations: leads that were merely chosen left out. [-]
    squares : tuple of int, length p
        Sums of the squared exposures, as `leadline.decide.exact.exact_sums` has them: those of parts of the
        records then add up to the same to the bit. [kg²]
    signed : tuple of int, length p
        The same, each square with the sign of its exposure. [kg²]
    """

    names: tuple[str, ...]
    rows: IntArray
    seen: IntArray
    squares: tuple[int, ...]
    signed: tuple[int, ...]


def touch(observations: Observations) -> Touch:
    """How much these records touch each shared effect; touches of parts of the records add up."""
    exposure, seen = observations.exposure, observations.seen

    def counted(first: int) -> tuple[IntArray, IntArray, FloatArray, FloatArray, list[int]]:
        some = exposure[first : first + AT_ONCE]
        touched = some != 0.0
        of_seen = touched[seen[first : first + AT_ONCE]]
        ends = some.min(axis=0, initial=0.0), some.max(axis=0, initial=0.0)
        return touched.sum(axis=0), of_seen.sum(axis=0), *ends, exact_sums(some * some)

    def mixed(first: int) -> list[int]:
        some = exposure[first : first + AT_ONCE, both]
        return exact_sums(some * np.abs(some))

    firsts = range(0, max(len(exposure), 1), AT_ONCE)
    # Sums of parts are exact, so it does not matter who adds up which.
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        rows, of_seen, lows, highs, squares = zip(*pool.map(counted, firsts), strict=True)
        low, high = np.min(lows, axis=0), np.max(highs, axis=0)
        both = np.flatnonzero((low < 0) & (high > 0))
        by_sign = [sum(part) for part in zip(*pool.map(mixed, firsts), strict=True)]
    whole = [sum(part) for part in zip(*squares, strict=True)]
    signed = [total if top > 0 else -total for total, top in zip(whole, high.tolist(), strict=True)]
    for column, total in zip(both.tolist(), by_sign, strict=True):
        signed[column] = total
    return Touch(
        observations.names, np.sum(rows, axis=0), np.sum(of_seen, axis=0), tuple(whole), tuple(signed)
    )


def effects(touched: Touch, fit: Fit) -> tuple[Effect, ...]:
    """Shared effects that some record touches, in kg at their usual size, the largest first.

    Parameters
    ----------
    touched : Touch
        By the records that the fit saw.
    fit : Fit
        Of the same exposures.

    Returns
    -------
    tuple of Effect
        Usual size: root of the mean square exposure where it applies, with the sign that most of the squares
        have. Leads that were merely chosen do not count among the observations.

    Notes
    -----
    More of some effects is less need: a head that is further out of the water than reckoned weighs more. Such
    exposures are negative, and a positive effect then takes lead off.
    """
    if not touched.rows.any():
        return ()
    squares = np.array([nearest(total) for total in touched.squares])
    size = np.sqrt(squares / np.maximum(touched.rows, 1))
    moved = fit.mean * np.array([-1.0 if total < 0 else 1.0 for total in touched.signed])
    sd = np.sqrt(np.diag(fit.covariance))
    found = [
        Effect(
            name,
            CATALOGUE.get(name, name.removeprefix("type:")),
            float(mean * scale),
            float(wide * scale),
            float((mean - TWO_SIDED * wide) * scale),
            float((mean + TWO_SIDED * wide) * scale),
            float(scale),
            int(count),
        )
        for name, mean, wide, scale, count in zip(fit.names, moved, sd, size, touched.seen, strict=True)
        if scale
    ]
    return tuple(sorted(found, key=lambda effect: -abs(effect.kg)))


def false_rates(chances: FloatArray) -> FloatArray:
    """Expected share of false ones if all with at most this chance are named.

    Parameters
    ----------
    chances : ndarray, shape (n,)
        Chance of evidence at least as strong if nothing is wrong. [-]

    Returns
    -------
    ndarray, shape (n,)
        By the rule of Benjamini and Hochberg. [-]

    Examples
    --------
    >>> false_rates(np.array([0.01, 0.5, 0.02])).tolist()
    [0.03, 0.5, 0.03]
    """
    count = len(chances)
    order = np.argsort(chances, kind="stable")
    stepped = chances[order] * count / np.arange(1, count + 1)
    found = np.empty(count)
    found[order] = np.minimum(np.minimum.accumulate(stepped[::-1])[::-1], 1.0)
    return found


def contradictions(found: Sequence[Effect], fit: Fit | None = None) -> tuple[Contradiction, ...]:
    """Kit whose entry, or whose usual buoyancy, the logs contradict.

    Parameters
    ----------
    found : sequence of Effect
        All shared effects.
    fit : Fit, optional
        That they are of; without it they are taken as known apart from each other.

    Returns
    -------
    tuple of Contradiction
        The surest first: the 95 % interval leaves out 0, the error is beyond 2 sds of the entry or matters
        in kg, and at most 5 % of those named are expected to be false. Where the entry is so sure of itself
        that the logs hardly move it, less than one chance in ten thousand and what the logs alone say of the
        error count instead.

    Notes
    -----
    With an entry that is right (effect 0, the others as their priors say) the posterior mean is normal with
    variance r (1 - r), r the share of the prior variance that was learned: more than the data's own error,
    for it is shrunk, less than the posterior variance.

    An entry that is far off drags others along: its prior holds it back, and what is left over of the error
    goes to whatever its divers wear besides. So of each that is named the entry is set aside before the
    others are asked once more.
    """
    asked = [
        effect
        for effect in found
        if (effect.name.startswith("type:") or effect.name in KIT)
        and effect.prior_sd_kg > 0
        and _told(effect.kg / effect.prior_sd_kg, effect.kg_sd / effect.prior_sd_kg)
    ]
    if not asked:
        return ()
    before = np.array([effect.prior_sd_kg for effect in asked])
    mean, covariance, at = _shared(asked, before, fit)
    chance, named = np.ones(len(asked)), np.zeros(0, np.int64)
    while True:
        left = _left(mean, covariance, at, named)
        open_ = np.setdiff1d(np.arange(len(asked)), named)
        chance[open_] = _chance(*left)[open_]
        rate = false_rates(chance)
        wrong = open_[((rate <= FALSE_RATE) & _matter(*left, before))[open_]]
        if not len(wrong):
            break
        named = np.append(named, wrong[np.argmin(chance[wrong])])
    # Effects are in kg of need; the fit's means have the sign of their exposures besides.
    signed = np.where(np.array([effect.kg for effect in asked]) * mean[at] < 0, -before, before)
    alone = freed(mean, covariance, at[named])[0][at] * signed
    return tuple(
        Contradiction(
            (e := asked[i]).name,
            e.label,
            e.kg,
            e.low_kg,
            e.high_kg,
            float(alone[i]),
            e.kg / e.prior_sd_kg,
            float(rate[i]),
            e.rows,
        )
        for i in named
    )


def _shared(
    asked: Sequence[Effect], before: FloatArray, fit: Fit | None
) -> tuple[FloatArray, FloatArray, NDArray[np.int64]]:
    """Means and covariance in prior sds, and where in them each effect is."""
    if fit is None:
        kg, sd = (np.array([getattr(effect, name) for effect in asked]) for name in ("kg", "kg_sd"))
        return kg / before, np.diag((sd / before) ** 2), np.arange(len(asked))
    place = {name: i for i, name in enumerate(fit.names)}
    return fit.mean, fit.covariance, np.array([place[effect.name] for effect in asked])


def _left(
    mean: FloatArray, covariance: FloatArray, at: NDArray[np.int64], named: NDArray[np.int64]
) -> tuple[FloatArray, FloatArray]:
    """Means and sds of all, in prior sds, with the entries of those named set aside."""
    centre, spread = freed(mean, covariance, at[named])
    return centre[at], np.sqrt(np.diag(spread))[at]


def _chance(mean: FloatArray, sd: FloatArray) -> FloatArray:
    """Chance of a mean as far from 0 with an entry that is right."""
    from scipy.special import ndtr

    learned = np.maximum(1 - sd**2, 1e-12)
    return np.asarray(2 * ndtr(-np.abs(mean) / (sd * np.sqrt(learned))))


def _told(mean: FloatArray | float, sd: FloatArray | float) -> NDArray[np.bool_]:
    """Whether the logs say enough of effects to be asked, in sds of the entries."""
    moved, spread = np.asarray(mean, float), np.asarray(sd, float)
    return np.asarray((spread < 1 - LEARNED) | (_chance(moved, spread) < SURELY))


def _matter(mean: FloatArray, sd: FloatArray, before: FloatArray) -> NDArray[np.bool_]:
    """Whether the interval leaves out 0, and the error is of a size that counts.

    Of an entry that is surely wrong by the size that the logs by themselves give it: answers go hardly any of
    the way there.
    """
    moved = np.abs(mean)
    far = (moved * before >= MATTERS) | (moved > BEYOND)
    sure = (_chance(mean, sd) < SURELY) & (moved * before >= MATTERS * (1 - sd**2))
    return np.asarray(_told(mean, sd) & ((far & (moved > TWO_SIDED * sd)) | sure))
