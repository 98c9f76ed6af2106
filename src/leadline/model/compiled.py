"""The compiler, and its cache kept true to the sources.

Compiled code is cached by the text of the module a function stands in. Functions and constants of other
modules are compiled into it, and the cache does not notice when these change: after an upgrade a function
could run with what an older version had for them. So whenever any source of the engine has changed, all that
was compiled from them is thrown away.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from pathlib import Path
from typing import Final

from numba import njit

__all__ = ["njit", "renew"]

MARK: Final = "leadline-sources.sha256"


@njit(cache=True)
def _probe() -> int:
    return 0


def renew(folder: Path, sources: Path) -> bool:
    """Throw compiled code away that was made from other sources.

    Parameters
    ----------
    folder : Path
        Where compiled code is cached; it need not exist.
    sources : Path
        Folder of the modules that it is made from.

    Returns
    -------
    bool
        Whether something may have been thrown away. Where the folder cannot be written nothing is, nor is
        anything cached there.
    """
    digest = hashlib.sha256()
    for module in sorted(sources.glob("*.py")):
        text = module.read_bytes()
        digest.update(f"{module.name} {len(text)} ".encode() + text)
    mark = folder / MARK
    try:
        if mark.read_text() == digest.hexdigest():
            return False
    except (OSError, ValueError):
        pass  # no mark, or none of ours
    try:
        folder.mkdir(parents=True, exist_ok=True)
        # The index of a function goes before its code, so that no index is left without.
        for old in (*folder.glob("*.nbi"), *folder.glob("*.nbc")):
            old.unlink(missing_ok=True)
        descriptor, name = tempfile.mkstemp(dir=folder)
        with os.fdopen(descriptor, "w") as file:
            file.write(digest.hexdigest())
        Path(name).replace(mark)
    except OSError:
        return False
    return True


def _renew_own() -> None:
    where = _probe.stats.cache_path
    sources = Path(__file__).parent
    if where and sources.is_dir():  # not inside an archive
        renew(Path(where), sources)


_renew_own()
