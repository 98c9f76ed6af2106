"""Needs that were asked for ahead: found, or still being worked at in the background."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping

from leadline.model.marginal import Marginal

__all__ = ["Foreseen", "Key"]

Key = tuple[int, int, bytes]
"""What tells a question from all others: row of the timeline, place in time, state."""

Coming = Iterator[Mapping[Key, Marginal | None]]


class Foreseen:
    """Answers by question; whoever asks for one waits until it is there, and for nothing asked later."""

    def __init__(self) -> None:
        self._found: dict[Key, Marginal | None] = {}
        self._awaited: dict[Key, Coming] = {}

    def __contains__(self, key: Key) -> bool:
        """Whether it was asked."""
        return key in self._found or key in self._awaited

    def __bool__(self) -> bool:
        """Whether anything was asked."""
        return bool(self._found or self._awaited)

    def expect(self, keys: Iterable[Key], coming: Coming) -> None:
        """Take up questions and what will answer them, in parts; None for one to be asked by itself."""
        self._awaited |= dict.fromkeys(keys, coming)

    def get(self, key: Key) -> Marginal | None:
        """The answer; None where it is to be asked by itself, or was not asked."""
        # Few questions that were asked late need not wait for the many that were asked before them.
        while key in self._awaited:
            self._take(self._awaited[key])
        return self._found.get(key)

    def all(self) -> dict[Key, Marginal]:
        """All answers, when all are there."""
        for key in list(self._awaited):
            self.get(key)
        return {key: need for key, need in self._found.items() if need is not None}

    def _take(self, coming: Coming) -> None:
        """Wait for the next part of these."""
        part = next(coming)
        self._found.update(part)
        for key in part:
            self._awaited.pop(key, None)
