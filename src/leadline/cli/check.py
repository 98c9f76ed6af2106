"""`leadline check`: a surface check read at the water's edge."""

from __future__ import annotations

import inspect
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any, Final

import typer

from leadline.cli.holding import single_thread
from leadline.cli.options import BookOption, JsonOption, Units, UnitsOption
from leadline.cli.output import note, option_values, progress, show
from leadline.cli.planned import GUEST, cells_of, parameters
from leadline.cli.suggest import BlockOption, BlocksOption, RiskOption
from leadline.errors import LeadlineError, OutOfRangeError, RecordError, UnknownNameError
from leadline.records import CHECKS, DIVERS

if TYPE_CHECKING:
    from leadline.cli.check_source import Place
    from leadline.decide.check import CheckAnswer
    from leadline.decide.check_look import Look

__all__ = ["register"]

_SEEN: Final = "The check"
_GUEST: Final = "A diver who is not in the book"
_PRESSURES: Final = ("start_bar", "end_bar", "stop_bar")
_OTHERWISE: Final = ("keep", "remove", "block", "blocks", "risk", "book", "units", "as_json")
"""Options that say nothing of a check: with these alone it asks."""

_IN_WORDS: Final = (
    " Kit that is not in the book is given in words: `full 5`, `dry_membrane`, `thick`, `wing`, "
    "`steel 12`, `hood 5`."
)


def register(app: typer.Typer) -> None:
    """Add the command to `app`, with an option for what a check and its dive have to say."""
    app.command()(_with_columns())


def _seen(*names: str, text: str, metavar: str = "TEXT", hidden: bool = False, panel: str = _SEEN) -> Any:
    return Annotated[
        str | None, typer.Option(*names, help=text, metavar=metavar, hidden=hidden, rich_help_panel=panel)
    ]


def _words(name: str) -> str:
    return "|".join(CHECKS.column(name).words)


def _check_options() -> Iterator[tuple[str, Any, Any]]:
    """Name, annotation and default of what belongs to the check itself."""
    yield "lead_kg", _seen("--lead", text="All lead on now.", metavar="kg|lb"), None
    for name in ("lead_kg", "lead_lb"):
        flag = f"--{name.replace('_', '-')}"
        yield f"own_{name}", _seen(flag, text="The same as --lead, in its own unit.", hidden=True), None
    text = "Gauge pressure now, one for each cylinder."
    yield "start_bar", _seen("--bar", text=text, metavar="bar|psi;..."), None
    yield "own_start_psi", _seen("--psi", text="The same as --bar, in psi.", hidden=True), None
    text = "Where the water comes on the still, upright diver; under: sinks on that breath."
    yield "waterline", _seen("--waterline", text=text, metavar=_words("waterline")), None
    text = "Breath held at the surface. Default: normal."
    yield "breath", _seen("--breath", text=text, metavar=_words("breath")), None
    text = "Whether breathing out sinks the diver."
    yield "exhale_sinks", _seen("--exhale-sinks", text=text, metavar="yes|no"), None
    text = "Whether the diver hung still: no finning, no sculling, no hand on anything."
    yield "still", _seen("--still", text=text, metavar="yes|no"), None
    yield "minutes", _seen("--minutes", text="Minutes in the water so far.", metavar="min"), None
    text = (
        "An earlier look of this check, such as 5:200:chin:no: lead, pressures, waterline, exhale-sinks, "
        "breath; may be given several times, in order of time. Not one that was made finning or with air in "
        "the suit: it counts in full."
    )
    again = typer.Option(
        "--again", help=text, metavar="LEAD:BAR:WATERLINE[:SINKS[:BREATH]]", rich_help_panel=_SEEN
    )
    yield "again", Annotated[list[str] | None, again], None
    text = "Gauge pressure planned for the end, one for each cylinder; - where it is not carried there. "
    yield "stop_bar", _seen("--reserve", text=text + "Default: 35 bar.", metavar="bar|psi;..."), None
    yield "on", _seen("--on", text="Take kit and water from this dive of the diver.", metavar="DIVE"), None
    yield "lead_places", _seen("--lead-places", text="Has no bearing on a check.", hidden=True), None


def _person_options() -> Iterator[tuple[str, Any, Any]]:
    for name, flag in GUEST.items():
        column = DIVERS.column(name)
        units = "|".join(
            filter(None, (column.unit or "N", column.twin.name.rpartition("_")[2] if column.twin else ""))
        )
        metavar = "|".join(column.words) or units
        yield f"person_{name}", _seen(f"--{flag}", text=column.help, metavar=metavar, panel=_GUEST), None


def _dive_options() -> Iterator[tuple[str, Any, Any]]:
    """What a plan may say, its pressures left out: a check has its own."""
    for name, annotation in parameters():
        if not name.removeprefix("own_").startswith(("start_", "end_", "stop_")) or "depth" in name:
            yield name, annotation, None


def _with_columns() -> Any:
    """The command, its signature made from the declarations of checks, dives and divers."""
    options = [*_check_options(), *_dive_options(), *_person_options()]

    def check(**given: Any) -> None:
        _check(given, book=given["book"], units=given["units"], as_json=given["as_json"])

    check.__doc__ = (
        "Read a surface check: what to add or take off now, and for the end of the dive.\n\n"
        "Needs --lead, --bar and --waterline (or --exhale-sinks); the rest as far as it is known. Kit that "
        "is not named is taken over from the diver's last dive in that suit; `-` says none: of a BC, a "
        "cylinder or an undersuit of a dry suit a usual one is then reckoned with." + _IN_WORDS + " "
        "The check of a diver in the book is kept there, so that the next answer knows it; --no-save leaves "
        "the book alone. On a terminal and without options it asks. An in-water check overrules every number."
    )
    keep = Annotated[
        bool | None,
        typer.Option(
            "--save/--no-save",
            help="Keep the check in the book. Default: keep it where diver and kit are in the book and the "
            "reading is not in doubt.",
        ),
    ]
    text = "Take a check that is in the book out of it, such as one typed wrong; it says how to put it back."
    remove = Annotated[str | None, typer.Option("--remove", help=text, metavar="CHECK")]
    shared = [
        ("keep", keep, None),
        ("remove", remove, None),
        ("block", BlockOption, None),
        ("blocks", BlocksOption, None),
        ("risk", RiskOption, 0.05),
        ("book", BookOption, None),
        ("units", UnitsOption, "metric"),
        ("as_json", JsonOption, False),
    ]
    command: Any = check
    command.__signature__ = inspect.Signature(
        [
            inspect.Parameter(name, inspect.Parameter.KEYWORD_ONLY, default=default, annotation=annotation)
            for name, annotation, default in [*options, *shared]
        ]
    )
    return command


def _check(given: dict[str, Any], *, book: Path | None, units: Units, as_json: bool) -> None:
    asked = [name for name in given if name not in _OTHERWISE]
    if given["remove"] is not None:
        from leadline.cli.check_removal import take_out

        if given["keep"] is not None or any(given[name] for name in asked):
            raise typer.BadParameter("--remove goes with the name of a check, and with nothing else of one")
        take_out(given["remove"], book=book, as_json=as_json)
        return
    if all(not given[name] for name in asked):
        if not (sys.stdin.isatty() and sys.stderr.isatty()):
            raise typer.BadParameter(
                "give --lead, --bar and --waterline, or run it on a terminal to be asked"
            )
        given, cells, (place, looks, answer) = _asked(given, book, units)
    else:
        cells = _cells(given, units)
        single_thread()
        with progress("reckoning"):
            place, looks, answer = _answer(given, cells, book=book, units=units)

    def view() -> Any:
        from leadline.cli.check_view import sight

        return sight(place, looks, answer, units)

    try:
        if not as_json:
            # Nobody waits in the water for a book, which another program may be writing to.
            show({}, view, as_json=False)
    finally:
        # A look is not lost with whoever was to read the answer.
        keys, failed = _kept(given, book, place, looks, answer)
    if as_json:
        show(_document(place, looks, answer, keys), view, as_json=True)
    if place.kept:
        note(
            f"this look is kept already (check {place.kept}) and counts once; look again with other lead, or "
            "give --date with the time of another look that shows the same"
        )
    if keys:
        note(f"kept in the book as {', '.join(keys)}; the next answer knows it")
    elif place.kept:
        pass
    elif place.unsaved:
        note(f"not kept in the book: {place.unsaved}")
    elif given["keep"] is None and failed is None:
        note("not kept in the book, since the reading is in doubt; --save keeps it all the same")
    if failed is not None:
        raise failed


def _cells(given: dict[str, Any], units: Units) -> dict[str, str]:
    """What was named of the dive, with a date; what no check goes without must be there."""
    cells = cells_of(given, units)
    cells["date"] = given.get("date") or _now()
    if not {"lead_kg", "lead_lb"} & set(cells):
        raise typer.BadParameter("give --lead: all lead that is on now")
    if not {"start_bar", "start_psi"} & set(cells):
        raise typer.BadParameter("give --bar: the pressure in each cylinder now")
    if not given["waterline"] and not given["exhale_sinks"]:
        raise typer.BadParameter("give --waterline, or at least --exhale-sinks")
    return cells


def _asked(
    given: dict[str, Any], book: Path | None, units: Units
) -> tuple[dict[str, Any], dict[str, str], tuple[Place, list[Look], CheckAnswer]]:
    """By questions, until the answers hold together: nobody types all of it again on a wet deck."""
    from leadline.cli import check_questions

    answers: dict[str, str] = {}
    while True:
        answers = check_questions.check(book, units, answers)
        told = given | answers
        cells = _cells(told, units)
        single_thread()
        try:
            with progress("reckoning"):
                return told, cells, _answer(told, cells, book=book, units=units)
        except (OutOfRangeError, RecordError, UnknownNameError) as reason:
            note(f"{reason}; once more, Enter keeps each answer")


def _now() -> str:
    from datetime import datetime

    return datetime.now().isoformat(timespec="seconds")


def _answer(
    given: dict[str, Any], cells: dict[str, str], *, book: Path | None, units: Units
) -> tuple[Place, list[Look], CheckAnswer]:
    from leadline.cli.check_parse import conditions_of, look_now, looks_of
    from leadline.cli.check_source import counted_once, find_place
    from leadline.cli.suggest import block_of, blocks_named
    from leadline.decide.check import check

    named = blocks_named(given["block"], given["blocks"], units)
    with option_values():
        conditions = conditions_of(given["still"], given["minutes"])
        again = looks_of(given["again"] or [], units)
    person = {
        (twin.name if units == "imperial" and (twin := DIVERS.column(name).twin) else name): text
        for name in GUEST
        if (text := given[f"person_{name}"]) is not None
    }
    place = find_place(book, cells, person=person, on=given["on"] or "")
    with option_values():
        now = look_now(given, place.plan)
    timed = given["date"] is not None and not str(place.plan["date"][0]).endswith("T00:00:00")
    look = None if conditions.still is False else now
    place, again = counted_once(place, cells, again, look, timed=timed)
    looks = [*again, now]
    answer = check(
        place.holding.records,
        place.holding.fit,
        place.plan,
        looks,
        conditions=conditions,
        block=named or block_of(None, units, there=place.holding.blocks),
        risk=given["risk"],
        imperial=units == "imperial",
        dive=place.dive,
        dives_in_fit=place.holding.dives_in_fit,
        checks_in_fit=place.holding.checks_in_fit,
        now_in_fit=place.kept_in_fit,
        changed_kit=place.holding.changed_kit,
    )
    return place, looks, answer


def _kept(
    given: dict[str, Any], book: Path | None, place: Place, looks: list[Look], answer: CheckAnswer
) -> tuple[list[str], LeadlineError | None]:
    """Keys of the looks kept in the book; a book that cannot be written must not cost the answer."""
    from leadline.cli.check_source import save
    from leadline.decide.check_words import HARDLY_FIT

    keep: bool | None = given["keep"]
    new = looks[:-1] if place.kept else looks
    # Looks at odds are kept: which was misread the next one says, and `suggest` has to know of them.
    ill_made = [doubt for doubt in answer.doubts if not doubt.startswith(HARDLY_FIT)]
    wanted = new and (not ill_made if keep is None else keep)
    if not wanted or (place.unsaved and keep is None):
        return [], None
    if place.unsaved:
        return [], RecordError(f"not kept: {place.unsaved}; load it first, or leave --save out")
    if (given["still"] or "").strip().casefold() == "no":
        return [], RecordError("not kept: a diver who is not still makes no check; look again")
    try:
        return save(book, place, new), None
    except LeadlineError as reason:
        return [], reason


def _document(place: Place, looks: list[Look], answer: CheckAnswer, keys: list[str]) -> dict[str, Any]:
    """All numbers in house units."""
    from dataclasses import asdict

    from leadline.decide.check_words import known_lead
    from leadline.decide.label import kit_labels, water_label
    from leadline.decide.plan_file import record
    from leadline.decide.sentence import STANDING

    facts = asdict(answer)
    facts["advice"] = record(answer.advice)
    facts["course"]["known_lead_kg"] = known_lead(answer)
    return {
        **facts,
        "seen": [asdict(look) for look in looks],
        "kit": list(kit_labels(place.plan, 0)),
        "water": water_label(place.plan, 0),
        "taken_over": place.taken.taken,
        "taken_from": place.taken.source if place.taken.taken else None,
        "kept_as": [*keys, place.kept] if place.kept else keys,
        "standing_caution": STANDING,
    }
