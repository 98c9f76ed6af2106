"""Invented seasons for the pages in a browser; the browser itself is that of all tests."""

import importlib.util
from pathlib import Path

import pytest


def _sample():
    """The invented seasons of the report tests."""
    path = Path(__file__).parents[1] / "reports" / "conftest.py"
    spec = importlib.util.spec_from_file_location("season_sample", path)
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


SAMPLE = _sample()


@pytest.fixture
def season():
    """A function that makes an invented season."""
    return SAMPLE.make_season
