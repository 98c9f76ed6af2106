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

from collections.abc import Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.findings import Contradiction, Effect
from leadline.evidence.gather import Evidence
from leadline.evidence.statement import HABIT
from leadline.model.population import Fit

__all__ = ["contradictions", "effects", "false_rates"]

FloatArray = NDArray[np.float64]

TWO_SIDED: Final = 1.959964
"""Standard normal quantile of 0.975, for a 95 % interval."""

FALSE_RATE: Final = 0.05
"""Expected share of false ones among the kit that is named. [-]"""

MATTERS: Final = 0.25
"""Half a block: an error of this size matters however wide the entry's own sd. [kg]"""

BEYOND: Final = 2.0
"""Sds of the entry beyond which it was too sure of itself. [-]"""

LEARNED: Final = 0.1
"""Share by which the logs must have narrowed an effect before it is asked about at all. [-]"""

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


def effects(evidence: Evidence, fit: Fit) -> tuple[Effect, ...]:
    """Shared effects that some record touches, in kg at their usual size, the largest first.

    Parameters
    ----------
    evidence : Evidence
        That the fit saw; m >= 1 rows.
    fit : Fit
        Of the same exposures.

    Returns
    -------
    tuple of Effect
        Usual size: root of the mean square exposure where it applies. Leads that were merely chosen do not
        count among the observations.
    """
    exposure = evidence.observations.exposure
    rows = np.count_nonzero(exposure, axis=0)
    size = np.sqrt(np.einsum("ij,ij->j", exposure, exposure) / np.maximum(rows, 1))
    sd = np.sqrt(np.diag(fit.covariance))
    seen = rows - np.count_nonzero(exposure[evidence.statements.kind == HABIT], axis=0)
    labels = dict(zip(evidence.observations.names, evidence.labels, strict=True))
    found = [
        Effect(
            name,
            labels.get(name, name),
            float(mean * scale),
            float(wide * scale),
            float((mean - TWO_SIDED * wide) * scale),
            float((mean + TWO_SIDED * wide) * scale),
            float(scale),
            int(count),
        )
        for name, mean, wide, scale, count in zip(fit.names, fit.mean, sd, size, seen, strict=True)
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


def contradictions(found: Sequence[Effect]) -> tuple[Contradiction, ...]:
    """Kit whose entry, or whose usual buoyancy, the logs contradict.

    Parameters
    ----------
    found : sequence of Effect
        All shared effects.

    Returns
    -------
    tuple of Contradiction
        The surest first: the 95 % interval leaves out 0, the error is beyond 2 sds of the entry or matters
        in kg, and at most 5 % of those named are expected to be false.

    Notes
    -----
    With an entry that is right (effect 0, the others as their priors say) the posterior mean is normal with
    variance r (1 - r), r the share of the prior variance that was learned: more than the data's own error,
    for it is shrunk, less than the posterior variance.
    """
    from scipy.special import ndtr

    asked = [
        effect
        for effect in found
        if (effect.name.startswith("type:") or effect.name in KIT)
        and effect.prior_sd_kg > 0
        and effect.kg_sd < (1 - LEARNED) * effect.prior_sd_kg
    ]
    if not asked:
        return ()
    kg, sd, before = (np.array([getattr(e, n) for e in asked]) for n in ("kg", "kg_sd", "prior_sd_kg"))
    learned = 1 - (sd / before) ** 2
    chance = 2 * ndtr(-np.abs(kg) / (sd * np.sqrt(learned)))
    rate = false_rates(chance)
    sure = (rate <= FALSE_RATE) & (np.abs(kg) > TWO_SIDED * sd)
    named = np.flatnonzero(sure & ((np.abs(kg) >= MATTERS) | (np.abs(kg) > BEYOND * before)))
    named = named[np.argsort(chance[named], kind="stable")]
    return tuple(
        Contradiction(
            (e := asked[i]).name,
            e.label,
            e.kg,
            e.low_kg,
            e.high_kg,
            e.kg / e.prior_sd_kg,
            float(rate[i]),
            e.rows,
        )
        for i in named
    )
