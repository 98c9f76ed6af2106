"""The compiler, and its cache kept true to the sources.

Compiled code is cached by the text of the module a function stands in. Functions and constants of other
modules are compiled into it, and the cache does not notice when these change: after an upgrade a function
could run with what an older version had for them. So whenever any source of the engine has changed, all that
was compiled from them is thrown away. Where nothing can be cached, each run compiles anew.
"""

from __future__ import annotations

import hashlib
import os
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final, TypeVar

import numba

__all__ = ["njit", "renew"]

_Function = TypeVar("_Function", bound=Callable[..., Any])

MARK: Final = "leadline-sources.sha256"


def _nothing() -> int:
    return 0


def _cache() -> str:
    """Where compiled code is kept; empty where neither the installation nor the home can be written."""
    try:
        return str(numba.njit(cache=True)(_nothing).stats.cache_path or "")
    except RuntimeError:
        return ""


CACHE: Final = _cache()


def njit(**options: Any) -> Callable[[_Function], _Function]:
    """Numba's decorator of that name, without the cache where there is none."""
    made: Callable[[_Function], _Function] = numba.njit(**(options if CACHE else options | {"cache": False}))
    return made


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
    sources = Path(__file__).parent
    if CACHE and sources.is_dir():  # not inside an archive
        renew(Path(CACHE), sources)


_renew_own()
