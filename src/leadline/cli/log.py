"""`leadline log`: add one dive, by options or by questions."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator
from dataclasses import replace as changed
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.book_named import on_book, say_book
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption, completion
from leadline.cli.output import note, show
from leadline.records import DIVES, Column

if TYPE_CHECKING:
    from leadline.book import Book
    from leadline.decide.takeover import Taken

__all__ = ["register"]

_NAMED: Final = 3
_IMPERIAL: Final = "In imperial units"
_HEIGHT: Final = "altitude_m"
_NOT_SEEN: Final = ("stop_bar", "stop_depth_m", "salinity_gkg")
"""What was planned or measured on another dive is no reading of this one."""


def register(app: typer.Typer) -> None:
    """Add the command to `app`, with an option for every column of a dive."""
    app.command()(_with_columns())


def _metavar(column: Column, unit: str) -> str:
    if column.words:
        return "|".join(column.words)
    listed = column.kind in ("numbers", "names", "gases", "places")
    return (unit or ("DATE" if column.kind == "date" else "TEXT")) + (";..." if listed else "")


def _options() -> Iterator[tuple[str, Any]]:
    """Parameter name and annotation of every column, then of every imperial twin."""
    for column in DIVES.columns:
        panel = "What was seen" if column.result else "The dive"
        yield column.name, _option(column, column.name, column.help, _metavar(column, column.unit), panel)
    for column in DIVES.columns:
        if column.twin:
            name, unit = column.twin.name, {"degF": "°F"}.get(column.twin.unit, column.twin.unit)
            text = f"Instead of --{column.name.replace('_', '-')}."
            yield name, _option(column, name, text, _metavar(column, unit), _IMPERIAL)


def _option(column: Column, name: str, text: str, metavar: str, panel: str) -> Any:
    if name == "dive":
        text += " Default: the diver's next number."
    elif name == "date":
        text += " Default: today; a dive that is changed keeps its own."
    return Annotated[
        str | None,
        typer.Option(
            f"--{name.replace('_', '-')}",
            help=text,
            metavar=metavar,
            autocompletion=completion(column),
            rich_help_panel=panel,
        ),
    ]


def _with_columns() -> Any:
    """The command, its signature made from the declaration of a dive."""
    options = list(_options())

    def log(**given: Any) -> None:
        cells = {name: given[name] for name, _ in options if given[name] is not None}
        if given["remove"]:
            _remove(cells, book=given["book"], replace=given["replace"], as_json=given["as_json"])
            return
        _log(
            cells,
            book=given["book"],
            replace=given["replace"],
            units=given["units"],
            as_json=given["as_json"],
        )

    log.__doc__ = (
        "Add one dive, judged by the same rules as `load`.\n\n"
        "Kit and water that are not named are those of the diver's last dive in that suit, as with "
        "`suggest`, and it says so; `-` says none. On a terminal and without options it asks, with that "
        "diver's last dive as a start."
    )
    replace = Annotated[bool, typer.Option("--replace", help="Change a dive that is in the book already.")]
    text = "Take a dive that is in the book out of it, such as one logged twice; it says how to put it back."
    remove = Annotated[bool, typer.Option("--remove", help=text)]
    shared = [
        ("replace", replace, False),
        ("remove", remove, False),
        ("book", BookOption, None),
        ("units", UnitsOption, "metric"),
        ("as_json", JsonOption, False),
    ]
    parameters = [(name, annotation, None) for name, annotation in options] + shared
    command: Any = log
    command.__signature__ = inspect.Signature(
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
            for name, annotation, default in parameters
        ]
    )
    return command


def _log(cells: dict[str, str], *, book: Any, replace: bool, units: Units, as_json: bool) -> None:
    from leadline.book import Book
    from leadline.cli import questions
    from leadline.errors import CellError, OptionError, RecordError

    if replace and not (cells.get("diver") and cells.get("dive")):  # questions are for a new dive
        raise typer.BadParameter("--replace goes with --diver and --dive: say which dive to change")
    by_options, taken = bool(cells), None
    if not cells:
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise typer.BadParameter("give --diver and what is known, or run it on a terminal to be asked")
        cells = questions.dive(book, units)
    if not cells.get("diver"):
        raise typer.BadParameter("give --diver: every dive needs one")
    with Book.open(book, write=True) as opened:
        cells.setdefault("dive", opened.next_dive(cells["diver"]))
        known = opened.has_dive(cells["dive"], cells["diver"])
        # A slip in the number is no dive of today; one in the name is told where rows are judged.
        if replace and opened.has_diver(cells["diver"].strip()):
            opened.require_dive(cells["dive"], cells["diver"])
        if not known:  # a dive that is changed keeps its day
            cells.setdefault("date", questions.today())
        if known and not replace:
            raise RecordError(
                f"dive {cells['dive']} of {cells['diver']} is in the book already; give another --dive, "
                "or --replace to change it"
            )
        if not known:
            cells, taken = _completed(opened, cells) if by_options else _as_high(opened, cells)
        try:
            report = opened.upsert("dives", [cells])
        except CellError as fault:
            raise OptionError(str(fault)) from None
    counts = report.tables["dives"]
    status = "loaded" if counts.loaded else "updated" if counts.updated else "unchanged"
    words = {"loaded": "added", "updated": "changed", "unchanged": "stood so already"}
    document: dict[str, Any] = {"dive": cells["dive"], "diver": cells["diver"], "status": status}
    if taken is not None:
        document |= {"taken_over": taken.taken, "taken_from": taken.source if taken.taken else None}
    show(document, lambda: f"dive {cells['dive']} of {cells['diver']}: {words[status]}", as_json=as_json)
    if taken is not None and taken.taken:
        note(f"taken over: {_taken_text(taken) if by_options else _height_text(taken, units)}")
    for text in report.notes if by_options else ():  # questions have asked about them
        note(f"note: {on_book(text, book)}")


def _remove(cells: dict[str, str], *, book: Any, replace: bool, as_json: bool) -> None:
    """Take a dive out, and say how it can be put back."""
    from leadline.book import Book

    if replace or set(cells) != {"dive", "diver"}:
        raise typer.BadParameter("--remove goes with --diver and --dive, and with nothing else of a dive")
    with Book.open(book, write=True) as opened:
        after = opened.later_that_day(cells["dive"], cells["diver"])
        record = opened.remove_dive(cells["dive"], cells["diver"])
        fitted = opened.latest_fit() is not None
    document = {"dive": record["dive"], "diver": record["diver"], "status": "removed", "record": record}
    show(document, lambda: f"dive {record['dive']} of {record['diver']}: taken out", as_json=as_json)
    say_book(opened.path, book)
    note(f"to put it back: {_again(record, book)}")
    if after:
        named = f"dive {after[0]}" if len(after) == 1 else f"dives {', '.join(after[:_NAMED])}"
        more = f" and {len(after) - _NAMED} more" if len(after) > _NAMED else ""
        note(
            f"put back, it comes after {named}{more} of the same date and may count as the latest dive; "
            "where that matters, give these dives their times of day"
        )
    if unknown := [name for name in record if name not in DIVES.by_name]:
        note(f"what `log` has no option for: {'; '.join(f'{name}: {record[name]}' for name in unknown)}")
    if fitted:
        note(on_book("what was learned from it stays until you run `leadline learn` again", book))


def _again(record: dict[str, str], book: Any) -> str:
    """The command that logs a dive just so; kit and water that it did not name are not taken over either."""
    import shlex

    from leadline.decide.takeover import NOTHING, OPTIONAL

    words = ["leadline", "log", *([] if book is None else ["--book", str(book)])]
    for column in DIVES.columns:
        cell = record.get(column.name, NOTHING if column.name in OPTIONAL else "")
        if cell or column.name == "date":  # else it would be today's
            words += [f"--{column.name.replace('_', '-')}", cell]
    return shlex.join(words)


def _completed(opened: Book, cells: dict[str, str]) -> tuple[dict[str, str], Taken | None]:
    """The cells with the kit and water that nobody named, and where those are from.

    An empty suit says that none was worn, so that it is asked for where it cannot be taken over.
    """
    from leadline.decide.takeover import taken_over

    diver = cells["diver"].strip()
    if not opened.has_diver(diver):
        return cells, None  # which is said with close matches where rows are judged
    found = taken_over(opened.portion({diver}).records, {**cells, "diver": diver})
    taken = changed(found, taken={name: cell for name, cell in found.taken.items() if name not in _NOT_SEEN})
    kept = {name: cell for name, cell in taken.cells.items() if name in cells or name in taken.taken}
    return kept, taken


def _as_high(opened: Book, cells: dict[str, str]) -> tuple[dict[str, str], Taken | None]:
    """The answers to the questions with the altitude, which is not asked for: it goes with the water.

    That of the diver's last dive, if its water, which stood in brackets, was kept; else as by options.
    """
    from leadline.decide.takeover import OPTIONAL, Taken, taken_over

    last, water = opened.last_dive(cells["diver"]), cells.get("water", "").casefold()
    if last and last[_HEIGHT] and last["water"] == water:
        day = last["date"].partition("T")[0]
        found = Taken({}, last["dive"], day, {_HEIGHT: last[_HEIGHT]}, last["suit"], "dive")
    else:
        asked = {name: "" for name in OPTIONAL if name not in (_HEIGHT, *_NOT_SEEN)}  # - or nothing: none
        whole = taken_over(opened.portion({cells["diver"]}).records, asked | cells)
        found = changed(whole, taken={n: cell for n, cell in whole.taken.items() if n == _HEIGHT})
    return found.taken | cells, found


def _taken_text(taken: Taken) -> str:
    from leadline.cli.answer import taken_text

    text = taken_text(taken)
    if "suit" in taken.taken or "suit" in taken.cells:
        return text
    return f"{text}; no suit, as there (--suit names one)"


def _height_text(taken: Taken, units: Units) -> str:
    """What no question showed is said with its number, and how it is changed."""
    from leadline.cli.answer import taken_text
    from leadline.cli.output import quantity

    height = quantity(float(taken.taken[_HEIGHT]), "m", units=units, digits=0)
    option = "--altitude-ft" if units == "imperial" else "--altitude-m"
    text = taken_text(taken).replace("altitude", f"altitude {height}", 1)
    return f"{text} (`log --replace` with {option} changes it)"
