"""`leadline ledger`: the forces item by item for one diver and kit."""

from __future__ import annotations

import inspect
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import progress, show
from leadline.cli.planned import cells_of, parameters

if TYPE_CHECKING:
    from leadline.cli.kit import Planned
    from leadline.decide.account import Account

__all__ = ["register"]

_HEAD_UNDER: Final = Annotated[
    bool,
    typer.Option(
        "--head-under", help="At the surface: reckon with the head under water, not out to eye level."
    ),
]


def register(app: typer.Typer) -> None:
    """Add the command to `app`, with an option for every column of a plan that bears on need."""
    app.command()(_with_columns())


def _with_columns() -> Any:
    columns = list(parameters(with_lead=True))

    def ledger(**given: Any) -> None:
        cells = cells_of({name: given[name] for name, _ in columns}, given["units"])
        if not cells.get("diver"):
            raise typer.BadParameter("give --diver, and the kit where it is not the last dive's")
        _ledger(
            cells,
            head_out=not given["head_under"],
            book=given["book"],
            units=given["units"],
            as_json=given["as_json"],
        )

    ledger.__doc__ = (
        "Show the forces behind a need, item by item: at the stop, at the start, at the surface.\n\n"
        "Physics alone; below it stands what the records make of it. Kit that is not named is taken over "
        "from the diver's last dive in that suit; `-` says none: of a BC, a cylinder or an undersuit of a "
        "dry suit a usual one is then reckoned with. An in-water check overrules every number."
    )
    shared = [
        ("head_under", _HEAD_UNDER, False),
        ("book", BookOption, None),
        ("units", UnitsOption, "metric"),
        ("as_json", JsonOption, False),
    ]
    command: Any = ledger
    command.__signature__ = inspect.Signature(
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
            for name, annotation, default in [(name, a, None) for name, a in columns] + shared
        ]
    )
    return command


def _ledger(cells: dict[str, str], *, head_out: bool, book: Path | None, units: Units, as_json: bool) -> None:
    single_thread()
    import numpy as np

    from leadline.cli.kit import plan_one
    from leadline.decide.account import account
    from leadline.decide.checked_need import needs
    from leadline.timeline import PLAN

    with progress("reckoning"):
        planned = plan_one(book, cells)
        rows = planned.assessment.line.at(PLAN)
        found = account(planned.assessment, int(rows[0]), head_out=head_out)
        need = needs(planned.assessment, rows, planned.assessment.state(rows))[0].quantile([0.1, 0.5, 0.9])
    records = tuple(float(value) for value in np.asarray(need))
    lead = float(planned.plan["lead_kg"][0])

    def view() -> Any:
        from leadline.cli.forces import forces

        return forces(planned, found, lead, records, units)

    show(_document(planned, found, lead, records), view, as_json=as_json)


def _document(planned: Planned, found: Account, lead: float, records: tuple[float, ...]) -> dict[str, Any]:
    """All numbers in house units, a list of items for each state."""
    drawn = found.ledger
    states = {}
    for j, name in enumerate(drawn.state):
        states[name] = {
            "depth_m": float(drawn.depth[j]),
            "bar": float(drawn.pressure[j]),
            "each_bar": list(found.each_bar[j]),
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
        "taken_from": planned.taken.source if planned.taken.taken else None,
        "states": states,
        "with_records": dict(zip(("need_q10_kg", "need_q50_kg", "need_q90_kg"), records, strict=True)),
    }
