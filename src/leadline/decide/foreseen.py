"""Needs that were asked for ahead: found, or still being worked at in the background."""

from __future__ import annotations

from collections import deque
from collections.abc import Iterable, Iterator, Mapping

from leadline.model.marginal import Marginal

__all__ = ["Foreseen", "Key"]

Key = tuple[int, int, bytes]
"""What tells a question from all others: row of the timeline, place in time, state."""


class Foreseen:
    """Answers by question; whoever asks for one waits until it is there, and for no later one."""

    def __init__(self) -> None:
        self._found: dict[Key, Marginal | None] = {}
        self._awaited: set[Key] = set()
        self._coming: deque[Iterator[Mapping[Key, Marginal | None]]] = deque()

    def __contains__(self, key: Key) -> bool:
        """Whether it was asked."""
        return key in self._found or key in self._awaited

    def __bool__(self) -> bool:
        """Whether anything was asked."""
        return bool(self._found or self._awaited)

    def expect(self, keys: Iterable[Key], coming: Iterator[Mapping[Key, Marginal | None]]) -> None:
        """Take up questions and what will answer them, in parts; None for one to be asked by itself."""
        self._awaited.update(keys)
        self._coming.append(coming)

    def get(self, key: Key) -> Marginal | None:
        """The answer; None where it is to be asked by itself, or was not asked."""
        while key in self._awaited:
            self._take()
        return self._found.get(key)

    def all(self) -> dict[Key, Marginal]:
        """All answers, when all are there."""
        while self._awaited:
            self._take()
        return {key: need for key, need in self._found.items() if need is not None}

    def _take(self) -> None:
        """Wait for the next part."""
        part = next(self._coming[0], None)
        if part is None:
            self._coming.popleft()
            return
        self._found.update(part)
        self._awaited.difference_update(part)
