"""One dive at a time: the last one, the next one, one that is typed, one that has to go; a check too."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from leadline.book import fetch
from leadline.book.session import Session
from leadline.book.sql import one

__all__ = ["SingleDives"]

# Whoever only reads should not wait for what judges and writes: those modules are loaded where they are used.


class SingleDives(Session):
    """What an open book knows and does about single dives; see `leadline.book.Book`."""

    def last_dive(self, diver: str) -> dict[str, str]:
        """A diver's latest dive, as cells of text; empty where there is none."""
        return fetch.last_dive(self._open, diver)

    def next_dive(self, diver: str) -> str:
        """A number no dive of that diver has yet: one more than the highest, and than their count."""
        return fetch.next_dive(self._open, diver)

    def has_dive(self, dive: str, diver: str) -> bool:
        """Whether the book has that dive of that diver."""
        return bool(
            one(
                self._open,
                "SELECT count(*) FROM dives WHERE dive = ? AND diver = ?",
                [dive.strip(), diver.strip()],
            )
        )

    def require_dive(self, dive: str, diver: str) -> None:
        """Refuse a dive that is not in the book.

        Parameters
        ----------
        dive, diver : str
            Its key.

        Raises
        ------
        UnknownNameError
            With close dives of that diver.
        """
        if not self.has_dive(dive, diver):
            from leadline.book import removal

            raise removal.unknown_dive(self._plain, dive.strip(), diver.strip())

    def doubts(self, row: Mapping[str, Any]) -> tuple[str, ...]:
        """What `upsert` would note of one sound typed dive as hardly true; nothing is written.

        Parameters
        ----------
        row : mapping
            Column name to value.

        Returns
        -------
        tuple of str
            Each begins with the column it is about, but for the one on a dive that seems to be there already.
        """
        from leadline.book import loading

        return loading.doubts(self._open, row)

    def later_that_day(self, dive: str, diver: str) -> list[str]:
        """Dives of a diver on the same date as another that stand after it in the book.

        Parameters
        ----------
        dive, diver : str
            Its key.

        Returns
        -------
        list of str
            Keys, in their order; empty where there is no such dive. The same date is the same time of day
            too, where that was noted. Taken out and added again, the dive comes after them.
        """
        from leadline.book import removal

        return removal.later_that_day(self._plain, dive.strip(), diver.strip())

    def remove_dive(self, dive: str, diver: str) -> dict[str, str]:
        """Take one dive out of the book; what it said comes back, so that nothing is lost silently.

        Parameters
        ----------
        dive, diver : str
            Its key.

        Returns
        -------
        dict of str to str
            Column to cell, as a file would have it, unknown columns included; only those that are not empty.
            The row as it stood can be added again with `upsert`.

        Raises
        ------
        UnknownNameError
            If there is no such dive.
        RecordError
            If surface checks take kit and water from it.
        """
        from leadline.book import removal

        return removal.remove(self._writable, dive.strip(), diver.strip())

    def checks_later_that_day(self, check: str) -> list[str]:
        """Surface checks of the same diver and date as another that stand after it in the book.

        Parameters
        ----------
        check : str
            Its key.

        Returns
        -------
        list of str
            Keys, in their order; as for `later_that_day`.
        """
        from leadline.book import removal

        return removal.checks_later_that_day(self._plain, check.strip())

    def remove_check(self, check: str) -> dict[str, str]:
        """Take one surface check out of the book; what it said comes back, so that nothing is lost silently.

        Parameters
        ----------
        check : str
            Its key.

        Returns
        -------
        dict of str to str
            Column to cell, as for `remove_dive`.

        Raises
        ------
        UnknownNameError
            If there is no such check.
        """
        from leadline.book import removal

        return removal.remove_check(self._writable, check.strip())
