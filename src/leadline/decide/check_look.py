"""One look at the waterline, and how it was made."""

from __future__ import annotations

from leadline.frozen import dataclass
from leadline.physics.odds import CONTRADICTORY, CONTRADICTORY_OUT

__all__ = ["Conditions", "Look"]


@dataclass(frozen=True)
class Look:
    """One look at the waterline of the still, upright diver, BC empty.

    Parameters
    ----------
    lead_kg : float
        Lead on. [kg]
    bar : str
        Gauge pressures, one for each cylinder, joined by `;`. [bar]
    waterline : str
        chin, eye, crown, under; empty where it was not looked at.
    breath : str
        normal, full or out.
    exhale_sinks : str
        yes, no; empty where it was not tried.
    """

    lead_kg: float
    bar: str
    waterline: str = ""
    breath: str = "normal"
    exhale_sinks: str = ""

    @property
    def at_odds(self) -> bool:
        """Whether its two halves contradict each other, so that it says nothing."""
        pairs = {"normal": CONTRADICTORY, "out": CONTRADICTORY_OUT}.get(self.breath, ())
        return (self.waterline, self.exhale_sinks) in pairs


@dataclass(frozen=True)
class Conditions:
    """What the one who looks can say about the look; None where nobody said.

    Parameters
    ----------
    still : bool or None
        Hung still: no finning, no sculling, holding on to nothing.
    minutes : float or None
        Minutes in the water, for the air in a suit to find its way out. [min]
    """

    still: bool | None = None
    minutes: float | None = None
