"""Run a check of the engine and write down what it prints: ``python .ci/written.py sbc 1000``.

The first argument names a script of this folder, the others are its own. What it says of itself, what it
prints, how it was called and with what go to `reports/engine`; its exit status is passed on.
"""

from __future__ import annotations

import ast
import io
import sys
import time
from collections.abc import Sequence
from contextlib import redirect_stdout
from importlib import import_module
from pathlib import Path
from typing import Final

from setting import REPORTS, made_with

HERE: Final = Path(__file__).resolve().parent
TITLES: Final = {"sbc": "Simulation-based calibration", "worlds": "Worlds that are not the model's"}


def page(name: str, arguments: Sequence[str], printed: str, *, good: bool, seconds: float) -> str:
    """The whole page.

    Parameters
    ----------
    name : str
        Script, without its suffix.
    arguments : sequence of str
        How it was called.
    printed : str
        What it printed.
    good : bool
        Whether all was as it should be.
    seconds : float
        How long it took. [s]
    """
    about = ast.get_docstring(ast.parse((HERE / f"{name}.py").read_text(encoding="utf-8"))) or ""
    about = about.split("\n\n", 1)[1].replace("References\n----------\n", "References: ")
    verdict = (
        "All is within what is allowed." if good else "Not all is within what is allowed; see the marks."
    )
    return (
        f"# {TITLES[name]}\n\n{about}\n\n**{verdict}**\n\n```text\n{printed.rstrip()}\n```\n\n"
        f"Made by `python .ci/written.py {' '.join([name, *arguments])}` in {seconds:.0f} s. "
        f"{made_with('numpyro', 'scoringrules')}\n"
    )


def main(arguments: Sequence[str]) -> int:
    """Run, show, write; the status of the check."""
    if not arguments or arguments[0] not in TITLES:
        print(f"name one of {', '.join(TITLES)}, then its own arguments", file=sys.stderr)
        return 2
    name, *own = arguments
    begun, printed = time.perf_counter(), io.StringIO()
    with redirect_stdout(printed):
        status: int = import_module(name).main(own)
    seconds = time.perf_counter() - begun
    print(printed.getvalue(), end="")
    REPORTS.mkdir(parents=True, exist_ok=True)
    whole = page(name, own, printed.getvalue(), good=not status, seconds=seconds)
    (REPORTS / f"{name}.md").write_text(whole, encoding="utf-8")
    return status


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
