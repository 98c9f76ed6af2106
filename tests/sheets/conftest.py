"""axe-core, where somebody has put it."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

AXE = "AXE_CORE"
"""Environment variable: path of `axe.min.js`, from `npm pack axe-core`."""


@pytest.fixture(scope="session")
def axe() -> str:
    """Source of axe-core; the tests that need it are skipped where it is not at hand."""
    named = os.environ.get(AXE, "")
    if not named:
        pytest.skip(f"{AXE} names no axe.min.js (npm pack axe-core)")
    return Path(named).read_text(encoding="utf-8")
