"""Run the sampler on a reference book and store its summary: ``python -m tests.reference.run NAME ...``.

Options: ``--draws``, ``--warmup`` and ``--chains`` change the length, ``--no-store`` only prints.
"""

from __future__ import annotations

import argparse
import hashlib
import json
import platform
import sys
from importlib.metadata import version
from pathlib import Path
from typing import Any

import numpy as np

from .books import RECIPES, reference
from .diagnostics import QUANTILES, summary
from .theory import Book

FOLDER = Path(__file__).parent
PARTS = ("theta", "beta", "offset")
NEEDED = 4000
"""Least effective sample size of what is compared."""


def fingerprint(book: Book) -> str:
    """Hash of all that was observed, to nine decimals, so that a changed book is noticed."""
    o = book.observations
    parts = (
        o.prior, o.exposure, o.suit_weight, o.lower, o.upper, o.lower_breath, o.upper_breath, o.reading_sd,
        o.fit, o.form, o.point, o.occasion, o.suit, o.diver, o.body_sd, o.elapsed, o.jumped,
    )  # fmt: skip
    digest = hashlib.sha256()
    for part in parts:
        digest.update((np.round(np.asarray(part, float), 9) + 0.0).tobytes())
    return digest.hexdigest()[:16]


def _plain(value: Any) -> Any:
    """Numbers as JSON, to six significant digits."""
    if isinstance(value, np.ndarray):
        return [_plain(each) for each in value]
    return float(f"{value:.6g}")


def _text(whole: dict[str, Any]) -> str:
    """JSON with one statistic a line."""
    lines = []
    for key, value in whole.items():
        if key in PARTS:
            inside = ",\n".join(f"  {json.dumps(k)}: {json.dumps(_plain(v))}" for k, v in value.items())
            lines.append(f"{json.dumps(key)}: {{\n{inside}\n }}")
        else:
            lines.append(f"{json.dumps(key)}: {json.dumps(value)}")
    return "{\n " + ",\n ".join(lines) + "\n}\n"


def stored(name: str) -> dict[str, Any]:
    """The stored summary of a book, arrays as numpy."""
    whole: dict[str, Any] = json.loads((FOLDER / f"{name}.json").read_text(encoding="utf-8"))
    for part in PARTS:
        whole[part] = {key: np.array(value) for key, value in whole[part].items()}
    return whole


def _report(whole: dict[str, Any]) -> str:
    lines = [
        f"{whole['book']}: {whole['rows']} rows, {whole['divers']} divers; "
        f"{whole['divergences']} divergences, {whole['gradients_a_draw']:.0f} gradients a draw, "
        f"{whole['seconds']:.0f} s"
    ]
    for part in PARTS:
        s = whole[part]
        error = np.max(s["mcse"] / s["sd"]), np.max(s["mcse_quantiles"] / s["sd"][:, None])
        least = s["ess_bulk"].min(), s["ess_tail"].min()
        lines.append(
            f"  {part:<7} least ESS bulk {least[0]:.0f}, tail {least[1]:.0f}"
            f"{'' if min(least) >= NEEDED else f' (short of {NEEDED})'}, R-hat {s['rhat'].max():.4f}; "
            f"Monte-Carlo error of means at most {error[0]:.3f} sd, of quantiles {error[1]:.3f} sd"
        )
    return "\n".join(lines) + "\n"


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("name", nargs="+", choices=list(RECIPES))
    parser.add_argument("--draws", type=int, default=8000, help="of each chain")
    parser.add_argument("--warmup", type=int, default=1000)
    parser.add_argument("--chains", type=int, default=2)
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--target", type=float, default=0.8)
    parser.add_argument("--no-store", action="store_true")
    return parser


def _sampled(name: str, options: argparse.Namespace) -> dict[str, Any]:
    """Everything that is stored of a book."""
    from . import nuts

    book = reference(name)
    lengths = {key: getattr(options, key) for key in ("warmup", "draws", "chains", "target")}
    found = nuts.sample(book, seed=options.seed, **lengths)
    return {
        "book": name,
        "book_seed": RECIPES[name][0],
        "fingerprint": fingerprint(book),
        "rows": len(book.observations),
        "divers": len(book.offset),
        "sampler_seed": options.seed,
        **lengths,
        "divergences": found.divergences,
        "gradients_a_draw": found.steps,
        "seconds": found.seconds,
        "versions": {
            "python": platform.python_version(),
            **{each: version(each) for each in ("numpy", "jax", "jaxlib", "numpyro")},
        },
        "quantiles": list(QUANTILES),
        **{part: summary(getattr(found, part)) for part in PARTS},
    }


def main(arguments: list[str]) -> None:
    """Sample, print, store."""
    options = _parser().parse_args(arguments)
    for name in options.name:
        whole = _sampled(name, options)
        sys.stdout.write(_report(whole))
        sys.stdout.flush()
        if not options.no_store:
            (FOLDER / f"{name}.json").write_text(_text(whole), encoding="utf-8")


if __name__ == "__main__":
    main(sys.argv[1:])
