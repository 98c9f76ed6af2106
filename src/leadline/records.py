"""The records of the book, declared once: names, units, ranges, allowed words.

The schema of the book, loading, logging, export, help texts and the reference tables of the manual
are all made from the declarations below. Nothing else in the package spells a column out again.
"""

from __future__ import annotations

from dataclasses import field
from typing import Final, Literal

from leadline.frozen import dataclass

__all__ = [
    "BLOCKS", "CHECKS", "DIVERS", "DIVES", "FILES", "GEAR", "KIT", "TABLES", "Column", "Kind", "Table",
    "Twin",
]  # fmt: skip

Kind = Literal["text", "word", "number", "integer", "date", "numbers", "names", "gases", "places"]
"""How a cell is read.

text: anything. word: one of `words`. number, integer: within [low, high]. date: ISO 8601, a time is
allowed. names: keys of another table joined by `;`. numbers: numbers joined by `;`, `-` where the
cylinder was not carried. gases: gas names joined by `;`. places: `place:kg` pairs joined by `;`.
"""


@dataclass(frozen=True)
class Twin:
    """An imperial column that may stand in for a metric one.

    Parameters
    ----------
    name : str
        Column name in the file.
    unit : str
        Key of `leadline.units.IMPERIAL`.
    """

    name: str
    unit: str


@dataclass(frozen=True)
class Column:
    """One column of a record.

    Parameters
    ----------
    name : str
        Name in files and in the book; its suffix is the unit.
    kind : Kind
        How a cell is read.
    help : str
        One sentence for help texts and the manual.
    unit : str
        House unit, empty where there is none.
    low, high : float or None
        Inclusive range of a sound value, in `unit`.
    words : tuple of str
        Allowed words.
    default : str
        The word an empty cell stands for.
    refers : str
        The table whose keys the cell names: divers, gear or dives.
    gear_kinds : tuple of str
        Kinds of gear that may stand here.
    twin : Twin or None
        Imperial column that may be given instead.
    result : bool
        Seen in the water: a plan has no such column.
    """

    name: str
    kind: Kind
    help: str
    unit: str = ""
    low: float | None = None
    high: float | None = None
    words: tuple[str, ...] = ()
    default: str = ""
    refers: str = ""
    gear_kinds: tuple[str, ...] = ()
    twin: Twin | None = None
    result: bool = False


@dataclass(frozen=True)
class Table:
    """One record file.

    Parameters
    ----------
    name : str
        Table and file name.
    key : tuple of str
        Columns that together name a row.
    columns : tuple of Column
        All columns, keys first.
    help : str
        One sentence.
    """

    name: str
    key: tuple[str, ...]
    columns: tuple[Column, ...]
    help: str
    by_name: dict[str, Column] = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        object.__setattr__(self, "by_name", {column.name: column for column in self.columns})

    def column(self, name: str) -> Column:
        """The column called `name`; KeyError where there is none."""
        return self.by_name[name]


def _mass(name: str, help_: str, low: float, high: float, *, result: bool = False) -> Column:
    return Column(
        name,
        "number",
        help_,
        "kg",
        low,
        high,
        twin=Twin(name.removesuffix("_kg") + "_lb", "lb"),
        result=result,
    )


YES_NO: Final = ("yes", "no")
RESULTS: Final = ("hovered", "rose", "sank")
BC_STATES: Final = ("empty", "gas", "unknown")
SUIT_GAS: Final = ("least", "more", "unknown")

DIVERS: Final = Table(
    "divers",
    ("diver",),
    (
        Column("diver", "text", "Name or number of the diver."),
        _mass("mass_kg", "Body mass.", 20, 250),
        Column("height_cm", "number", "Body height.", "cm", 90, 230, twin=Twin("height_in", "in")),
        Column("birth_year", "integer", "Year of birth.", "", 1900, 2100),
        Column("sex", "word", "Sex, for the body and lung formulas.", words=("f", "m")),
        Column("body_fat_pct", "number", "Measured body fat.", "%", 2, 65),
        Column("dives_before", "integer", "Dives made before the first record.", "", 0, 30000),
    ),
    "Who dives. All but the name may be empty; the prior widens accordingly.",
)

_WORN: Final = ("hood", "gloves", "boots", "fins")

GEAR: Final = Table(
    "gear",
    ("item",),
    (
        Column("item", "text", "Name of one piece, or of a kind of piece."),
        Column("type", "text", "Items of one type share an effect."),
        Column(
            "kind",
            "word",
            "What it is.",
            words=("suit", "undersuit", *_WORN, "bc", "plate", "cylinder", "regulator", "other"),
        ),
        Column(
            "style",
            "word",
            "Suits: full, shorty, two_piece, vest, dry_membrane, dry_foam; "
            "undersuits: thin, medium, thick; bc: jacket, wing.",
            words=(
                "full",
                "shorty",
                "two_piece",
                "vest",
                "dry_membrane",
                "dry_foam",
                "thin",
                "medium",
                "thick",
                "jacket",
                "wing",
            ),
        ),
        Column("material", "word", "Cylinders: what the shell is made of.", words=("aluminium", "steel")),
        Column(
            "thickness_mm",
            "number",
            "Nominal foam thickness.",
            "mm",
            0,
            20,
            twin=Twin("thickness_in", "in_mm"),
        ),
        _mass("mass_kg", "Mass in air; a cylinder's: empty of gas, with valve.", 0, 60),
        Column("water_capacity_l", "number", "Cylinders: internal volume.", "L", 0.2, 50),
        Column(
            "rated_bar",
            "number",
            "Cylinders: working pressure.",
            "bar",
            50,
            400,
            twin=Twin("rated_psi", "psi"),
        ),
        Column("lift_l", "number", "BC: greatest gas volume.", "L", 0, 60),
        Column("dives_before", "integer", "Suits: dives made before the first record.", "", 0, 30000),
        _mass(
            "buoyancy_kg",
            "Measured net upward force at the surface over g, gas vented; negative sinks.",
            -30,
            40,
        ),
        _mass("buoyancy_sd_kg", "Standard deviation of that measurement.", 0, 10),
        Column("buoyancy_in", "word", "Water it was measured in.", words=("fresh", "salt"), default="fresh"),
    ),
    "What is worn and carried.",
)

_KIT_AND_WATER: Final = (
    Column("site", "text", "Where."),
    Column("water", "word", "Kind of water.", words=("fresh", "brackish", "salt")),
    Column("salinity_gkg", "number", "Absolute salinity.", "g/kg", 0, 42),
    Column("water_temp_c", "number", "Water temperature.", "°C", -2, 40, twin=Twin("water_temp_f", "degF")),
    Column(
        "altitude_m",
        "number",
        "Altitude of the water's surface.",
        "m",
        -430,
        5000,
        twin=Twin("altitude_ft", "ft"),
    ),
    _mass("body_mass_kg", "Body mass from that date on.", 20, 250),
    Column("suit", "names", "Suit, or several worn together.", refers="gear", gear_kinds=("suit",)),
    Column("undersuit", "names", "Undersuit under a dry suit.", refers="gear", gear_kinds=("undersuit",)),
    Column("bc", "names", "Buoyancy compensator.", refers="gear", gear_kinds=("bc",)),
    Column(
        "cylinder", "names", "Cylinders; a twin set may be one item.", refers="gear", gear_kinds=("cylinder",)
    ),
    Column(
        "gas",
        "gases",
        "air, the oxygen percentage such as 32, or oxygen/helium such as 18/45; one for each cylinder.",
    ),
    Column(
        "other",
        "names",
        "Everything else listed as gear.",
        refers="gear",
        gear_kinds=("hood", "gloves", "boots", "fins", "plate", "regulator", "other"),
    ),
)

DIVES: Final = Table(
    "dives",
    ("dive", "diver"),
    (
        Column("dive", "text", "Name or number of the dive."),
        Column("diver", "text", "Who dived.", refers="divers"),
        Column("date", "date", "Date, with a time if known; ties stay in file order."),
        Column("group", "text", "Class, trip or boat."),
        Column("leader", "text", "Who looked after the group."),
        *_KIT_AND_WATER[:5],
        Column("max_depth_m", "number", "Greatest depth.", "m", 0, 200, twin=Twin("max_depth_ft", "ft")),
        *_KIT_AND_WATER[5:11],
        Column(
            "start_bar",
            "numbers",
            "Gauge pressure at the start, one for each cylinder.",
            "bar",
            0,
            330,
            twin=Twin("start_psi", "psi"),
        ),
        Column(
            "end_bar",
            "numbers",
            "Gauge pressure at the end; - where the cylinder was not carried at the stop.",
            "bar",
            0,
            330,
            twin=Twin("end_psi", "psi"),
        ),
        Column(
            "stop_bar",
            "numbers",
            "Gauge pressure at the stop, if noted; else the end pressure serves.",
            "bar",
            0,
            330,
            twin=Twin("stop_psi", "psi"),
        ),
        _KIT_AND_WATER[11],
        _mass("lead_kg", "All lead on at descent, wherever it sits.", 0, 60),
        Column(
            "lead_places",
            "places",
            "Where it sits, such as belt:4;pockets:2.",
            "kg",
            0,
            60,
            twin=Twin("lead_places_lb", "lb"),
        ),
        _mass("lead_ditchable_kg", "Lead that can be dropped in one move.", 0, 60),
        Column(
            "backup_lift",
            "word",
            "What lifts if the BC fails.",
            words=("none", "dry_suit", "second_bladder", "other"),
        ),
        Column("descent", "word", "Getting under at the start.", words=("easy", "effort", "no"), result=True),
        Column(
            "stop_depth_m",
            "number",
            "Depth of the stop; 5 m unless given.",
            "m",
            1,
            15,
            twin=Twin("stop_depth_ft", "ft"),
        ),
        Column("stop_result", "word", "What was seen at the stop.", words=RESULTS, result=True),
        Column("bc_state", "word", "BC at the stop.", words=BC_STATES, result=True),
        Column("bc_gas_l", "number", "Gas in the BC at that depth, if estimated.", "L", 0, 40, result=True),
        Column("suit_gas", "word", "Dry suits: gas in the suit at the stop.", words=SUIT_GAS, result=True),
        _mass("handed_off_kg", "Lead given away at the stop; negative: taken on.", -10, 20, result=True),
        Column("handed_off_result", "word", "The stop result after it.", words=RESULTS, result=True),
        Column(
            "handed_off_bc",
            "word",
            "BC after it; empty unless given.",
            words=BC_STATES,
            default="empty",
            result=True,
        ),
        Column("seen_by", "word", "Who saw it.", words=("self", "leader"), default="self", result=True),
    ),
    "One row for each diver on each dive. Without results it is a plan.",
)

CHECKS: Final = Table(
    "checks",
    ("check",),
    (
        Column("check", "text", "Name or number of the surface check."),
        Column("diver", "text", "Who was checked.", refers="divers"),
        Column("dive", "text", "Kit and water are that dive's unless given here.", refers="dives"),
        Column("date", "date", "Date, with a time if known."),
        *_KIT_AND_WATER,
        _mass("lead_kg", "All lead on.", 0, 60),
        Column(
            "bar", "numbers", "Gauge pressure, one for each cylinder.", "bar", 0, 330, twin=Twin("psi", "psi")
        ),
        Column(
            "waterline",
            "word",
            "Where the water comes on the still, upright diver; under: sinks on that breath.",
            words=("chin", "eye", "crown", "under"),
            result=True,
        ),
        Column(
            "breath",
            "word",
            "Breath held at the surface.",
            words=("normal", "full", "out"),
            default="normal",
            result=True,
        ),
        Column("exhale_sinks", "word", "Whether breathing out sinks the diver.", words=YES_NO, result=True),
    ),
    "Surface checks: BC empty, no finning.",
)

BLOCKS: Final = Table(
    "blocks",
    ("block",),
    (
        Column("block", "text", "Mass of one block with its unit, such as 0.5 kg or 2 lb; 0.1 to 5 kg."),
        Column("pieces", "integer", "How many there are.", "", 0, 10_000),
    ),
    "The lead there is to choose from, if leads are to be made of it.",
)

KIT: Final = tuple(column.name for column in DIVES.columns if column.gear_kinds)
"""Columns of dives and checks that name gear."""

TABLES: Final[dict[str, Table]] = {table.name: table for table in (DIVERS, GEAR, DIVES, CHECKS)}
"""The records themselves."""

FILES: Final[dict[str, Table]] = TABLES | {BLOCKS.name: BLOCKS}
"""All that is loaded and exported."""

RESERVE_PRESSURE: Final = 35.0
"""Planned reserve [bar gauge] where a plan leaves the pressure empty."""

BLOCK_RANGE: Final = (0.1, 5.0)
"""Mass of the lightest and of the heaviest block of lead. [kg]"""

STOP_DEPTH: Final = 5.0
"""Depth of the stop [m] unless a record says otherwise."""
