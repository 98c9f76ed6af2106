"""Compiled code is that of the sources as they are.

Kind: by construction. A copy of the package is changed as an upgrade changes it, in one module only.
"""

from __future__ import annotations

import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np

import leadline
from leadline.model import sweep
from leadline.model.compiled import MARK, renew
from leadline.model.crowd import Question, crowd_marginals
from leadline.model.crowd_answer import answer
from leadline.model.hyperparameters import Hyperparameters
from leadline.model.observations import Observations
from leadline.model.people import Population
from leadline.model.propagation import Sweeper

from .test_hard_cases import AT_ODDS, wanted

ASK = """
import numpy as np
from leadline.model.crowd_doubt import near_top
print(near_top(np.array([0.0, 3.0]), np.array([1.0, 2.0]), 0.0, 1.0))
"""


def test_a_constant_that_an_upgrade_changed_is_the_new_one(tmp_path: Path) -> None:
    # `near_top` holds the constant FAR of another module; its own text stays as it is.
    shutil.copytree(
        Path(leadline.__file__).parent,
        tmp_path / "leadline",
        ignore=shutil.ignore_patterns("__pycache__"),
    )

    def asked() -> float:
        environment = os.environ | {"PYTHONPATH": str(tmp_path), "NUMBA_CACHE_DIR": str(tmp_path / "cache")}
        done = subprocess.run(
            [sys.executable, "-c", ASK], env=environment, capture_output=True, text=True, check=True
        )
        return float(done.stdout)

    assert asked() == 2.0  # both points lie within six sds
    cached = sorted((tmp_path / "cache").rglob("crowd_doubt.near_top*.nbc"))
    assert len(cached) == 1
    made = cached[0].stat().st_mtime_ns
    assert asked() == 2.0
    assert cached[0].stat().st_mtime_ns == made  # kept while the sources are the same
    module = tmp_path / "leadline" / "model" / "density.py"
    module.write_text(module.read_text().replace("FAR: Final = 6.0", "FAR: Final = 2.0"))
    assert asked() == 1.0


def test_where_nothing_can_be_cached_it_compiles_all_the_same() -> None:
    """As for a user without a home in an installation of somebody else's; numba then knows no place."""
    environment = os.environ | {"NUMBA_CACHE_LOCATOR_CLASSES": "_IPythonCacheLocator"}
    done = subprocess.run(
        [sys.executable, "-c", ASK], env=environment, capture_output=True, text=True, check=True
    )
    assert (float(done.stdout), done.stderr) == (2.0, "")


def test_only_what_was_compiled_goes(tmp_path: Path) -> None:
    sources, folder = tmp_path / "sources", tmp_path / "cache"
    sources.mkdir()
    (sources / "one.py").write_text("a = 1\n")
    assert renew(folder, sources)  # made, marked
    assert not renew(folder, sources)
    for name in ("one.f.nbi", "one.f.1.nbc", "one.cpython-311.pyc"):
        (folder / name).write_text("")
    (sources / "two.py").write_text("")
    assert renew(folder, sources)
    assert sorted(path.name for path in folder.iterdir()) == sorted([MARK, "one.cpython-311.pyc"])
    assert not renew(folder, sources)


def test_a_folder_that_cannot_be_written_is_left(tmp_path: Path) -> None:
    (tmp_path / "one.py").write_text("")
    blocked = tmp_path / "file"
    blocked.write_text("")  # no folder can stand here
    assert not renew(blocked, tmp_path)
    assert blocked.read_text() == ""


def shut(value: object) -> object:
    """A copy that may not be written to, as a column of a data frame is; other things as they are."""
    if not isinstance(value, np.ndarray):
        return value
    closed = value.copy()
    closed.flags.writeable = False
    return closed


def test_arrays_that_may_not_be_written_to_compile_nothing_anew() -> None:
    names = Observations.__dataclass_fields__
    closed = Observations(**{name: shut(getattr(AT_ODDS, name)) for name in names})
    theta, made = Hyperparameters(), []
    question = Question(
        np.arange(len(AT_ODDS)), np.zeros(len(AT_ODDS), bool), np.zeros(0, np.int64), wanted(6, 1, 3)
    )
    for o in (AT_ODDS, closed):
        covariance = np.eye(1)[None]
        covariance.flags.writeable = o is AT_ODDS
        Sweeper(o).propagate(theta)
        crowd_marginals(Population(np.zeros((1, 1)), covariance, (theta,), np.ones(1), 0.0), o, [question])
        made.append((len(sweep.sweep.signatures), len(answer.signatures)))
    assert made[0] == made[1]
    assert min(made[0]) > 0
