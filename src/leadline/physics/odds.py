"""Words of one surface check that cannot both be true."""

from __future__ import annotations

from typing import Final

__all__ = ["CONTRADICTORY", "CONTRADICTORY_OUT"]

CONTRADICTORY: Final = {("chin", "yes"): True, ("crown", "no"): False, ("under", "no"): True}
"""Waterline on a normal breath, and whether letting it out sinks: of these two one is misread. A litre of
breath is not worth a head, and who is under with it does not come up without. True where that is sure: at
the crown both may also be judged a little off."""

CONTRADICTORY_OUT: Final = (("chin", "yes"), ("eye", "yes"), ("under", "no"))
"""The same where the waterline is that of a diver who has breathed out: both tell of one moment."""
