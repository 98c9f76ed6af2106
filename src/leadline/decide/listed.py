"""Kit whose entry the records contradict: what answers owe to it while the entry stands."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from leadline.records import KIT
from leadline.units import about_text

if TYPE_CHECKING:
    from leadline.decide.assessment import Assessment
    from leadline.decide.findings import Contradiction

__all__ = ["listed_texts", "short_in", "short_of", "short_text"]

IntArray = NDArray[np.int64]

SHORT: Final = "short_kg:"
"""How the numbers of such kit are named among a fit's own."""

LEAST: Final = 0.2
"""Lead that answers leave out from which that is told. [kg] (judged)"""

_TYPE: Final = "type:"


def short_of(found: Sequence[Contradiction]) -> dict[str, float]:
    """Lead that the records alone put on a kit beyond what answers do, to be kept with the fit.

    Parameters
    ----------
    found : sequence of Contradiction
        What `contradictions` named.

    Returns
    -------
    dict
        By `SHORT` and the name of the shared effect; only where it is to be told. [kg]
    """
    gaps = {SHORT + kit.name: kit.alone_kg - kit.kg for kit in found if kit.name.startswith(_TYPE)}
    return {name: gap for name, gap in gaps.items() if abs(gap) >= LEAST}


def listed_texts(
    assessment: Assessment, position: int, seen: IntArray | None = None, *, imperial: bool
) -> list[str]:
    """Cautions about kit of a row whose entry the records contradict.

    Parameters
    ----------
    assessment : Assessment
        With the fit that knows them.
    position : int
        Row of the timeline.
    seen : ndarray of int, optional
        Rows of the timeline whose evidence bounds this diver's need from both sides: of kit that was worn on
        all of them nothing is said, since what its entry leaves out is in what they showed.
    imperial : bool
        Whether to speak in pounds.

    Returns
    -------
    list of str
        Clauses without a semicolon, one a kit: how much more or less lead it may take.
    """
    known = _known(assessment)
    if not known:
        return []
    (here,) = _types(assessment, np.array([position]))
    worn = [] if seen is None else _types(assessment, seen)
    return [
        f"By the records alone {name} takes {_more(gap, imperial)} than this, which goes only part of that "
        "way while its entry stands: check in the water, and have the entry corrected"
        for name, gap in known.items()
        if name in here and not (worn and all(name in each for each in worn))
    ]


def _types(assessment: Assessment, rows: IntArray) -> list[frozenset[str]]:
    """Types of all that is worn or carried on some rows of the timeline."""
    occasions, types = assessment.line.occasions, assessment.rigs.kit.type
    items = np.concatenate([getattr(occasions, name)[rows] for name in KIT], axis=1)
    return [frozenset(types[row].tolist()) for row in items]


def short_in(assessment: Assessment, pieces: Collection[str]) -> dict[str, float]:
    """Lead that answers leave out with some pieces of kit.

    Parameters
    ----------
    assessment : Assessment
        With the fit that knows it.
    pieces : collection of str
        Items of the gear.

    Returns
    -------
    dict
        By type, only where it is to be told. [kg]
    """
    known, item = _known(assessment), assessment.line.records.gear["item"]
    there = set(assessment.rigs.kit.type[np.flatnonzero(np.isin(item, list(pieces)))].tolist())
    return {name: gap for name, gap in known.items() if name in there}


def short_text(name: str, gap: float, *, imperial: bool) -> str:
    """What is said of kit in a table: how much more or less lead it may take than stands there."""
    more = _more(gap, imperial)
    return f"{name} is not as listed: by the records alone {more} than stands here, so check in the water"


def _known(assessment: Assessment) -> dict[str, float]:
    """Types that are not as listed, with the lead that is left out. [kg]."""
    start = SHORT + _TYPE
    named = {
        name.removeprefix(start): gap
        for name, gap in assessment.fit.diagnostics.items()
        if name.startswith(start)
    }
    # What was learned of kit whose row was changed since is left out.
    return {name: gap for name, gap in named.items() if _TYPE + name in assessment.fit.names}


def _more(gap: float, imperial: bool) -> str:
    return f"about {about_text(abs(gap), imperial)} {'more' if gap > 0 else 'less'} lead"
