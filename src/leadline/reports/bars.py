"""Where the bars of the answer, of what was learned and of the ledger begin and end.

Bars are laid out in the unit the reader sees; the numbers printed beside them come from the data itself.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.season_data import Ledger, SeasonData
from leadline.frozen import dataclass
from leadline.reports.reading import Reading
from leadline.reports.scale import Scale

__all__ = ["LEAST_SPAN", "AnswerBars", "Bar", "LearnedBars", "LedgerBars", "answer", "learned", "ledger"]

FloatArray = NDArray[np.float64]

LEAST_SPAN: Final = 4.0
"""A scale of lead spans at least this, so that a narrow band looks narrow. [kg]"""


@dataclass(frozen=True)
class Band:
    """Quantiles of need at one cylinder pressure.

    Parameters
    ----------
    bar : float
        Cylinder pressure. [bar gauge]
    need : ndarray, shape (5,)
        Quantiles. [kg]
    shown : list of float
        The same in the unit shown.
    field : str
        Name of the band on the page.
    """

    bar: float
    need: FloatArray
    shown: list[float]
    field: str


@dataclass(frozen=True)
class Bar:
    """One bar of a waterfall.

    Parameters
    ----------
    row : int
        Row of the data it belongs to.
    start, stop : float
        Ends, in the unit shown.
    """

    row: int
    start: float
    stop: float


@dataclass(frozen=True)
class AnswerBars:
    """Bands of need on the next dive, with the lead, on one `scale`; `lead` in the unit shown."""

    scale: Scale
    bands: list[Band]
    lead: float


@dataclass(frozen=True)
class LearnedBars:
    """From the prior band `before` by `steps` to the band `after`, in the unit shown."""

    scale: Scale
    before: list[float]
    steps: list[Bar]
    after: list[float]


@dataclass(frozen=True)
class LedgerBars:
    """The items of a ledger in its first state, and their sum, in the unit shown."""

    scale: Scale
    steps: list[Bar]
    total: float


def answer(data: SeasonData, reading: Reading) -> AnswerBars | None:
    """Bands and lead of the next dive; None where there is no suggestion.

    Parameters
    ----------
    data : SeasonData
        The season.
    reading : Reading
        Units of the scale.

    Returns
    -------
    AnswerBars or None
        One band, or two where a lower end pressure is given.
    """
    suggestion = data.suggestion
    if suggestion is None:
        return None
    given = [(suggestion.need_at_bar, suggestion.need, "suggestion.need")]
    if not np.isnan(suggestion.low_bar):
        given.append((suggestion.low_bar, suggestion.low_need, "suggestion.low_need"))
    bands = [Band(bar, need, reading.masses(need).tolist(), field) for bar, need, field in given]
    lead = reading.convert(suggestion.lead_kg, "mass")
    values = [lead, *(value for band in bands for value in band.shown)]
    return AnswerBars(Scale.over(values, least=reading.convert(LEAST_SPAN, "mass")), bands, lead)


def learned(data: SeasonData, reading: Reading) -> LearnedBars | None:
    """From physics alone to physics and records; None where either end is missing.

    Parameters
    ----------
    data : SeasonData
        The season.
    reading : Reading
        Units of the scale.

    Returns
    -------
    LearnedBars or None
        One step for each contribution, each beginning where the one before it ended.
    """
    if data.prior is None or data.suggestion is None:
        return None
    before, after = reading.masses(data.prior.band), reading.masses(data.suggestion.need)
    parts = reading.masses(np.array([part.kg for part in data.learned], float))
    ends = reading.convert(data.prior.mean, "mass") + np.concatenate([[0.0], np.cumsum(parts)])
    scale = Scale.over([*before, *after, *ends], least=reading.convert(LEAST_SPAN, "mass"))
    return LearnedBars(scale, before.tolist(), _steps(ends), after.tolist())


def ledger(account: Ledger, reading: Reading) -> LedgerBars:
    """Items of the first state, each bar beginning where the one before it ended.

    Parameters
    ----------
    account : Ledger
        The forces.
    reading : Reading
        Units of the scale.

    Returns
    -------
    LedgerBars
        One step for each item, from zero on.
    """
    ends = np.concatenate([[0.0], np.cumsum(reading.masses(account.net_buoyancy[:, 0]))])
    total = reading.convert(float(account.total[0]), "mass")
    return LedgerBars(Scale.over([*ends, total]), _steps(ends), total)


def _steps(ends: FloatArray) -> list[Bar]:
    pairs = zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True)
    return [Bar(row, start, stop) for row, (start, stop) in enumerate(pairs)]
