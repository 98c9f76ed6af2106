"""What a fit found, in plain numbers: shared effects, kit, records, parts of the variance, breath range."""

from __future__ import annotations

from leadline.frozen import dataclass
from leadline.model.population import Fit

__all__ = ["BreathRange", "Contradiction", "Convergence", "Doubt", "Effect", "Findings", "Part"]


@dataclass(frozen=True)
class Effect:
    """What was learned of one shared uncertainty.

    Parameters
    ----------
    name, label : str
        Column of the exposures, and what it is for people.
    kg, kg_sd : float
        Correction of need where it applies (at its usual size, with the sign that most of it has there), and
        its posterior sd. Positive: more lead. [kg]
    low_kg, high_kg : float
        Its 95 % interval. [kg]
    prior_sd_kg : float
        Sd before any log. [kg]
    rows : int
        Observations that it touches.
    """

    name: str
    label: str
    kg: float
    kg_sd: float
    low_kg: float
    high_kg: float
    prior_sd_kg: float
    rows: int


@dataclass(frozen=True)
class Contradiction:
    """Kit whose entry, or whose usual buoyancy where it has none, the logs contradict.

    Parameters
    ----------
    name, label : str
        Column of the exposures, and what it is for people.
    kg, low_kg, high_kg : float
        Lead that it takes beyond its entry as answers reckon with it, and the 95 % interval. [kg]
    alone_kg : float
        The same by the records alone, whatever the entry says of itself. [kg]
    prior_sds : float
        The same in sds of the entry; beyond 2 the entry was too sure of itself. [-]
    false_rate : float
        Share of false ones to expect if this kit and all of stronger evidence are named. [-]
    rows : int
        Observations that it touches.
    """

    name: str
    label: str
    kg: float
    low_kg: float
    high_kg: float
    alone_kg: float
    prior_sds: float
    false_rate: float
    rows: int


@dataclass(frozen=True)
class Doubt:
    """A record that looks wrong.

    Parameters
    ----------
    table, key, diver : str
        Where it stands.
    kind : str
        stop, hand_off, descent, waterline or exhale.
    probability : float
        Posterior chance that it says something else than what was. [-]
    lead_kg, need_kg : float
        Lead of the record, and need expected in its state from all other records. [kg]
    """

    table: str
    key: str
    diver: str
    kind: str
    probability: float
    lead_kg: float
    need_kg: float


@dataclass(frozen=True)
class Part:
    """One part of the variance of need from dive to dive.

    Parameters
    ----------
    name, label : str
        foreseen, shared, diver, suit, scatter or drift, and what it is for people.
    before_kg, after_kg : float
        Its sd before any log and with what was learned. [kg]
    before_share, after_share : float
        Its part of the whole variance; all parts sum to 1. [-]
    """

    name: str
    label: str
    before_kg: float
    after_kg: float
    before_share: float
    after_share: float


@dataclass(frozen=True)
class BreathRange:
    """Breath range as the records say it, read in two ways.

    Parameters
    ----------
    free_out, free_in : float
        With the chances of noting things down learned along. [kg]
    fixed_out, fixed_in : float or None
        With each record meaning its interval and no more; None where that fit did not converge or was not
        asked for. [kg]
    fixed_observations : int
        Observations behind the latter: all, or those of some of the divers of a large book.
    decision_out, decision_in : float
        Lightness and heaviness that decisions count on. [kg]
    """

    free_out: float
    free_in: float
    fixed_out: float | None
    fixed_in: float | None
    fixed_observations: int
    decision_out: float
    decision_in: float


@dataclass(frozen=True)
class Convergence:
    """How the fit came to its end.

    Parameters
    ----------
    rounds, fits, sweeps : int
        Steps of the search, fits of all divers under given hyperparameters, passes over all records.
    left_sd : float
        By how much one step more would move a hyperparameter at most, in its posterior sd. [-]
    settled : bool
        Whether every record had settled in the last fit; else a few may still move by a fifth of their sd.
    """

    rounds: int
    fits: int
    sweeps: int
    left_sd: float
    settled: bool


@dataclass(frozen=True)
class Findings:
    """The fit and what it says in plain numbers.

    Parameters
    ----------
    fit : Fit
        To be stored.
    counts : dict
        Observations by kind, and divers and occasions with evidence.
    effects : tuple of Effect
        Shared effects, the largest first.
    contradictions : tuple of Contradiction
        Kit whose buoyancy is not as listed, the surest first.
    doubts : tuple of Doubt
        Records that look wrong, the surest first.
    parts : tuple of Part
        What makes needs differ.
    breath : BreathRange
        Read in two ways.
    convergence : Convergence
        Of the fit.
    evidence_hash : str
        Of the evidence that the fit saw.
    excess_kg : float
        Lead carried over what physics alone reckons, usual of each diver, the middle one of all divers; NaN
        where nobody's is known. [kg]
    """

    fit: Fit
    counts: dict[str, int]
    effects: tuple[Effect, ...]
    contradictions: tuple[Contradiction, ...]
    doubts: tuple[Doubt, ...]
    parts: tuple[Part, ...]
    breath: BreathRange
    convergence: Convergence
    evidence_hash: str
    excess_kg: float
