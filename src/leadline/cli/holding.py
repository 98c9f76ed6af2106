"""What a book holds for an answer: records, the last fit and what it has seen, read in one short visit."""

from __future__ import annotations

import os
from collections.abc import Callable
from contextlib import suppress
from dataclasses import field, replace
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TypeVar

from leadline.cli.output import note
from leadline.errors import BookError
from leadline.frozen import dataclass

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from leadline.arrays import Columns, Records
    from leadline.book import Book
    from leadline.decide.assessment import Assessment
    from leadline.model.population import Fit

__all__ = ["Holding", "near", "read", "read_plan", "single_thread"]

Extra = TypeVar("Extra")

_NAMED: Final = 3

_BEGINNING: Final = 1 << 20
"""How much of a plan tells whether it is a long one. [bytes]"""


def single_thread() -> None:
    """Keep linear algebra on one thread; to be called before NumPy is first imported.

    The matrices here are small and many: threads spend their time waiting for each other (measured on two
    cores: 50 s instead of 3 s for the demo book). Who sets the variables keeps what was set.
    """
    for name in ("OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS", "OMP_NUM_THREADS"):
        os.environ.setdefault(name, "1")


@dataclass(frozen=True)
class Holding:
    """The book as it was when it was read.

    Parameters
    ----------
    book : str
        Name of the file, without its path.
    records : Records
        All records, or those that bear on the divers of interest.
    data_version : int
        Version of the records.
    fit : Fit
        The last one, or the state before any record.
    fitted : datetime or None
        When it was made; None: never.
    dives_in_fit, checks_in_fit : ndarray of bool
        Which rows the fit has seen as they stand now.
    blocks : dict of str to int
        Lead there is: size of block to number of pieces; empty where the book lists none.
    changed_kit : tuple of str
        Items whose row was another one when the fit was made.
    """

    book: str
    records: Records
    data_version: int
    fit: Fit
    fitted: datetime | None
    dives_in_fit: NDArray[np.bool_]
    checks_in_fit: NDArray[np.bool_]
    blocks: dict[str, int] = field(default_factory=dict)
    changed_kit: tuple[str, ...] = ()

    def about(self, divers: set[str], *, suits: set[str] | None = None) -> Holding:
        """The same, with the dives and checks that bear on some divers.

        Parameters
        ----------
        divers : set of str
            Divers of interest.
        suits : set of str, optional
            Further suits of interest, such as those of a plan.

        Returns
        -------
        Holding
            Their own rows, and others' dives in the suits they wear: those count as wear of the suit.
        """
        import numpy as np

        from leadline.book.portion import suit_names

        dives, checks = self.records.dives, self.records.checks
        own = np.isin(dives["diver"], list(divers))
        own_checks = np.isin(checks["diver"], list(divers))
        worn = suit_names(
            {*(suits or ()), *dives["suit"][own].tolist(), *checks["suit"][own_checks].tolist()}
        )
        cells = [cell for cell in set(dives["suit"].tolist()) if worn & suit_names([cell])]
        others = ~own & np.isin(dives["suit"], cells)
        records = replace(
            self.records,
            dives={name: values[own] for name, values in dives.items()},
            checks={name: values[own_checks] for name, values in checks.items()},
            worn={name: dives[name][others] for name in ("diver", "date", "suit")},
        )
        return replace(
            self,
            records=records,
            dives_in_fit=self.dives_in_fit[own],
            checks_in_fit=self.checks_in_fit[own_checks],
        )

    def assessment(self, plan: Columns | None = None) -> Assessment:
        """Records and fit brought together, with a plan if there is one."""
        from leadline.decide.assessment import Assessment

        return Assessment.of(
            self.records,
            self.fit,
            plan=plan,
            dives_in_fit=self.dives_in_fit,
            checks_in_fit=self.checks_in_fit,
            changed_kit=self.changed_kit,
        )


def read(
    path: Path | None,
    also: Callable[[Book], Extra] | None = None,
    *,
    notify: Callable[[str], None] = note,
) -> tuple[Holding, Extra | None]:
    """Open the book, read what an answer needs, close it.

    Parameters
    ----------
    path : Path or None
        The book; None for the default one.
    also : callable, optional
        Called with the open book, for whatever else the answer needs of it.
    notify : callable
        Called with what there is to say of the fit.

    Returns
    -------
    holding : Holding
        Records and fit.
    extra : object
        What `also` returned.

    Raises
    ------
    BookError
        If there is no such book, or its fit cannot be read by this version.
    """
    from leadline.book import Book

    with Book.open(path) as book:
        records = book.records()
        version = book.data_version
        stored = book.latest_fit()
        rows = {name: book.versions(name) for name in ("dives", "checks")}
        blocks = book.blocks()
        changed = _changed(book, stored, notify)
        extra = None if also is None else also(book)
        name = book.path.name
    fit, fitted, seen = _fit(stored)
    known = rows["dives"] <= seen, rows["checks"] <= seen
    return Holding(name, records, version, fit, fitted, *known, blocks, changed), extra


def near(
    book: Book,
    divers: set[str],
    *,
    suits: set[str] | None = None,
    notify: Callable[[str], None] = note,
) -> Holding:
    """What an open book holds on some divers: `read` and `Holding.about` at once, quick in a large book.

    Parameters
    ----------
    book : Book
        Open.
    divers : set of str
        Divers of interest.
    suits : set of str, optional
        Further suits of interest, such as those of a plan.
    notify : callable
        Called with what there is to say of the fit.

    Returns
    -------
    Holding
        Its divers are those of interest alone.

    Raises
    ------
    BookError
        If the fit cannot be read by this version.
    """
    found = book.portion(divers, suits=suits or ())
    stored = book.latest_fit()
    fit, fitted, seen = _fit(stored)
    version, name = book.data_version, book.path.name
    known = found.dives <= seen, found.checks <= seen
    changed = _changed(book, stored, notify)
    return Holding(name, found.records, version, fit, fitted, *known, book.blocks(), changed)


def read_plan(
    path: Path | None, file: Path, *, notify: Callable[[str], None] = note, as_named: bool = False
) -> tuple[Holding, Columns]:
    """Read a plan, and what the book holds on its divers.

    Parameters
    ----------
    path : Path or None
        The book; None for the default one.
    file : Path
        The plan, CSV or Parquet.
    notify : callable
        Called with each thing the user should know; default a note on standard error.
    as_named : bool
        Take nothing over from earlier dives.

    Returns
    -------
    holding : Holding
        Of the divers of the plan.
    plan : Columns
        In the order of the file.

    Raises
    ------
    LeadlineError
        If there is no such book, or the plan is unsound.
    """
    from leadline.decide.readiness import begin_loading

    begin_loading(_lines(file))
    from leadline.book import Book  # another tenth of a second

    with Book.open(path) as book:
        plan = book.read_plan(file, notify=notify, as_named=as_named)
        return near(book, set(plan["diver"].tolist()), suits=set(plan["suit"].tolist()), notify=notify), plan


def _lines(file: Path) -> int:
    """How many lines a file begins with; 0 where it can be read only once, or not at all."""
    with suppress(OSError):
        if file.is_file():
            with file.open("rb") as opened:
                return opened.read(_BEGINNING).count(b"\n")
    return 0


def _fit(stored: tuple[bytes, dict[str, Any]] | None) -> tuple[Fit, datetime | None, int]:
    """The fit, when it was made, and the version of the records that it saw."""
    from leadline.model.population import Fit, prior_fit

    if stored is None:
        return prior_fit(), None, -1
    payload, info = stored
    try:
        fit = Fit.from_bytes(payload)
    except (KeyError, TypeError, ValueError):
        raise BookError(
            "the book's fit was made by another version of leadline; run `leadline learn` again"
        ) from None
    return fit, datetime.fromisoformat(info["created"]), int(info["data_version"])


def _changed(
    book: Book, stored: tuple[bytes, dict[str, Any]] | None, notify: Callable[[str], None]
) -> tuple[str, ...]:
    """Items whose row was another one when the fit was made; said, for only `learn` puts it right."""
    changed = () if stored is None else book.changed_kit(int(stored[1]["data_version"]))
    if changed:
        few = ", ".join(changed[:_NAMED])
        more = f" and {len(changed) - _NAMED} more" if len(changed) > _NAMED else ""
        were, them = ("was", "it") if len(changed) == 1 else ("were", "them")
        notify(
            f"{few}{more} {were} changed in the gear after the last `leadline learn`: what was learned of "
            f"{them} is left out until you run it again"
        )
    return changed
