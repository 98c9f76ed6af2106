"""Where and with what a figure was measured, in words that name no machine."""

from __future__ import annotations

import os
import platform
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Final

__all__ = ["REPORTS", "made_with"]

REPORTS: Final = Path(__file__).resolve().parents[1] / "reports" / "engine"
"""Where the figures of the engine are kept."""

ALWAYS: Final = ("numpy", "scipy", "numba")


def _processor() -> str:
    """Number of cores and kind of processor."""
    return f"{os.cpu_count()} shared {platform.machine()} cores, {platform.system()}"


def made_with(*others: str) -> str:
    """One line: interpreter, versions of the libraries and class of the machine.

    Parameters
    ----------
    others : str
        Libraries to be named beside those that the engine itself rests on.

    Returns
    -------
    str
        Without paths or names of machines.
    """
    parts = [f"Python {platform.python_version()}"]
    for name in (*ALWAYS, *others):
        try:
            parts.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            parts.append(f"{name} not installed")
    return f"{', '.join(parts)}; {_processor()}, one thread for linear algebra."
