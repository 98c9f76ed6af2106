"""The plain answer of a backtest: whether this book's bands can be trusted."""

from __future__ import annotations

from typing import TYPE_CHECKING, Final, Literal

from leadline.decide.scores import Share
from leadline.frozen import dataclass

if TYPE_CHECKING:
    from leadline.decide.backtest import Score, Word

__all__ = ["LEVELS", "Verdict", "judged"]

LEVELS: Final = (0.5, 0.8, 0.95)
"""Bands that are checked: their middle half, four fifths and nineteen twentieths. [-]"""

TOLERATED: Final = ((0.47, 0.54), (0.77, 0.84), (0.93, 0.97))
"""Coverage that nobody could call wrong, by level. [-] (judged)"""

FEWEST_READINGS: Final = 30
FEWEST_DIVERS: Final = 5
"""Below these nothing is said for the bands; against them, only what even so few show."""

MOST: Final = 0.5
"""Share of the readings that may be of one diver: beyond it they tell of that diver, not of the book. [-]
(judged)"""

WIDEST: Final = 0.2
"""How far below its level the lower end of the 80 % band's coverage may lie for a yes. [-]"""

SURE: Final = 2.0
"""Sds by which more stops must have risen than foretold to be called too many. [-]"""

Trust = Literal["yes", "careful", "no", "not_yet"]


@dataclass(frozen=True)
class Verdict:
    """Whether the bands can be trusted.

    Parameters
    ----------
    trusted : str
        yes; careful: they hold more than they say; no: they hold less than they say, or more stops rose
        than foretold; not_yet: too few readings to tell.
    sentence : str
        The same in words, with the numbers it rests on.
    """

    trusted: Trust
    sentence: str


def judged(overall: Score, sought: Score, words: tuple[Word, ...]) -> Verdict:
    """Verdict from coverage and from stops that rose.

    Parameters
    ----------
    overall : Score
        All readings.
    sought : Score
        Readings at which the lead was changed until it fitted: waterlines and hand-offs. A stop that
        hovered is a reading only because the lead was near, which flatters a band.
    words : tuple of Word
        Stops that rose, hovered and sank, foretold and seen.

    Returns
    -------
    Verdict
        A band is called too narrow where even the upper end of the interval of its coverage, the readings'
        noise allowed for and one diver's readings taken as alike, lies below its level, and the coverage
        itself below what is tolerated; too wide where the same holds on the other side with the readings
        taken as exact.

    Notes
    -----
    What a band holds of need lies between the two coverages. The lead of a stop does not know that dive's
    scatter, so a reading made of it differs from the forecast by less than scatter and noise together. On
    ten simulated books of 128 stops the 95 % band held 95 % of the needs, 97 % of the readings with their
    noise and 93 % without it; the 80 % band 80, 85 and 74 %; the 50 % band 48, 54 and 46 %.
    """
    rose, hovered = words[:2]
    for score, which in ((overall, ""), (sought, " at checks and hand-offs")):
        if _narrow(score.coverage):
            return Verdict(
                "no",
                f"No: of {_basis(score)}{which} {_held(score.coverage)}. The bands are too narrow: "
                "do not lean on them; check in the water, and look for what all records have wrong.",
            )
    if rose.excess > SURE and rose.seen > 1.2 * rose.foretold:
        return Verdict(
            "no",
            f"No: {rose.seen} stops rose where {rose.foretold:.0f} were foretold. Need is larger than the "
            "bands say, which is the dangerous side: check in the water.",
        )
    enough = overall.readings >= FEWEST_READINGS and overall.coverage[0].clusters >= FEWEST_DIVERS
    most = overall.coverage[0].most
    if enough and most > MOST * overall.readings:
        return Verdict(
            "not_yet",
            f"That cannot be told yet: {most} of {_basis(overall)} are of one diver, and what holds for that "
            f"one need not for the others; of all {_held(overall.coverage)}. More stops with the BC empty, "
            "hand-offs and surface checks of others will tell.",
        )
    if not enough or overall.coverage[1].low < LEVELS[1] - WIDEST:
        return Verdict(
            "not_yet",
            f"That cannot be told yet: only {_basis(overall)} show where need lay"
            f"{f', and {_held(overall.coverage)}' if overall.readings else ''}. More stops with the BC "
            "empty, hand-offs and surface checks will tell.",
        )
    if _wide(overall.bare_coverage):
        return Verdict(
            "careful",
            f"Yes, and they are wider than they need be: of {_basis(overall)} {_held(overall.coverage)}. "
            f"They err towards more checks.{_stops(rose, hovered)}",
        )
    return Verdict(
        "yes", f"Yes, as far as {_basis(overall)} tell: {_held(overall.coverage)}.{_stops(rose, hovered)}"
    )


def _stops(rose: Word, hovered: Word) -> str:
    """What to know of the chances of stop results, where they are off."""
    if not abs(hovered.excess) > SURE:
        return ""
    more = hovered.excess > 0
    side = ", which is the careful side" if more and rose.seen <= rose.foretold else ""
    return (
        f" The chances of rising and sinking are too {'high' if more else 'low'}{side}: of the stops with "
        f"the BC empty {hovered.seen} hovered and {rose.seen} rose, where {hovered.foretold:.0f} and "
        f"{rose.foretold:.0f} were foretold."
    )


def _narrow(coverage: tuple[Share, ...]) -> bool:
    return any(
        share.high < level and share.share < low
        for share, level, (low, _) in zip(coverage, LEVELS, TOLERATED, strict=True)
    )


def _wide(coverage: tuple[Share, ...]) -> bool:
    return any(
        share.low > level and share.share > high
        for share, level, (_, high) in zip(coverage, LEVELS, TOLERATED, strict=True)
    )


def _basis(score: Score) -> str:
    divers = score.coverage[0].clusters
    readings = f"{score.readings} {'reading' if score.readings == 1 else 'readings'} of need"
    return f"{readings} from {divers} {'diver' if divers == 1 else 'divers'}"


def _held(coverage: tuple[Share, ...]) -> str:
    """What each band held, the widest first."""
    parts = [
        f"the {100 * level:.0f} % band held {100 * share.share:.0f} % ({100 * share.low:.0f} to "
        f"{100 * share.high:.0f})"
        for level, share in zip(LEVELS[::-1], coverage[::-1], strict=True)
    ]
    return f"{', '.join(parts[:-1])} and {parts[-1]}"
