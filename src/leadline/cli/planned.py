"""Options that describe one planned dive, made from the declaration of the records."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Annotated, Any, Final

import typer

from leadline.cli.options import Units, completion
from leadline.errors import CellError, OptionError, RecordError
from leadline.records import DIVERS, DIVES, Column, Table

__all__ = ["GUEST", "cells_of", "in_options", "own_words", "parameters", "today"]

# Who looked after whom, and where lead sits, have no bearing on need.
_LEFT_OUT: Final = ("dive", "group", "leader", "lead_places", "lead_ditchable_kg")
_SHORT: Final = {
    "salinity_gkg": "salinity",
    "water_temp_c": "temp",
    "altitude_m": "altitude",
    "max_depth_m": "max-depth",
    "body_mass_kg": "body-mass",
    "start_bar": "start",
    "end_bar": "end",
    "stop_bar": "stop",
    "stop_depth_m": "stop-depth",
    "lead_kg": "lead",
}
_RIG: Final = {"lead_ditchable_kg": "ditchable", "lead_places": "lead-places"}
GUEST: Final = {
    "mass_kg": "mass",
    "height_cm": "height",
    "sex": "sex",
    "birth_year": "birth-year",
    "body_fat_pct": "body-fat",
    "dives_before": "dives-before",
}
"""Column of the divers to the option of somebody who is not in the book."""

_LEDGER_TOO: Final = {"stop_bar": "--bar", "stop_depth_m": "--depth"}
_UNIT: Final = {"degF": "°F"}
_HELP: Final = {
    "stop_bar": "Gauge pressure planned at the stop, one for each cylinder; - where it is not carried "
    "there. Default: the reserve of 35 bar.",
    "date": "Day of the dive. Default: today.",
}
_TAKEN_OVER: Final = ("water", "suit", "undersuit", "bc", "cylinder", "gas", "other")

Parameter = tuple[str, Any]


def _columns(with_lead: bool) -> list[Column]:
    left_out = _LEFT_OUT if with_lead else (*_LEFT_OUT, "lead_kg")
    return [column for column in DIVES.columns if not column.result and column.name not in left_out]


def _metavar(column: Column) -> str:
    if column.words:
        return "|".join(column.words)
    if column.twin:
        unit = _UNIT.get(column.twin.unit, column.twin.unit)
        return f"{column.unit}|{unit}" + (";..." if column.kind == "numbers" else "")
    listed = column.kind in ("numbers", "names", "gases")
    return (column.unit or ("DATE" if column.kind == "date" else "TEXT")) + (";..." if listed else "")


def _option(column: Column, names: tuple[str, ...], text: str, *, hidden: bool = False) -> Any:
    panel = "Kit and water" if column.name in _TAKEN_OVER else "The dive"
    return Annotated[
        str | None,
        typer.Option(
            *names,
            help=text,
            metavar=_metavar(column),
            autocompletion=completion(column),
            rich_help_panel=panel,
            hidden=hidden,
        ),
    ]


def parameters(*, with_lead: bool = False) -> Iterator[Parameter]:
    """Parameter name and annotation of every column of a plan that bears on need.

    Parameters
    ----------
    with_lead : bool
        Whether the lead carried is asked for too, as a ledger does, which also knows the stop's pressure
        and depth as `--bar` and `--depth`.

    Yields
    ------
    tuple of (str, annotation)
        A short name such as `--start`, in the units of `--units`; then, unseen in the help, the names of
        the columns, such as `--start-bar` and `--start-psi`, which carry their unit.
    """
    columns = _columns(with_lead)
    for column in columns:
        short = _SHORT.get(column.name, column.name.replace("_", "-"))
        also = (_LEDGER_TOO[column.name],) if with_lead and column.name in _LEDGER_TOO else ()
        yield column.name, _option(column, (f"--{short}", *also), _HELP.get(column.name, column.help))
    for column in columns:
        if column.name not in _SHORT:
            continue
        for name in filter(None, (column.name, column.twin.name if column.twin else "")):
            text = f"The same as --{_SHORT[column.name]}, in its own unit."
            flag = f"--{name.replace('_', '-')}"
            if flag != f"--{_SHORT[column.name]}":
                yield f"own_{name}", _option(column, (flag,), text, hidden=True)


def cells_of(given: dict[str, Any], units: Units) -> dict[str, str]:
    """Header to cell of a plan row, from what was given on the command line.

    Parameters
    ----------
    given : dict
        Parameter to value, as the names of `parameters`.
    units : {"metric", "imperial"}
        Units of the short names.

    Returns
    -------
    dict of str to str
        Under the header whose unit it is in.
    """
    cells: dict[str, str] = {}
    for column in DIVES.columns:
        if (value := given.get(column.name)) is not None:
            twin = column.twin if units == "imperial" else None
            cells[twin.name if twin else column.name] = value
        for name in filter(None, (column.name, column.twin.name if column.twin else "")):
            if (value := given.get(f"own_{name}")) is not None:
                if {column.name, column.twin.name if column.twin else ""} & set(cells):
                    raise typer.BadParameter(f"--{_SHORT[column.name]} is given twice, in two units")
                cells[name] = value
    return cells


@contextmanager
def own_words(other: Mapping[str, str] | None = None) -> Iterator[None]:
    """Faults of what was typed under the names of the options: there is no column to look for.

    Parameters
    ----------
    other : mapping of str to str, optional
        Column to option, where the command has another one.

    Raises
    ------
    RecordError
        The fault, in those words; OptionError where what was typed is no value of its option.
    """
    try:
        yield
    except RecordError as fault:
        kind = OptionError if isinstance(fault, CellError) else RecordError
        raise kind(in_options(str(fault), other)) from None


def in_options(text: str, other: Mapping[str, str] | None = None) -> str:
    """A text about columns under the names of the options.

    Parameters
    ----------
    text : str
        Fault or note of a cell.
    other : mapping of str to str, optional
        Column to option, where the command has another one.
    """
    flags: dict[str, str] = {}
    options: tuple[tuple[Table, Mapping[str, str]], ...] = ((DIVES, _SHORT | _RIG), (DIVERS, GUEST))
    for table, short in options:
        for name, flag in {**short, **((other or {}) if table is DIVES else {})}.items():
            column = table.column(name)
            flags |= dict.fromkeys(filter(None, (name, column.twin.name if column.twin else "")), f"--{flag}")
    text = re.sub(r"the column is \w+\)", "give --units imperial)", text)
    text = re.sub(r", which go under stop_depth_m\)", "; --units metric)", text)
    text = re.sub(r", which go under stop_depth_ft\)", "; --units imperial)", text)
    # One option takes both units.
    both = r"kilograms go under \w+, pounds under \w+"
    text = re.sub(both, "--units says whether kilograms or pounds are meant", text)
    return re.sub(r"\b\w+\b", lambda word: flags.get(word[0], word[0]), text)


def today() -> str:
    """Today's date where the user is."""
    from datetime import date

    return date.today().isoformat()
