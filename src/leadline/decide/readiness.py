"""What will be needed for many answers begun while a plan is read and its records are brought together."""

from __future__ import annotations

from typing import Final

from leadline.model import second

__all__ = ["MANY", "begin_loading"]

MANY: Final = 400
"""Questions from which the compiled way is taken: for fewer, loading it takes longer than they do. [-]"""


def begin_loading(questions: int) -> None:
    """Begin to load beside what else is done what `leadline.decide.ahead.foresee` will need, if it will.

    Parameters
    ----------
    questions : int
        About how many needs will be asked for; from `MANY` on the compiled way is taken.
    """
    if questions >= MANY:
        second.begin()
