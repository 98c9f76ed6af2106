"""Lead that a rental desk should have ready: days of renters, drawn from who came and what they wore."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.rental_data import RentalStock, RentalTable
from leadline.decide.stock import Pieces, stock, worn
from leadline.decide.stranger import MassClass, population_share
from leadline.errors import OutOfRangeError
from leadline.frozen import dataclass

__all__ = ["DAYS", "Renters", "mix", "rental_stock"]

FloatArray = NDArray[np.float64]
IntArray = NDArray[np.int64]

DAYS: Final = 4000
"""Simulated days. [-]"""

BATCH: Final = 250  # days at a time, so that a large shop does not fill the memory
UNSEEN: Final = 10.0  # renters' worth of what adults weigh, beside who was counted; judged
MOST_RENTERS: Final = 500
FEWEST: Final = 4  # renters of a day, where the records know of no busier one
OWN_LEAST: Final = 0.05  # share of a need's variance that is the renter's own, at least


@dataclass(frozen=True)
class Renters:
    """Dives in rental kit; *n* of them.

    Parameters
    ----------
    row, column : ndarray of int, shape (n,)
        Class of body mass (-1: unknown) and outfit.
    day : ndarray of datetime64[D], shape (n,)
        NaT where unknown.
    diver : ndarray of str, shape (n,)
        Who.
    """

    row: IntArray
    column: IntArray
    day: NDArray[np.datetime64]
    diver: NDArray[np.object_]

    def busiest(self) -> int:
        """Most divers on one day. [-]."""
        known = ~np.isnat(self.day)
        if not known.any():
            return 0
        pairs = set(zip(self.day[known].tolist(), self.diver[known].tolist(), strict=True))
        days = np.array([day for day, _ in pairs], "datetime64[D]")
        return int(np.unique(days, return_counts=True)[1].max())


def mix(renters: Renters, classes: Sequence[MassClass], columns: int) -> FloatArray:
    """How often each class comes in each outfit.

    Parameters
    ----------
    renters : Renters
        Who came.
    classes : sequence of MassClass
        Classes of body mass.
    columns : int
        Number of outfits.

    Returns
    -------
    ndarray, shape (classes, outfits)
        Summing to 1. Beside those who came it counts ten more, of any body mass, in what is worn.
    """
    counts = np.zeros((len(classes), columns))
    known = renters.row >= 0
    np.add.at(counts, (renters.row[known], renters.column[known]), 1.0)
    by_outfit = np.bincount(renters.column, minlength=columns) + 1.0
    usual = np.outer(population_share(classes), by_outfit / by_outfit.sum())
    weighed = counts + UNSEEN * usual
    return np.asarray(weighed / weighed.sum())


def rental_stock(
    needs: Mapping[str, FloatArray],
    table: RentalTable,
    renters: Renters,
    classes: Sequence[MassClass],
    pieces: Pieces,
    *,
    number: int | None,
    seed: int,
) -> RentalStock:
    """Stock for a day of renters.

    Parameters
    ----------
    needs : mapping
        `mean` and `sd` (classes, strangers, outfits), `shared` (the same, p), `out`: see `rental`.
    table : RentalTable
        What each is handed.
    renters : Renters
        Who came, for the mix.
    classes : sequence of MassClass
        Classes of body mass.
    pieces : Pieces
        Sizes of lead.
    number : int or None
        Renters on the day; None: as on the busiest day, at least 4.
    seed : int
        Of the simulation.

    Returns
    -------
    RentalStock
        Enough on 95 % of the days: for what each ends up wearing, and for what one of them at a time needs
        at hand during a check.

    Raises
    ------
    OutOfRangeError
        If the number is not from 1 to 500.
    """
    count = max(renters.busiest(), FEWEST) if number is None else number
    if not 1 <= count <= MOST_RENTERS:
        raise OutOfRangeError(f"renters {count}: give 1 to {MOST_RENTERS}")
    rng = np.random.default_rng(seed)
    columns = len(table.cells[0])
    weight = mix(renters, classes, columns).ravel()
    counts, total = [], []
    for _ in range(DAYS // BATCH):
        cell = rng.choice(len(weight), size=(BATCH, count), p=weight)
        row, column = np.divmod(cell, columns)
        found = _needs(needs, row, column, rng)
        lead, bring, check = (
            np.array([[getattr(c, name) for c in cells] for cells in table.cells])[row, column]
            for name in ("lead_kg", "bring_kg", "check_first")
        )
        on = worn(found, lead, check, out=float(needs["out"]), step=pieces.step)
        spare = np.where(check, np.maximum(bring - on, 0.0), 0.0).max(axis=1)
        counts.append(pieces.wanted(np.column_stack([on, spare])))
        total.append(on.sum(axis=1))
    found_stock = stock(np.concatenate(counts), np.concatenate(total), pieces, seed=seed)
    return RentalStock(count, number is None, DAYS, found_stock)


def _needs(
    needs: Mapping[str, FloatArray], row: IntArray, column: IntArray, rng: np.random.Generator
) -> FloatArray:
    """Needs of the renters of some days, shape of `row`; what all share is the same on one day."""
    person = rng.integers(0, needs["mean"].shape[1], row.shape)
    at = (row, person, column)
    shared = needs["shared"][at]
    together = np.einsum("dnp,dp->dn", shared, rng.standard_normal((len(row), shared.shape[-1])))
    variance = needs["sd"][at] ** 2
    own = np.maximum(variance - (shared**2).sum(axis=-1), OWN_LEAST * variance)
    return np.asarray(needs["mean"][at] + together + np.sqrt(own) * rng.standard_normal(row.shape))
