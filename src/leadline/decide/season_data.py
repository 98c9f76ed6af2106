"""What a season report shows of one diver: plain numbers and words, filled by decide, drawn by reports.

Everything is in house units; `SeasonData.units` says only what the reader wants to see. A number that
is not known is NaN, a word that is not known is empty, a date that is not known is NaT: nothing here
is guessed. Where *need* stands without another word it is the lead that makes the diver neutral at
the stop at the planned reserve. [kg in air] Negative need: already heavy by that much.
"""

from __future__ import annotations

from dataclasses import fields
from datetime import datetime
from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

from leadline.decide.season_parts import DIVE_EVIDENCE, CardRow, SeasonChange
from leadline.frozen import dataclass

__all__ = [
    "DIVE_EVIDENCE",
    "LEVELS",
    "Contribution",
    "Ledger",
    "Prior",
    "SeasonChecks",
    "SeasonData",
    "SeasonDives",
    "Suggestion",
]

LEVELS: Final = (0.025, 0.1, 0.5, 0.9, 0.975)
"""Probabilities of the five quantiles, in the order in which every band below holds them. [-]"""

FloatArray = NDArray[np.float64]
TextArray = NDArray[np.object_]


def _check_rows(record: Any) -> None:
    """Refuse arrays of unequal length."""
    rows: int | None = None
    for declared in fields(record):
        shape = np.shape(getattr(record, declared.name))
        name = f"{type(record).__name__}.{declared.name}"
        if not shape:
            raise ValueError(f"{name} must be an array with one row a record, got a single value")
        rows = shape[0] if rows is None else rows
        if shape[0] != rows:
            raise ValueError(f"{name} must have {rows} rows like the fields before it, got {shape[0]}")


def _check_band(record: Any, *names: str) -> None:
    """Refuse a band whose last axis is not the five `LEVELS`."""
    for name in names:
        shape = np.shape(getattr(record, name))
        if shape[-1:] != (len(LEVELS),):
            raise ValueError(
                f"{type(record).__name__}.{name} must hold {len(LEVELS)} quantiles on its last axis, "
                f"got shape {shape}"
            )


@dataclass(frozen=True)
class SeasonDives:
    """The dives of one diver in order of date; *n* dives, which may be none.

    Parameters
    ----------
    dive : ndarray of str, shape (n,)
        Key of the dive.
    date : ndarray of datetime64, shape (n,)
        NaT where unknown.
    site : ndarray of str, shape (n,)
        Where; empty where unknown.
    suit : ndarray of str, shape (n,)
        Label of the suit or suits worn; one chart is drawn for each label.
    kit : ndarray of str, shape (n,)
        Label of everything else that moves need: cylinder, undersuit, water. The chart breaks its band
        where the label changes; may be empty throughout.
    lead : ndarray, shape (n,)
        Lead carried at descent. [kg]
    stop_result : ndarray of str, shape (n,)
        hovered, rose, sank or empty.
    bc_state : ndarray of str, shape (n,)
        empty, gas, unknown or (not noted) empty text.
    bc_gas : ndarray, shape (n,)
        Estimated gas in the BC at the stop. [L]
    suit_gas : ndarray of str, shape (n,)
        least, more or unknown in a dry suit; empty text in others.
    handed_off : ndarray, shape (n,)
        Lead given away at the stop; negative: taken on; NaN: none. [kg]
    handed_off_result : ndarray of str, shape (n,)
        hovered, rose, sank or empty, after the hand-off.
    handed_off_bc : ndarray of str, shape (n,)
        empty, gas or unknown, after the hand-off; empty text counts as empty.
    descent : ndarray of str, shape (n,)
        easy, effort, no or empty.
    end_pressure : ndarray, shape (n,)
        Pressure at the stop, or at the end where none is noted; the lowest of several cylinders. [bar gauge]
    evidence : ndarray of str, shape (n,)
        What the dive says, a word of `DIVE_EVIDENCE`.
    need : ndarray, shape (n, 5)
        Quantiles of need at `LEVELS` for the kit and water of that dive, at its planned reserve, as known
        after that dive. [kg]
    margin : ndarray, shape (n,)
        Best estimate of carried lead minus need; positive is heavy. [kg]
    p_too_light, p_too_heavy : ndarray, shape (n,)
        Chances for the lead carried. [-]
    """

    dive: TextArray
    date: NDArray[np.datetime64]
    site: TextArray
    suit: TextArray
    kit: TextArray
    lead: FloatArray
    stop_result: TextArray
    bc_state: TextArray
    bc_gas: FloatArray
    suit_gas: TextArray
    handed_off: FloatArray
    handed_off_result: TextArray
    handed_off_bc: TextArray
    descent: TextArray
    end_pressure: FloatArray
    evidence: TextArray
    need: FloatArray
    margin: FloatArray
    p_too_light: FloatArray
    p_too_heavy: FloatArray

    def __post_init__(self) -> None:
        _check_rows(self)
        _check_band(self, "need")

    def __len__(self) -> int:
        return len(self.dive)


@dataclass(frozen=True)
class SeasonChecks:
    """The surface checks of one diver in order of date; *m* checks, which may be none.

    Parameters
    ----------
    check : ndarray of str, shape (m,)
        Key of the check.
    date : ndarray of datetime64, shape (m,)
        NaT where unknown.
    suit : ndarray of str, shape (m,)
        Label of the suit worn, in the words of `SeasonDives.suit`.
    lead : ndarray, shape (m,)
        Lead on. [kg]
    waterline, breath, exhale_sinks : ndarray of str, shape (m,)
        chin, eye, crown, under or empty; normal, full or out; yes, no or (not tried) empty text.
    need : ndarray, shape (m,)
        Need read at the check by itself, carried to the stop at the reserve. [kg]
    need_sd : ndarray, shape (m,)
        Standard deviation of that reading; NaN where the check gives only a bound. [kg]
    need_bound : ndarray of str, shape (m,)
        at most or at least, where the check gives only a bound; else empty.
    apart : ndarray of bool, shape (m,)
        The check lies outside the band of need as it was known with it, 95 dives in 100.
    """

    check: TextArray
    date: NDArray[np.datetime64]
    suit: TextArray
    lead: FloatArray
    waterline: TextArray
    breath: TextArray
    exhale_sinks: TextArray
    need: FloatArray
    need_sd: FloatArray
    need_bound: TextArray
    apart: NDArray[np.bool_]

    def __post_init__(self) -> None:
        _check_rows(self)

    def __len__(self) -> int:
        return len(self.check)


@dataclass(frozen=True)
class Suggestion:
    """The answer for the next dive.

    Parameters
    ----------
    lead_kg : float
        Lead to put on, on the blocks in use; where `check_first`, the lead to begin the check with. [kg]
    bring_kg : float
        Lightest lead on the blocks whose chance of too light is accepted; what to have at hand. [kg]
    check_first : bool
        A surface check comes before the dive.
    p_too_light, p_too_heavy : float
        Chances at `lead_kg` and `need_at_bar`. [-]
    need_at_bar : float
        Cylinder pressure that need is stated at. [bar gauge]
    need : ndarray, shape (5,)
        Quantiles of need at `LEVELS`, dive-to-dive scatter included. [kg]
    need_mean_kg, need_sd_kg : float
        Mean and standard deviation of the same. [kg]
    low_bar : float
        A lower end pressure, to show what running low asks for; NaN for none. [bar gauge]
    low_need : ndarray, shape (5,)
        Quantiles of need at `low_bar`. [kg]
    evidence : str
        none, upper_only, two_sided or measured.
    next_step : str
        One sentence.
    cautions : tuple of str
        Whole sentences, for this diver and kit.
    kit : tuple of str
        What is worn, one label each.
    water : str
        Label of the water.
    """

    lead_kg: float
    bring_kg: float
    check_first: bool
    p_too_light: float
    p_too_heavy: float
    need_at_bar: float
    need: FloatArray
    need_mean_kg: float
    need_sd_kg: float
    low_bar: float
    low_need: FloatArray
    evidence: str
    next_step: str
    cautions: tuple[str, ...]
    kit: tuple[str, ...]
    water: str

    def __post_init__(self) -> None:
        _check_band(self, "need", "low_need")


@dataclass(frozen=True)
class Prior:
    """Need on the next dive from physics alone.

    Parameters
    ----------
    mean, sd : float
        Mean and standard deviation. [kg]
    band : ndarray, shape (5,)
        Quantiles at `LEVELS`. [kg]
    """

    mean: float
    sd: float
    band: FloatArray

    def __post_init__(self) -> None:
        _check_band(self, "band")


@dataclass(frozen=True)
class Contribution:
    """One part of what the records add to the prior mean.

    Parameters
    ----------
    label : str
        population, an item of kit, the diver, the diver in this suit.
    kg : float
        Addition to need. [kg]
    sd : float
        Standard deviation of that addition. [kg]
    """

    label: str
    kg: float
    sd: float


@dataclass(frozen=True)
class Ledger:
    """The forces behind a need, *k* items in *s* states.

    Parameters
    ----------
    item : tuple of str, length k
        Labels.
    state : tuple of str, length s
        stop, start, surface; the first is the state of the suggestion.
    depth : ndarray, shape (s,)
        Depth of each state. [m]
    pressure : ndarray, shape (s,)
        Cylinder pressure in each state. [bar gauge]
    mass, volume : ndarray, shape (k, s)
        Mass and displaced volume. [kg, L]
    net_buoyancy : ndarray, shape (k, s)
        Net upward force over g; negative sinks. [kg]
    sd : ndarray, shape (k, s)
        Standard deviation of `net_buoyancy`. [kg]
    total : ndarray, shape (s,)
        Sum of `net_buoyancy` over the items, without lead. [kg]
    lead : ndarray, shape (s,)
        Lead in air that balances it; negative: already heavy. [kg]
    """

    item: tuple[str, ...]
    state: tuple[str, ...]
    depth: FloatArray
    pressure: FloatArray
    mass: FloatArray
    volume: FloatArray
    net_buoyancy: FloatArray
    sd: FloatArray
    total: FloatArray
    lead: FloatArray

    def __post_init__(self) -> None:
        shape = (len(self.item), len(self.state))
        for name in ("mass", "volume", "net_buoyancy", "sd"):
            if np.shape(getattr(self, name)) != shape:
                raise ValueError(
                    f"Ledger.{name} must have one row an item and one column a state, {shape}, "
                    f"got {np.shape(getattr(self, name))}"
                )
        for name in ("depth", "pressure", "total", "lead"):
            if np.shape(getattr(self, name)) != shape[1:]:
                raise ValueError(
                    f"Ledger.{name} must have one value a state, {shape[1:]}, "
                    f"got {np.shape(getattr(self, name))}"
                )


@dataclass(frozen=True)
class SeasonData:
    """All that the season report of one diver shows.

    Parameters
    ----------
    diver : str
        Name, shown as it stands.
    units : str
        metric or imperial: what the reader sees.
    generated : datetime
        When these numbers were put together.
    book, data_version : str
        Name of the book, without its path, and version of its records.
    fitted : datetime or None
        When the model was last fitted; None: never, or nobody said.
    latest : datetime64
        Latest dive of the book; NaT where none has a date.
    since : datetime64
        First day shown; NaT: all.
    dives_used, checks_used : int
        Dives and surface checks of this diver that count as evidence, those before `since` among them.
    dives : SeasonDives
        The dives.
    checks : SeasonChecks
        The surface checks.
    suggestion : Suggestion or None
        The answer; None where no kit is known that it could be for.
    prior : Prior or None
        Physics alone, for the kit of the suggestion.
    learned : tuple of Contribution
        What leads from `prior.mean` to `suggestion.need_mean_kg`, in order.
    ledger : Ledger or None
        The forces, for the kit of the suggestion.
    card : tuple of CardRow
        The next dive, and what it would be in other kit and water.
    change : SeasonChange or None
        The last season beside this one; None where there was no long break.
    changed_kit, unlearned : tuple of str, bool
        Items changed since the fit, what was learned of them being left out; whether nothing was learned.
    """

    diver: str
    units: str
    generated: datetime
    book: str
    data_version: str
    fitted: datetime | None
    latest: np.datetime64
    since: np.datetime64
    dives_used: int
    checks_used: int
    dives: SeasonDives
    checks: SeasonChecks
    suggestion: Suggestion | None
    prior: Prior | None
    learned: tuple[Contribution, ...]
    ledger: Ledger | None
    card: tuple[CardRow, ...] = ()
    change: SeasonChange | None = None
    changed_kit: tuple[str, ...] = ()
    unlearned: bool = False

    def __post_init__(self) -> None:
        if self.units not in ("metric", "imperial"):
            raise ValueError(f"SeasonData.units must be metric or imperial, got {self.units!r}")
