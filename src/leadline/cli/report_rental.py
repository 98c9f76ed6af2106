"""`leadline report rental`: default leads for rental kit, and the lead to have ready for a day."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.blocks import left_out
from leadline.cli.holding import Holding, read, single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption, complete_items
from leadline.cli.output import note, option_values, progress, show
from leadline.cli.report_options import (
    UNLEARNED,
    BlocksOption,
    CsvOption,
    GroupOption,
    Numbers,
    NumbersOption,
    OutOption,
    SeedOption,
    SinceOption,
    apart,
    lacking_note,
    pieces_of,
    write_csv,
)

if TYPE_CHECKING:
    from datetime import datetime

    from leadline.decide.rental import Desk
    from leadline.decide.rental_data import RentalData

__all__ = ["register", "rental_data", "write_rental"]

_KIT: Final = "Kit and water"
_SuitsOption = Annotated[
    list[str] | None,
    typer.Option(
        "--suit",
        metavar="TYPE",
        help="A type of suit, or several worn together as a;b; may be given again. Default: the suits "
        "that more than one diver has worn.",
        rich_help_panel=_KIT,
    ),
]
_WatersOption = Annotated[
    list[str] | None,
    typer.Option("--water", metavar="fresh|brackish|salt", help="A table for each.", rich_help_panel=_KIT),
]
_CylindersOption = Annotated[
    list[str] | None,
    typer.Option(
        "--cylinder",
        metavar="ITEM",
        help="A table for each. Default: the most common one.",
        autocompletion=complete_items,
        rich_help_panel=_KIT,
    ),
]
_UndersuitOption = Annotated[
    str | None, typer.Option(metavar="ITEM", help="Instead of the one most often worn.", rich_help_panel=_KIT)
]
_BcOption = Annotated[
    str | None, typer.Option(metavar="ITEM", help="Instead of the most common one.", rich_help_panel=_KIT)
]
_OtherOption = Annotated[
    str | None,
    typer.Option(
        metavar="ITEM;...",
        help="Hood, gloves and the like, instead of what is most often worn; - says none.",
        rich_help_panel=_KIT,
    ),
]
_AltitudeOption = Annotated[
    float | None,
    typer.Option(
        metavar="m|ft",
        help="Of the water's surface, in the unit of --units. Default: as on the dives in that water.",
        rich_help_panel=_KIT,
    ),
]
_StopDepthOption = Annotated[
    float | None,
    typer.Option(
        metavar="m|ft",
        help="Of the stop, in the unit of --units. Default: as on the dives in that water, 5 m at most.",
        rich_help_panel=_KIT,
    ),
]
_SalinityOption = Annotated[
    float | None,
    typer.Option(
        metavar="g/kg",
        help="Of the water. Default: as on the dives in that water, or as the word has it.",
        rich_help_panel=_KIT,
    ),
]
_ClassesOption = Annotated[
    str | None,
    typer.Option(
        metavar="EDGES",
        help="Edges of the classes of body mass in the unit of --units, such as 50,65,80,95 in kg.",
    ),
]
_RentersOption = Annotated[
    int | None, typer.Option(metavar="N", help="Renters on the day for which lead is to be ready.")
]
_RiskOption = Annotated[
    float,
    typer.Option("--risk", min=0.001, max=0.5, help="Accepted chance of too light, for the whole table."),
]


def register(group: typer.Typer) -> None:
    """Add the command to the group of reports."""
    group.command()(rental)


def rental_data(
    holding: Holding, desk: Desk, *, units: Units = "metric", generated: datetime | None = None
) -> RentalData:
    """What the rental report shows.

    Parameters
    ----------
    holding : Holding
        The whole book.
    desk : Desk
        What is asked.
    units : {"metric", "imperial"}
        What the reader sees.
    generated : datetime, optional
        Printed on the page; default now.

    Returns
    -------
    RentalData
        For `leadline.reports.rental.write`.
    """
    from leadline.decide.rental import rental as table

    return table(
        holding.assessment(),
        desk,
        units=units,
        book=holding.book,
        data_version=str(holding.data_version),
        fitted=holding.fitted,
        generated=generated,
    )


def write_rental(data: RentalData, folder: Path, *, numbers: Numbers = "point") -> Path:
    """Write the report as `rental.html`, and let the folder's index link to it."""
    from leadline.reports import contents
    from leadline.reports import rental as page

    folder.mkdir(parents=True, exist_ok=True)
    path = page.write(data, folder / "rental.html", numbers=numbers)
    contents.refresh(folder)
    return path


def rental(
    out: OutOption = Path("reports"),
    suits: _SuitsOption = None,
    waters: _WatersOption = None,
    cylinders: _CylindersOption = None,
    altitude: _AltitudeOption = None,
    stop_depth: _StopDepthOption = None,
    salinity: _SalinityOption = None,
    undersuit: _UndersuitOption = None,
    bc: _BcOption = None,
    other: _OtherOption = None,
    classes: _ClassesOption = None,
    renters: _RentersOption = None,
    blocks: BlocksOption = None,
    risk: _RiskOption = 0.05,
    group: GroupOption = "",
    since: SinceOption = "",
    csv: CsvOption = None,
    seed: SeedOption = 1,
    book: BookOption = None,
    units: UnitsOption = "metric",
    numbers: NumbersOption = "point",
    as_json: JsonOption = False,
) -> None:
    """Write default leads for strangers in rental kit, by body mass and suit.

    What was learned rests on the whole book; --group and --since choose the dives that tell which kit is
    handed out, and to whom.
    """
    apart(csv, out)
    single_thread()
    from leadline.decide.rental import Desk

    named = {"undersuit": undersuit, "bc": bc, "other": other}
    desk = Desk(
        classes=classes,
        suits=tuple(suits or ()),
        waters=tuple(waters or ()),
        cylinders=tuple(cylinders or ()),
        altitude_m=_metres(altitude, units),
        stop_depth_m=_metres(stop_depth, units),
        salinity_gkg=salinity,
        worn_with={name: cell for name, cell in named.items() if cell is not None},
        pieces=pieces_of(blocks, units),
        risk=risk,
        since=since,
        group=group,
        renters=renters,
        seed=seed,
    )
    _report(book, desk, named=bool(blocks), out=out, csv=csv, units=units, numbers=numbers, as_json=as_json)


def _metres(value: float | None, units: Units) -> float | None:
    from leadline.units import FOOT

    return value if value is None or units == "metric" else value * FOOT


def _depth_doubt(depth: float | None, units: Units) -> str:
    """Whether the other unit is meant, as it is asked of a plan; empty where nothing is to be asked."""
    from leadline.book.doubt import depth_doubt
    from leadline.units import FOOT

    feet = units == "imperial"
    if depth is None or not (asked := depth_doubt(depth, feet=feet)):
        return ""
    other = "metric" if feet else "imperial"
    given = depth / FOOT if feet else depth
    return f"note: --stop-depth {given:.4g}: {asked.replace(')', f'; --units {other})')}; kept as it is"


def _report(
    book: Path | None, desk: Desk, *, named: bool, out: Path, csv: Path | None, units: Units,
    numbers: Numbers, as_json: bool,
) -> None:  # fmt: skip
    from leadline.decide.listed import short_text
    from leadline.decide.report_tables import rental_tables
    from leadline.decide.sheet_record import rental_document

    with progress("reckoning"):
        holding, _ = read(book)
        if not named:
            desk = replace(desk, pieces=pieces_of(None, units, there=holding.blocks))
        with option_values():  # records have been judged: what is out of range was typed
            data = rental_data(holding, desk, units=units)
        if not named:
            data = replace(data, left_out=left_out(holding.blocks, units))
        path = write_rental(data, out, numbers=numbers)
        document = rental_document(data)
        written = None if csv is None else write_csv(document["cells"], rental_tables(document), csv)
    show({**document, "page": str(path)}, lambda: _view(data, path, units), as_json=as_json)
    if doubt := _depth_doubt(desk.stop_depth_m, units):
        note(doubt)
    if data.fitted is None:
        note(UNLEARNED)
    for name, gap in dict.fromkeys(kit[1:] for kit in (*data.short, *data.short_cylinders)):
        note(f"note: {short_text(name, gap, imperial=units == 'imperial')}")
    if data.lacking:
        note(lacking_note(data.lacking, "to have ready", units))
    if written:
        note(written)


def _view(data: RentalData, path: Path, units: Units) -> Any:
    """All tables in short, and what to have ready where the first of them holds."""
    from rich.console import Group

    from leadline.cli.output import table
    from leadline.decide.sentence import STANDING
    from leadline.reports.rental import place_text, span_text
    from leadline.units import mass_text

    def text(mass: float) -> str:
        return mass_text(mass, imperial=units == "imperial")

    rows = [
        [
            [
                span_text(group, units),
                *(
                    f"{text(c.lead_kg).split()[0]} of {text(c.bring_kg).split()[0]} "
                    f"+{text(c.after_check_kg).split()[0]}"
                    if c.check_first
                    else text(c.lead_kg).split()[0]
                    for c in cells
                ),
            ]
            for group, cells in zip(data.classes, table.cells, strict=True)
        ]
        for table in data.tables
    ]
    stock = data.stock.stock
    load = ", ".join(f"{n} x {text(size)}" for size, n in zip(stock.sizes, stock.counts, strict=True))
    unit = "lb" if units == "imperial" else "kg"
    places = [place_text(one.place, units) for one in data.tables]
    # How a cell is read stands over the first; it is the same for all.
    read_so = [
        "; `5 of 7 +2`: begin a check with 5, have 7 at hand; find the lead for eye level on a normal breath"
        ", cylinder full, BC empty; then put on 2 more",
        *[""] * (len(places) - 1),
    ]
    ready = f"To have ready for {data.stock.renters} renters, {places[0][:1].lower()}{places[0][1:]}"
    return Group(
        *(
            table(
                f"{place}: lead in {unit}{how}",
                ["body mass", *(outfit.label for outfit in data.outfits)],
                cells,
            )
            for place, how, cells in zip(places, read_so, rows, strict=True)
        ),
        f"{ready}: {load}; {text(stock.total_kg)} in all.",
        f"The page: {path}",
        "",
        STANDING,
    )
