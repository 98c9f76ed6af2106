"""Headless Chromium for the pages; skipped, with the reason shown, where none is installed."""

import importlib.util
import shutil
from pathlib import Path

import pytest

CHROMIUM = next(
    filter(None, map(shutil.which, ("chromium", "chromium-browser", "google-chrome", "chrome"))), None
)


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


@pytest.fixture(scope="session")
def chromium():
    """A running browser."""
    if CHROMIUM is None:
        pytest.skip("no Chromium on the path")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=CHROMIUM, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
        )
        yield browser
        browser.close()


@pytest.fixture
def visit(chromium, tmp_path):
    """A function that opens a report, `visit(path, width, scheme)`, and notes what it says and asks for."""
    contexts = []

    def open_page(path, width, scheme="light"):
        context = chromium.new_context(viewport={"width": width, "height": 900}, color_scheme=scheme)
        contexts.append(context)
        page = context.new_page()
        page.said, page.asked = [], []
        page.on("console", lambda message: page.said.append(message.text))
        page.on("pageerror", lambda error: page.said.append(str(error)))
        page.on("request", lambda request: page.asked.append(request.url))
        page.goto(path.as_uri())
        return page

    yield open_page
    for context in contexts:
        context.close()
