"""What every test rests on: one thread, no network, no book of the user's own, one browser for all pages."""

import importlib.util
import logging
import os
import shutil
import socket
from pathlib import Path

import pytest
from hypothesis import settings

# The same cases in each run, here and in CI. `.ci/long` looks for others, with a seed that it prints.
settings.register_profile("same", derandomize=True, deadline=None)
settings.load_profile("same")

# Read when a test first imports numpy. The matrices here are small: two threads wait for each other more than
# they help, and the last digits would depend on the machine.
for _name in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
    os.environ.setdefault(_name, "1")

_HERE = ("127.0.0.1", "::1", "localhost")


@pytest.fixture(autouse=True, scope="session")
def no_network():
    """Refuse connections to other machines: the project needs none, and neither may a test."""
    connect = socket.socket.connect

    def refused(self, address):
        if self.family in (socket.AF_INET, socket.AF_INET6) and address[0] not in _HERE:
            raise ConnectionRefusedError(f"a test reaches for the network: {address}")
        return connect(self, address)

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(socket.socket, "connect", refused)
        yield


@pytest.fixture(autouse=True, scope="session")
def no_book_of_the_users(tmp_path_factory):
    """Keep the book of whoever runs the tests out of their way."""
    with pytest.MonkeyPatch.context() as patch:
        patch.delenv("LEADLINE_BOOK", raising=False)
        patch.setenv("XDG_DATA_HOME", str(tmp_path_factory.mktemp("data")))
        yield


@pytest.fixture(autouse=True, scope="session")
def no_word_of_lost_workers():
    """Keep tasks of workers that were lost from telling so when they are collected.

    They tell it with a traceback, which parses source; where something else is being parsed just then, as
    Hypothesis does, CPython 3.11 ends that in a `SystemError` (its issue 106905; number from memory).
    """
    logger = logging.getLogger("asyncio")
    level = logger.level
    logger.setLevel(logging.CRITICAL)
    yield
    logger.setLevel(level)


@pytest.fixture(scope="session")
def chromium():
    """A running headless Chromium; skipped, with the reason shown, where none is installed.

    One for the whole session: its driver cannot be started twice.
    """
    names = ("chromium", "chromium-browser", "google-chrome", "chrome")
    program = next(filter(None, map(shutil.which, names)), None)
    if program is None:
        pytest.skip("no Chromium on the path")
    sync_api = pytest.importorskip("playwright.sync_api", reason="playwright is not installed")
    with sync_api.sync_playwright() as playwright:
        browser = playwright.chromium.launch(
            executable_path=program, args=["--no-sandbox", "--disable-gpu", "--disable-dev-shm-usage"]
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


@pytest.fixture(scope="session")
def axe():
    """Source of axe-core (Deque Systems, MPL 2.0), as a Python package carries it."""
    found = importlib.util.find_spec("axe_playwright_python")
    if found is None:
        pytest.skip("axe-playwright-python is not installed")
    return (Path(found.origin).parent / "axe.min.js").read_text(encoding="utf-8")
