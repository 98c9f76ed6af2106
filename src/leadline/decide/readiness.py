"""Loading the compiled way ahead of its use, while a plan is read and its records are brought together.

The compiler takes two tenths of a second to load, and the compiled code three more: as long as all that comes
before the first question. Most of it is not Python, so that another core can see to it meanwhile.
"""

from __future__ import annotations

from collections.abc import Callable
from contextlib import suppress
from importlib import import_module
from threading import Thread

import numpy as np

from leadline.decide.ahead import MANY

__all__ = ["ask_a_stranger", "begin_loading"]


def begin_loading(questions: int, *, sure: bool) -> None:
    """Begin to load in the background what `leadline.decide.ahead.foresee` will need, if it will.

    Parameters
    ----------
    questions : int
        About how many needs will be asked for; from `MANY` on the compiled way is taken.
    sure : bool
        Whether they will be asked for certain. If not, only the compiler is loaded: where code has to be
        compiled yet, whoever is told of a fault in the plan would wait half a minute for the end.
    """
    if questions >= MANY:
        Thread(name="loading", target=_quietly, args=(ask_a_stranger if sure else _compiler,)).start()


def _quietly(work: Callable[[], object]) -> None:
    """What fails here fails again where it is needed, and there it is told."""
    with suppress(Exception):
        work()


def _compiler() -> None:
    import_module("leadline.model.crowd_answer")


def ask_a_stranger() -> None:
    """Ask for the need of somebody of whom nothing is known, which loads all code that any answer needs."""
    from leadline.model.crowd import Question, crowd_marginals
    from leadline.model.observations import Observations
    from leadline.model.people import Population, Targets
    from leadline.model.population import prior_fit

    none, label, names = np.zeros(0), np.zeros(0, np.int64), ("one", "other")
    nothing = Observations(
        prior=none,
        exposure=np.zeros((0, len(names))),
        suit_weight=none,
        lower=none,
        upper=none,
        lower_breath=none,
        upper_breath=none,
        reading_sd=none,
        fit=np.zeros((0, 3)),
        form=label,
        point=np.zeros(0, bool),
        occasion=label,
        suit=label,
        diver=label,
        body_sd=none,
        names=names,
    )
    need = Targets(np.zeros(1), np.zeros((1, len(names))), np.ones(1), np.zeros(1, np.int64), 1.0)
    question = Question(label, np.zeros(0, bool), label, need)
    crowd_marginals(Population.of(prior_fit(names), names), nothing, [question])
