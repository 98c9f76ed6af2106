"""What real records suffer: slips that a reader can forgive, and rows that must be set aside."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from generator.chance import Chance
from generator.notebook import Cells

__all__ = ["SetAside", "forgivable", "spoil"]


@dataclass(frozen=True, slots=True)
class SetAside:
    """A row that `load` must not take.

    Parameters
    ----------
    file : str
        File name.
    row : int
        Line of the file, the header being 1.
    column, value, reason : str
        The cell at fault and why.
    """

    file: str
    row: int
    column: str
    value: str
    reason: str


_NOTES: Final = (
    "good visibility, six metres",
    "crab in the second gully",
    'said "never again" and went again',
    "new fins",
    "cold; hood leaked",
    "lovely",
    "lamp failed",
    "current at the corner",
)


def forgivable(dives: list[Cells]) -> None:
    """Slips in place that do not keep a row from loading: spaces, capitals, spellings of free text."""
    for row in dives:
        chance = Chance("slip", row["dive"], row["diver"])
        if chance.happens(0.05):
            row["notes"] = chance.pick(_NOTES)
        if chance.happens(0.01):
            row["diver"] = f" {row['diver']}"
        if chance.happens(0.008) and row.get("site"):
            site = row["site"]
            row["site"] = site[:-2] + site[-1] + site[-2]
        if "T" in row["date"] and chance.happens(0.02):
            row["date"] = row["date"].replace("T", " ")
        if chance.happens(0.01):
            row["group"] = ""
        if row.get("stop_result") and chance.happens(0.015):
            row["stop_result"] = f"{row['stop_result'].capitalize()} "


def _with(column: str) -> Callable[[Cells], bool]:
    return lambda row: bool(row.get(column))


def _single(row: Cells) -> bool:
    return ";" not in row["cylinder"] and bool(row["start_bar"]) and bool(row["end_bar"])


def _double(row: Cells) -> bool:
    return ";" in row["cylinder"]


def _any(row: Cells) -> bool:
    return True


# where in the season, which rows will do, column at fault, its text (or how to make it), reason
_DIVE_FAULTS: Final[
    tuple[tuple[float, Callable[[Cells], bool], str, str | Callable[[Cells], str], str], ...]
] = (
    (0.06, _any, "lead_kg", "120", "above any lead a person can wear; 12.0 without its point"),
    (0.13, _single, "start_bar", "3000", "psi in a column of bar"),
    (0.19, lambda r: r["diver"] == "Sølvi H", "diver", "Solvi H", "no such diver; nearly Sølvi H"),
    (0.25, _with("bc"), "bc", "hood 5", "a hood is no BC"),
    (0.31, _any, "date", lambda r: r["date"].replace("2026", "2062"), "in the future: digits swapped"),
    (
        0.37,
        _single,
        "end_bar",
        lambda r: str(int(r["start_bar"]) + 40),
        "more gas at the end than at the start",
    ),
    (0.43, _with("stop_result"), "stop_result", "hoverd", "no such word; nearly hovered"),
    (0.49, _single, "gas", "nitrox", "no oxygen percentage"),
    (0.55, _with("water_temp_c"), "water_temp_c", "61", "°F in a column of °C"),
    (0.61, _double, "start_bar", lambda r: r["start_bar"] + ";200", "three pressures for two cylinders"),
    (0.67, _any, "stop_depth_m", "50", "5.0 without its point: no stop is that deep"),
    (0.73, _any, "date", "2026-31-05", "no such month"),
    (0.79, _with("suit"), "suit", "full 6 M", "no such item"),
    (0.85, _any, "lead_kg", "6,5", "a decimal comma in a file whose cells are parted by commas"),
    (0.88, _with("lead_places"), "lead_places", "belt:3;pocket:14", "does not add up to the lead"),
    (0.91, _any, "diver", "", "nobody named"),
)


def _place(
    rows: list[Cells], share: float, fits: Callable[[Cells], bool], taken: set[tuple[str, str]]
) -> int:
    """The first row after that share of the season that fits, is not `taken`; its index."""
    first = int(share * len(rows))
    for row in [*range(first, len(rows)), *range(first)]:
        key = rows[row]["dive"], rows[row]["diver"]
        if key not in taken and fits(rows[row]):
            taken.add(key)
            return int(row)
    raise LookupError("no row fits the fault")


def _twice(dives: list[Cells], taken: set[tuple[str, str]]) -> SetAside:
    """Append a dive that stands in the file already: once as it is, which is harmless, once changed."""
    dives.append(dict(dives[_place(dives, 0.96, _with("lead_kg"), taken)]))
    original = dives[_place(dives, 0.97, _with("lead_kg"), taken)]
    dives.append(original | {"lead_kg": f"{float(original['lead_kg']) + 2:g}"})
    reason = "the same dive of the same diver again, with other lead"
    return SetAside("dives.csv", len(dives) + 1, "dive", original["dive"], reason)


def _check_faults(checks: list[Cells]) -> list[SetAside]:
    """A word and a name misspelt."""
    alone = next(row for row in range(len(checks) // 2, len(checks)) if not checks[row]["dive"])
    found = []
    for row, column, value, reason in (
        (len(checks) // 3, "waterline", "eyes", "no such word; nearly eye"),
        (alone, "diver", checks[alone]["diver"][:-2], f"no such diver; nearly {checks[alone]['diver']}"),
    ):
        checks[row] = checks[row] | {column: value}
        found.append(SetAside("checks.csv", row + 2, column, value, reason))
    return found


def spoil(divers: list[Cells], dives: list[Cells], checks: list[Cells]) -> list[SetAside]:
    """Put the faults in place and say where they are.

    Parameters
    ----------
    divers, dives, checks : list of Cells
        Rows as written; changed in place, a diver and two repeated dives are added.

    Returns
    -------
    list of SetAside
        In the order of the files.
    """
    divers.append({"diver": "Otto F", "mass_kg": "88", "height_cm": "1.82", "sex": "m"})
    found = [SetAside("divers.csv", len(divers) + 1, "height_cm", "1.82", "metres in a column of cm")]
    taken = {(check["dive"], check["diver"]) for check in checks}  # their dives must stay
    slips = []
    for share, fits, column, text, reason in _DIVE_FAULTS:
        row = _place(dives, share, fits, taken)
        value = text if isinstance(text, str) else text(dives[row])
        dives[row] = dives[row] | {column: value}
        slips.append(SetAside("dives.csv", row + 2, column, value, reason))
    found += sorted(slips, key=lambda fault: fault.row)
    return [*found, _twice(dives, taken), *_check_faults(checks)]
