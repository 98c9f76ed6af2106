"""What the engine learns from: intervals of a latent quantity, each with its prior and exposures."""

from __future__ import annotations

from dataclasses import field, replace
from enum import IntEnum
from functools import cached_property
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass

__all__ = ["SLIPS", "Form", "Observations"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]


class Form(IntEnum):
    """How completely a record was written down; closed: BC empty, open: gas of unknown amount.

    HABIT is no record of what was seen: it is the lead that a diver chose to carry in a suit. OF_FOUR and
    OF_TWO are records of something that has four answers, and two, where the others have three.
    """

    ANY = 0
    HOVERED_CLOSED = 1
    HOVERED_OPEN = 2
    SANK_CLOSED = 3
    SANK_OPEN = 4
    HABIT = 5
    OF_FOUR = 6
    OF_TWO = 7


SLIPS: Final = (0.5, 0.5, 0.5, 0.5, 0.5, 0.5, 1 / 3, 1.0)
"""By form, the share of wrong records that give one particular wrong answer. [-]"""


@dataclass(frozen=True)
class Observations:
    """*m* statements about need, in rows sorted by diver, then suit, then occasion.

    Each row says in which of three zones need lay in the state of that observation: light (above
    `upper` + breath_out · `upper_breath`), heavy (below `lower` - breath_in · `lower_breath`) or
    neutral (between). A `point` row is a reading of need itself, at `lower` = `upper`.

    Parameters
    ----------
    prior : ndarray, shape (m,)
        Prior mean of need in the state of the observation. [kg]
    exposure : ndarray, shape (m, p)
        Change of that need for one prior sd of each shared uncertainty. [kg]
    suit_weight : ndarray, shape (m,)
        Change of that need for one prior sd of this diver in this suit. [kg]
    lower, upper : ndarray, shape (m,)
        Ends of the neutral zone before the breath range; infinite where it has no such end. [kg]
    lower_breath, upper_breath : ndarray, shape (m,)
        1 where the breath range widens that end, else 0. [-]
    reading_sd : ndarray, shape (m,)
        Noise of this reading alone; never shared within an occasion. [kg]
    fit : ndarray, shape (m, 3)
        How well the record fits need in the light, neutral and heavy zone: 1 fits, 0 would be a wrong
        record, between for hints. [-]
    form : ndarray of int, shape (m,)
        How completely the record was written down, a value of `Form`; ANY where that says nothing.
    point : ndarray of bool, shape (m,)
        True for readings of need itself.
    occasion, suit, diver : ndarray of int, shape (m,)
        Labels 0, 1, ... in order of appearance; occasions nest in suits, suits in divers.
    body_sd : ndarray, shape (number of divers,)
        Prior sd of each diver's offset from physics. [kg]
    names : tuple of str
        Names of the p exposures.
    elapsed : ndarray, shape (m,), optional
        Time since the diver's first record, constant over a few weeks; default 0 everywhere. [years]
    jumped : ndarray, shape (m,), optional
        Variance that changes of the body have added to the diver's offset by then; default 0. [kg²]
    """

    prior: FloatArray
    exposure: FloatArray
    suit_weight: FloatArray
    lower: FloatArray
    upper: FloatArray
    lower_breath: FloatArray
    upper_breath: FloatArray
    reading_sd: FloatArray
    fit: FloatArray
    form: IntArray
    point: NDArray[np.bool_]
    occasion: IntArray
    suit: IntArray
    diver: IntArray
    body_sd: FloatArray
    names: tuple[str, ...]
    elapsed: FloatArray = field(default_factory=lambda: np.zeros(0))
    jumped: FloatArray = field(default_factory=lambda: np.zeros(0))

    def __post_init__(self) -> None:
        for name in ("elapsed", "jumped"):
            if not len(getattr(self, name)):
                object.__setattr__(self, name, np.zeros(len(self.prior)))
        for name in ("prior", "exposure", "suit_weight", "reading_sd", "elapsed", "jumped"):
            if not np.all(np.isfinite(getattr(self, name))):
                raise OutOfRangeError(f"{name} must be finite in every observation")
        if np.any(self.lower > self.upper):
            raise OutOfRangeError("lower must not exceed upper in any observation")
        for name in ("occasion", "suit", "diver"):
            steps = np.diff(getattr(self, name), prepend=-1)
            if np.any((steps != 0) & (steps != 1)):
                raise OutOfRangeError(f"{name} labels must be 0, 1, ... in order of appearance")

    def __len__(self) -> int:
        return int(self.prior.shape[0])

    @property
    def n_exposures(self) -> int:
        """Number of shared uncertainties, p."""
        return int(self.exposure.shape[1])

    @property
    def seen(self) -> NDArray[np.bool_]:
        """Rows that tell of need what was seen, shape (m,).

        Not so leads that were merely chosen, and what fits all zones alike: that tells of wrong records only.
        """
        alike = (self.fit == self.fit[:, :1]).all(axis=1) & ~self.point
        return np.asarray((self.form != Form.HABIT) & ~alike)

    @cached_property
    def occasion_starts(self) -> IntArray:
        """First row of each occasion."""
        return np.flatnonzero(np.diff(self.occasion, prepend=-1))

    @cached_property
    def suit_starts(self) -> IntArray:
        """First row of each suit."""
        return np.flatnonzero(np.diff(self.suit, prepend=-1))

    @cached_property
    def occasion_suit(self) -> IntArray:
        """Suit of each occasion."""
        return self.suit[self.occasion_starts]

    @cached_property
    def suit_occasion_starts(self) -> IntArray:
        """First occasion of each suit."""
        return np.flatnonzero(np.diff(self.occasion_suit, prepend=-1))

    @cached_property
    def suit_diver(self) -> IntArray:
        """Diver of each suit."""
        return self.diver[self.suit_starts]

    @cached_property
    def diver_suit_starts(self) -> IntArray:
        """First suit of each diver."""
        return np.flatnonzero(np.diff(self.suit_diver, prepend=-1))

    @cached_property
    def is_shared(self) -> NDArray[np.bool_]:
        """Whether each occasion holds several rows."""
        return np.asarray(np.bincount(self.occasion) > 1) if len(self) else np.zeros(0, bool)

    @cached_property
    def single(self) -> IntArray:
        """Rows that are alone in their occasion."""
        counts = np.bincount(self.occasion) if len(self) else np.zeros(0, int)
        return np.flatnonzero(counts[self.occasion] == 1)

    @cached_property
    def shared(self) -> IntArray:
        """Rows of occasions with several observations, shape (occasions, most rows); -1 pads."""
        counts = np.bincount(self.occasion) if len(self) else np.zeros(0, int)
        several = np.flatnonzero(counts > 1)
        width = int(counts[several].max()) if len(several) else 0
        starts = np.concatenate([[0], np.cumsum(counts)])[several]
        grid = starts[:, None] + np.arange(width)
        return np.where(np.arange(width) < counts[several][:, None], grid, -1)

    def as_intervals(self) -> Observations:
        """The same, each record meaning its interval and no more.

        How completely people write things down differs from one to the next: what the population's habits of
        noting teach about the breath range must not pile up, dive by dive, against one diver who never notes
        the BC.
        """
        return replace(self, form=np.where(self.form >= Form.HABIT, self.form, Form.ANY))

    def take(self, rows: NDArray[np.int64] | NDArray[np.bool_]) -> Observations:
        """Observations at `rows` (a mask or ascending indices), relabelled."""
        diver = self.diver[rows]
        kept, diver = np.unique(diver, return_inverse=True)
        return replace(
            self,
            **{
                name: getattr(self, name)[rows]
                for name in (
                    "prior",
                    "exposure",
                    "suit_weight",
                    "lower",
                    "upper",
                    "lower_breath",
                    "upper_breath",
                    "reading_sd",
                    "fit",
                    "form",
                    "point",
                    "elapsed",
                    "jumped",
                )
            },
            occasion=np.unique(self.occasion[rows], return_inverse=True)[1],
            suit=np.unique(self.suit[rows], return_inverse=True)[1],
            diver=diver,
            body_sd=self.body_sd[kept],
        )
