"""Records that an answer does not believe: all else that is known makes them unlikely."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.history_data import LATEST, LikeKit, Sights
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.marginal import Marginal
from leadline.model.observations import SLIPS, Form
from leadline.model.stack import chances_above
from leadline.normal import distribution
from leadline.units import mass_text

if TYPE_CHECKING:
    from leadline.decide.assessment import Assessment

__all__ = ["DISBELIEF", "DOUBTFUL", "believed", "chance_of_zones", "disbelief_texts", "wrong_sights"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]
BoolArray = NDArray[np.bool_]

DOUBTFUL: Final = 0.5
"""Posterior chance of a wrong record from which it is named. [-]"""

NEVER: Final = 1 - DOUBTFUL
"""Chance of what a record shows from which on it cannot be doubtful, whatever share of them is wrong. [-]

Where need is known a record with chance q is wrong with at most 1 - q; over all that need may be it is so
with at most 1 less the mean of q.
"""

DISBELIEF: Final = "Not believed here"
"""How the caution begins that names them."""

MOST_NAMED: Final = 2
"""Sights that a caution names; of more it says how many."""

_LINE: Final = {
    "": "",
    "chin": "water at the chin",
    "eye": "water at eye level",
    "crown": "water at the crown",
    "under": "under water",
}
_BREATH: Final = {"full": "on a full breath", "out": "breathed out"}
_SINKS: Final = {"yes": "sinks on breathing out", "no": "stays up breathed out"}


def _ends(sights: Sights) -> tuple[float, float, float, float]:
    """Needs at which records are hardest to believe: light, not light, not heavy, heavy. [kg]."""
    # A handful of records each: plain Python takes a fifth of the time that arrays do.
    light, not_light, not_heavy, heavy = -math.inf, math.inf, -math.inf, math.inf
    edges = zip(sights.above.tolist(), sights.below.tolist(), sights.fit.tolist(), strict=True)
    for above, below, (is_light, is_neutral, is_heavy) in edges:
        if not is_light:
            not_light = min(not_light, above)
            if not is_neutral:
                heavy = min(heavy, below)
        elif not is_neutral:
            light = max(light, above)
        if not is_heavy:
            not_heavy = max(not_heavy, below)
    return light, not_light, not_heavy, heavy


def wrong_sights(
    needs: Sequence[Marginal], sights: Sequence[Sights], theta: Hyperparameters
) -> list[BoolArray]:
    """Which stops more likely say something else than what was.

    Parameters
    ----------
    needs : sequence of Marginal
        Posterior of need on *n* dives, all records in it.
    sights : sequence of Sights
        Of their divers, carried to kit, water and pressure of those dives.
    theta : Hyperparameters
        Share of wrong records.

    Returns
    -------
    list of ndarray of bool
        One for each dive, with one entry for each of its stops.

    Notes
    -----
    If a stop shows what it shows with chance q, a record of it is right with 1 - wrong, else any of the two
    other results: it is wrong with (1 - q) wrong / 2 over that and q (1 - wrong). A waterline has three
    others, a word on sinking one (`leadline.model.observations.SLIPS`); and a stop held with gas in the BC is
    noted of a light diver by either wrong result (`Sights.chance`). That holds at each need, and the need
    here has the record itself in it: what it leaves to needs at which it is right counts once, as the chance
    of those needs. `leadline learn` asks the same of all records (`doubt.wrong_chance`).
    """
    found = [np.zeros(len(own), bool) for own in sights]
    some = [i for i, own in enumerate(sights) if len(own)]
    if not some:
        return found
    edges = np.array([_ends(sights[i]) for i in some])
    above = chances_above([needs[i] for i in some], edges)
    # Of a stop that is hard to believe the worst one shows it; most divers have none.
    least = np.minimum.reduce([above[:, 0], 1 - above[:, 1], above[:, 2], 1 - above[:, 3]])
    for i in np.flatnonzero(least < NEVER).tolist():
        found[some[i]] = _wrong(needs[some[i]], sights[some[i]], theta) > DOUBTFUL
    return found


def _wrong(need: Marginal, sights: Sights, theta: Hyperparameters) -> FloatArray:
    """Chance that each of one diver's stops says something else than what was."""
    zones = chance_of_zones(need.points, sights, need.scatter)
    shown = np.einsum("skz,sz->sk", zones, sights.fit)
    wrong = (1 - shown) * theta.wrong * sights.slip[:, None] / sights.chance(shown, theta.wrong)
    return np.asarray(wrong @ need.weights)


def chance_of_zones(need: FloatArray, sights: Sights, scatter: float) -> FloatArray:
    """Chances that each record's diver was light, neutral and heavy, at each expected need.

    Parameters
    ----------
    need : ndarray, shape (k,)
        [kg]
    sights : Sights
        *s* records, carried to that need.
    scatter : float
        Of single dives. [kg]

    Returns
    -------
    ndarray, shape (s, k, 3)
    """
    sd = np.sqrt(scatter**2 + sights.doubt)[:, None]
    light, heavy = distribution(np.stack([need - sights.above[:, None], sights.below[:, None] - need]) / sd)
    return np.stack([light, np.maximum(1 - light - heavy, 0.0), heavy], axis=-1)


def believed(history: LikeKit, wrong: BoolArray) -> LikeKit:
    """A history without what is not believed.

    Parameters
    ----------
    history : LikeKit
        As recorded.
    wrong : ndarray of bool
        Of its stops, from `wrong_sights`.

    Returns
    -------
    LikeKit
        A stop that is not believed proves and bounds nothing, nor is its lead a usual one; where nothing else
        is on record in like kit, the diver is not known in it. What was too light stays, and as `failed` it
        asks for a check: that is the safe side.
    """
    sights = history.sights
    rises = sights.rose | sights.hinted
    if not (rises.any() or wrong.any()):
        return history
    # One rise may be the gas in the BC; if none of the latest stops was anything else, that is not believed.
    failed = (rises if len(set(sights.place[rises & sights.late].tolist())) >= LATEST else sights.rose) & (
        sights.late | wrong
    )
    if failed.any():
        history = replace(history, failed=sights.take(failed))
    if not wrong.any():
        return history
    doubted = sights.take(wrong)
    own = sights.take(wrong & sights.alike)
    proof = sights.lead[~wrong & sights.alike & sights.dive & (sights.fit[:, 0] == 0)]
    # Proven leads that no stop here stands for were not doubted.
    kept = [
        lead
        for lead in history.enough.tolist()
        if not _among(lead, own.lead[own.dive]) or _among(lead, proof)
    ]
    worn = ~np.isin(history.carried_row, doubted.row)
    reads = ~own.dive & (own.fit == (0.0, 1.0, 0.0)).all(axis=1)
    plain = own.take(~reads)
    lowers = history.lowers - int((plain.fit[:, 2] == 0).sum())
    uppers = history.uppers - int((plain.fit[:, 0] == 0).sum())
    found = replace(
        history,
        enough=np.array(kept),
        doubted=doubted,
        carried=history.carried[worn],
        carried_row=history.carried_row[worn],
        worn=history.worn[worn],
        upper=history.upper and uppers > 0,
        lower=history.lower and lowers > 0,
        point=history.points > int(reads.sum()),
    )
    if sights.all_there_is and wrong[sights.alike].all():
        found = replace(found, known=False, upper=False, lower=False, point=False, looked=False)
    return found


def _among(lead: float, leads: FloatArray) -> bool:
    return bool((np.abs(leads - lead) < 1e-6).any())


def disbelief_texts(assessment: Assessment, history: LikeKit, *, imperial: bool) -> list[str]:
    """A caution that names the stops which are not believed; none where all are.

    Parameters
    ----------
    assessment : Assessment
        With the records.
    history : LikeKit
        From `believed`.
    imperial : bool
        Whether to speak in pounds.
    """
    doubted = history.doubted
    if not len(doubted):
        return []
    line = assessment.line
    named = []
    # A look at the surface has two halves, and a stop may have two looks: each once.
    for row in list(dict.fromkeys(doubted.row.tolist())):
        halves = np.flatnonzero(doubted.row == row)
        i = int(halves[0])
        kind, table = ("dive", line.records.dives) if doubted.dive[i] else ("check", line.records.checks)
        key, date = table[kind][line.row[row]], line.occasions.date[row]
        when = "" if np.isnat(date) else f" of {str(date)[:10]}"
        lead = mass_text(float(doubted.worn[i]), imperial=imperial)
        after = " after a hand-off" if doubted.handed[i] else ""
        if doubted.dive[i]:
            what = _stopped(doubted, i)
        else:
            seen = {name: str(table[name][line.row[row]]) for name in ("waterline", "breath", "exhale_sinks")}
            what = _looked(seen, sinking=bool((doubted.slip[halves] == SLIPS[Form.OF_TWO]).any()))
        named.append(f"{kind} {key}{when} ({what} {lead}{after})")
    more, named = max(len(named) - MOST_NAMED, 0), named[:MOST_NAMED]
    which = " and ".join(named) if not more else f"{', '.join(named)} and {more} more"
    it, slip = ("them", "they are slips") if len(named) > 1 else ("it", "it is a slip")
    return [
        f"{DISBELIEF}: {which}, since all else that is known makes {it} unlikely. Correct {it} if "
        f"{slip}, and if not, go by the water and not by this number: check first"
    ]


def _stopped(sights: Sights, i: int) -> str:
    """What was seen at a stop, in words that lead on to its lead."""
    light, neutral, heavy = (sights.fit[i] > 0).tolist()
    if light:
        return "rose with"
    if neutral and heavy:
        return "stop held with gas in the BC and"
    return "hovered with" if neutral else "sank with"


def _looked(seen: Mapping[str, str], *, sinking: bool) -> str:
    """What a check says, in words that lead on to its lead; of breathing out only where that is doubted."""
    line = " ".join(filter(None, (_LINE[seen["waterline"]], _BREATH.get(seen["breath"], ""))))
    if not sinking:
        return f"{line} with"
    sinks = _SINKS[seen["exhale_sinks"]]
    return f"{line}, {sinks}, with" if seen["waterline"] else f"{sinks} with"
