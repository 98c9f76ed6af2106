"""One direction: an import may only point up the list; heavy libraries stay out of the start."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from dataclasses import dataclass
from graphlib import CycleError, TopologicalSorter
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SOURCE = ROOT / "src"

LAYERS = (
    "errors",
    "frozen",
    "units",
    "records",
    "constants",
    "normal",
    "distinct",
    "csv_lines",
    "arrays",
    "latest",
    "timeline",
    "physics",
    "model",
    "evidence",
    "decide",
    "book",
    "reports",
    "cli",
)
"""From the top; `leadline` itself holds the version and stands above them all."""

NOT_TOLD = {
    # A layer that an import could reach by the order above, and why it must not.
    "model": {
        "records",
        "arrays",
        "timeline",
        "physics",
    },  # it sees numbers; it would fit any threshold problem
    "book": {"timeline", "model", "evidence", "decide"},  # storage and no statistics
    "reports": {"arrays", "timeline", "physics", "model", "evidence", "book"},  # draws results, computes none
}

TOLD_ALONE = {
    ("reports", "leadline.book.destination"),  # whoever writes a file must know what a book is
}
"""Single modules of a layer that is not told otherwise."""

HOMES = {
    # library: the layers that may use it
    "duckdb": {"book"},
    "_duckdb": {"book"},
    "jinja2": {"reports"},
    "markupsafe": {"reports"},
    "matplotlib": {"reports"},
    "typer": {"cli"},
    "click": {"cli"},
    "rich": {"cli"},
    "gsw": {"physics"},
    "dask": {"model"},
    "distributed": {"model"},
    "numba": {"model"},  # and there only behind a function: answers for one diver do without
}

ESTIMATOR = "leadline.model.regressor"
"""The scikit-learn estimator: its base classes must be there when it is loaded. For everybody else it is
therefore as heavy as scikit-learn itself."""

HEAVY = (
    "pandas",
    "sklearn",
    "statsmodels",
    "scoringrules",
    "matplotlib",
    "scipy.stats",
    "pyarrow",
    "CoolProp",
    "dask",
    "distributed",
    ESTIMATOR,
)
"""What takes half a second and more to import: never at module level."""

LIGHT_START = ("numpy", "scipy", "duckdb", "gsw", "jinja2", *HEAVY)
"""Libraries that help and completion do without: never at module level in `cli`."""


@dataclass(frozen=True)
class Import:
    """One imported module, or the name that may be one."""

    importer: str
    target: str
    line: int
    deferred: bool  # inside a function
    typing: bool  # under TYPE_CHECKING: it never runs

    def __str__(self) -> str:
        return f"{self.importer}:{self.line} imports {self.target}"


def _walk(node: ast.AST, deferred: bool, typing: bool) -> Iterator[tuple[ast.AST, bool, bool]]:
    for child in ast.iter_child_nodes(node):
        inside = deferred or isinstance(child, (ast.FunctionDef, ast.AsyncFunctionDef, ast.Lambda))
        unread = typing or (isinstance(child, ast.If) and "TYPE_CHECKING" in ast.unparse(child.test))
        yield child, inside, unread
        yield from _walk(child, inside, unread)


def imports(importer: str, text: str, modules: set[str]) -> list[Import]:
    """All imports of one module; a name taken from a package is the module of that name, if any."""
    found = []
    for node, deferred, typing in _walk(ast.parse(text), False, False):
        if isinstance(node, ast.Import):
            targets = [alias.name for alias in node.names]
        elif isinstance(node, ast.ImportFrom):
            base = "." * node.level + (node.module or "")
            inner = [f"{base}.{alias.name}" for alias in node.names]
            targets = [name if name in modules or not name.startswith("leadline") else base for name in inner]
        else:
            continue
        found += [Import(importer, target, node.lineno, deferred, typing) for target in targets]
    return found


def layer(module: str) -> str:
    """Layer of a module of the package; empty for the root."""
    return module.split(".")[1] if "." in module else ""


def is_of(target: str, library: str) -> bool:
    return target == library or target.startswith(f"{library}.")


def points_down(found: list[Import]) -> list[str]:
    rank = {"": -1} | {name: place for place, name in enumerate(LAYERS)}
    return [
        str(i)
        for i in found
        if is_of(i.target, "leadline") and rank[layer(i.target)] > rank[layer(i.importer)]
    ]


def told_too_much(found: list[Import]) -> list[str]:
    return [
        str(i)
        for i in found
        if is_of(i.target, "leadline")
        and layer(i.target) in NOT_TOLD.get(layer(i.importer), set())
        and (layer(i.importer), i.target) not in TOLD_ALONE
    ]


def away_from_home(found: list[Import]) -> list[str]:
    return [
        str(i)
        for i in found
        for library, homes in HOMES.items()
        if is_of(i.target, library) and layer(i.importer) not in homes
    ]


def too_early(found: list[Import]) -> list[str]:
    return [
        str(i)
        for i in found
        if not i.deferred and not i.typing
        for library in (LIGHT_START if layer(i.importer) == "cli" else HEAVY)
        if is_of(i.target, library) and (i.importer, library) != (ESTIMATOR, "sklearn")
    ]


def relative(found: list[Import]) -> list[str]:
    return [str(i) for i in found if i.target.startswith(".")]


def cycle(found: list[Import]) -> list[str]:
    """One circle of modules that import each other as they are loaded; empty where there is none."""
    graph: dict[str, set[str]] = {}
    for i in found:
        if not i.deferred and not i.typing and i.target != i.importer and is_of(i.target, "leadline"):
            graph.setdefault(i.importer, set()).add(i.target)
    try:
        TopologicalSorter(graph).prepare()
    except CycleError as circle:
        return list(circle.args[1])
    return []


RULES = (points_down, told_too_much, away_from_home, too_early, relative, cycle)


def _name(path: Path) -> str:
    parts = path.relative_to(SOURCE).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


@pytest.fixture(scope="module")
def package() -> list[Import]:
    """All imports of the package."""
    files = {_name(path): path for path in sorted(SOURCE.rglob("*.py"))}
    found = []
    for module, path in files.items():
        found += imports(module, path.read_text(encoding="utf-8"), set(files))
    assert len(found) > 300, "the package was not found"
    return found


def test_every_module_has_a_layer() -> None:
    names = {path.stem for path in (SOURCE / "leadline").glob("*.py")}
    names |= {path.parent.name for path in (SOURCE / "leadline").glob("*/__init__.py")}
    assert names - {"__init__"} == set(LAYERS)


@pytest.mark.parametrize("rule", RULES)
def test_package_keeps_the_rule(rule, package: list[Import]) -> None:
    assert rule(package) == []


PLANTED = [
    (points_down, "leadline.physics.gas", "from leadline.model import solo"),
    (points_down, "leadline.records", "def f():\n    import leadline.arrays"),
    (points_down, "leadline.errors", "if TYPE_CHECKING:\n    from leadline.units import POUND"),
    (told_too_much, "leadline.model.solo", "from leadline.physics import gas"),
    (told_too_much, "leadline.reports.season", "def f():\n    from leadline.physics.gas import density"),
    (told_too_much, "leadline.reports.page", "from leadline.book import Book"),
    (away_from_home, "leadline.decide.advice", "def f():\n    import duckdb"),
    (away_from_home, "leadline.book.export", "from rich.table import Table"),
    (too_early, "leadline.reports.chart", "from matplotlib.figure import Figure"),
    (too_early, "leadline.model.marginal", "from scipy import stats"),
    (too_early, "leadline.model.marginal", "import scipy.stats"),
    (too_early, "leadline.model.marginal", "from sklearn.base import BaseEstimator"),
    (too_early, "leadline.decide.learning", "from leadline.model.regressor import IntervalRegressor"),
    (too_early, "leadline.model.regressor", "import pandas"),
    (too_early, "leadline.cli.learn", "class A:\n    import numpy as np"),
    (relative, "leadline.model.solo", "from . import marginal"),
]


@pytest.mark.parametrize(("rule", "module", "text"), PLANTED)
def test_rule_finds_what_breaks_it(rule, module: str, text: str) -> None:
    modules = {"leadline.model.solo", "leadline.physics.gas", "leadline.model.marginal"}
    assert len(rule(imports(module, text, modules))) == 1


def test_rules_let_pass_what_is_deferred_or_only_read_by_the_type_checker() -> None:
    text = "if TYPE_CHECKING:\n    import pandas\ndef f():\n    import scipy.stats\nimport scipy.special"
    assert too_early(imports("leadline.model.solo", text, set())) == []


def test_the_estimator_alone_may_load_scikit_learn() -> None:
    text = "from sklearn.base import BaseEstimator"
    assert too_early(imports(ESTIMATOR, text, set())) == []
    later = "def f():\n    from leadline.model.regressor import IntervalRegressor"
    assert too_early(imports("leadline.decide.learning", later, set())) == []


def test_circle_is_found() -> None:
    there = imports("leadline.a", "from leadline import b", {"leadline.b"})
    back = imports("leadline.b", "import leadline.a", {"leadline.a"})
    later = imports("leadline.b", "def f():\n    import leadline.a", {"leadline.a"})
    assert set(cycle(there + back)) == {"leadline.a", "leadline.b"}
    assert cycle(there + later) == []


@pytest.mark.parametrize("path", sorted(SOURCE.rglob("*.py")), ids=_name)
def test_module_is_small_enough_to_read_at_once(path: Path) -> None:
    assert len(path.read_text(encoding="utf-8").splitlines()) <= 400
