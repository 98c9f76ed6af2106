"""`leadline ledger`: the forces item by item for one diver and kit."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import TYPE_CHECKING, Any

import typer

from leadline.cli.holding import single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import progress, quantity, show, table
from leadline.cli.planned import cells_of, parameters

if TYPE_CHECKING:
    from rich.console import RenderableType

    from leadline.cli.kit import Planned
    from leadline.decide.account import Account

__all__ = ["register"]

_STATES = {"stop": "at the stop", "start": "at the start", "surface": "at the surface"}


def register(app: typer.Typer) -> None:
    """Add the command to `app`, with an option for every column of a plan that bears on need."""
    app.command()(_with_columns())


def _with_columns() -> Any:
    columns = list(parameters(with_lead=True))

    def ledger(**given: Any) -> None:
        cells = cells_of({name: given[name] for name, _ in columns}, given["units"])
        if not cells.get("diver"):
            raise typer.BadParameter("give --diver, and the kit where it is not the last dive's")
        _ledger(cells, book=given["book"], units=given["units"], as_json=given["as_json"])

    ledger.__doc__ = (
        "Show the forces behind a need, item by item: at the stop, at the start, at the surface.\n\n"
        "Physics alone, before any log. Kit that is not named is taken over from the diver's last dive; "
        "`-` says none. An in-water check overrules every number."
    )
    shared = [("book", BookOption, None), ("units", UnitsOption, "metric"), ("as_json", JsonOption, False)]
    command: Any = ledger
    command.__signature__ = inspect.Signature(
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
            for name, annotation, default in [(name, a, None) for name, a in columns] + shared
        ]
    )
    return command


def _ledger(cells: dict[str, str], *, book: Path | None, units: Units, as_json: bool) -> None:
    single_thread()
    from leadline.cli.kit import plan_one
    from leadline.decide.account import account
    from leadline.timeline import PLAN

    with progress("reckoning"):
        planned = plan_one(book, cells)
        found = account(planned.assessment, int(planned.assessment.line.at(PLAN)[0]))
    lead = float(planned.plan["lead_kg"][0])
    show(_document(planned, found, lead), lambda: _view(planned, found, lead, units), as_json=as_json)


def _document(planned: Planned, found: Account, lead: float) -> dict[str, Any]:
    """All numbers in house units, a list of items for each state."""
    drawn = found.ledger
    states = {}
    for j, name in enumerate(drawn.state):
        states[name] = {
            "depth_m": float(drawn.depth[j]),
            "bar": float(drawn.pressure[j]),
            "items": [
                {
                    "item": item,
                    "mass_kg": float(drawn.mass[i, j]),
                    "volume_l": float(drawn.volume[i, j]),
                    "net_buoyancy_kg": float(drawn.net_buoyancy[i, j]),
                    "sd_kg": float(drawn.sd[i, j]),
                    "source": found.source[i],
                }
                for i, item in enumerate(drawn.item)
            ],
            "net_buoyancy_kg": float(drawn.total[j]),
            "need_kg": float(drawn.lead[j]),
            "margin_kg": lead - float(drawn.lead[j]),
        }
    return {
        "diver": str(planned.plan["diver"][0]),
        "lead_kg": lead,
        "taken_over": planned.taken.taken,
        "states": states,
    }


def _view(planned: Planned, found: Account, lead: float, units: Units) -> RenderableType:
    """The ledger at the stop in full, then what the other states add up to."""
    from rich.console import Group
    from rich.text import Text

    from leadline.decide.sentence import STANDING
    from leadline.physics.ledger import describe_need

    imperial = units == "imperial"
    drawn = found.ledger

    def mass(value: float) -> str:
        return quantity(value, "kg", units=units, digits=2)

    items = [
        [item, mass(drawn.mass[i, 0]), f"{drawn.volume[i, 0]:.2f} L", mass(net), mass(drawn.sd[i, 0]), source]
        for i, (item, net, source) in enumerate(
            zip(drawn.item, drawn.net_buoyancy[:, 0], found.source, strict=True)
        )
    ]
    items.append(["sum", "", "", mass(drawn.total[0]), "", ""])
    sums = []
    for j, name in enumerate(drawn.state):
        where = f"{_STATES[name]}, {quantity(drawn.depth[j], 'm', units=units)}"
        margin = "" if lead != lead else mass(lead - drawn.lead[j])
        bar = quantity(drawn.pressure[j], "bar", units=units, digits=0)
        sums.append([where, bar, describe_need(float(drawn.lead[j]), imperial=imperial), margin])
    parts: list[RenderableType] = [
        table(
            f"{planned.plan['diver'][0]} at the stop: positive floats",
            ["item", "mass", "volume", "net", "sd", "from"],
            items,
        ),
        table("Lead that balances it", ["state", "cylinder", "need", "margin"], sums),
    ]
    if planned.taken.taken:
        parts.append(Text(f"Taken over from {planned.taken.source}: {', '.join(planned.taken.taken)}."))
    parts.append(Text(f"Physics alone, before any log. {STANDING}"))
    return Group(*parts)
