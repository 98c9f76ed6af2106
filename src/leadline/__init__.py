"""How much lead a diver needs, with its band and its risk, learned from logged dives."""

from __future__ import annotations

__version__ = "0.1.0"
