"""`leadline export`: every table as files."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

import typer

from leadline.cli.options import BookOption, JsonOption
from leadline.cli.output import progress, show, table

__all__ = ["register"]


def register(app: typer.Typer) -> None:
    """Add the command to `app`."""
    app.command()(export)


def export(
    folder: Annotated[Path, typer.Argument(metavar="DIR", help="Where the files go; made if needed.")],
    form: Annotated[Literal["csv", "parquet"], typer.Option("--format", help="Kind of files.")] = "csv",
    overwrite: Annotated[bool, typer.Option("--overwrite", help="Replace files that stand there.")] = False,
    parts: Annotated[
        int | None,
        typer.Option(
            "--parts", min=1, metavar="N", help="Instead: Parquet in parts by diver, for `learn --parts`."
        ),
    ] = None,
    book: BookOption = None,
    as_json: JsonOption = False,
) -> None:
    """Write every table in house units, unknown columns and rows set aside included.

    `load` reads the files back without loss. With --parts records go to a new folder that workers read.
    """
    from leadline.book import Book

    if parts is not None and overwrite:
        # A folder of parts may be what workers are reading from at this moment.
        raise typer.BadParameter("parts go to a new folder", param_hint="--overwrite with --parts")
    if parts is not None:
        with progress("exporting"), Book.open(book) as opened:
            about = opened.export_parts(folder, parts=parts)
        show(
            {"folder": str(folder), "parts": about.parts, "rows": about.counts},
            lambda: f"{folder}: {about.parts} part{'' if about.parts == 1 else 's'}",
            as_json=as_json,
        )
        return
    with progress("exporting"), Book.open(book) as opened:
        counts = opened.counts()
        paths = opened.export(folder, format=form, overwrite=overwrite)
    files = {path.stem: str(path) for path in paths}
    rows = [[name, counts[name], file] for name, file in files.items() if name != "rejects"]
    show(
        {"files": files, "rows": {name: number for name, number, _ in rows}},
        lambda: table("", ["table", "rows", "file"], rows),
        as_json=as_json,
    )
