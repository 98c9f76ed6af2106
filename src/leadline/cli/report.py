"""`leadline report`: HTML pages, one small module for each kind of report.

A new report is one more module with `register(group)` and one more name in `_REPORTS`.
"""

from __future__ import annotations

from typing import Final

import typer

from leadline.cli import report_boat, report_rental, report_roster, report_season

__all__ = ["register"]

_REPORTS: Final = (report_season, report_rental, report_roster, report_boat)


def register(app: typer.Typer) -> None:
    """Add the group of reports to `app`."""
    group = typer.Typer(no_args_is_help=True, help="Write reports as HTML pages that need nothing else.")
    for report in _REPORTS:
        report.register(group)
    app.add_typer(group, name="report")
