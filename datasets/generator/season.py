"""Who dives where and when in the season of 2026, in what kit and with what pressures."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import Final

from generator.chance import Chance
from generator.gear import Outfit, rental_outfit, small_foam, undersuit
from generator.people import Person
from generator.places import PLACES, Conditions, Place, conditions

__all__ = ["Dive", "Outing", "dives_of", "outings"]

FIRST_SATURDAY: Final = datetime(2026, 4, 4)
WEEKENDS: Final = 30

KEENNESS: Final = (0.12, 0.36)
"""Chance that a regular comes along on a club day: the least and the most keen."""

END_PRESSURE: Final = {"student": 85.0, "leader": 80.0, "photographer": 48.0, "others": 66.0}
END_PRESSURE_SD: Final = 17.0
"""Gas left in the cylinder [bar]."""

STOP_GAS: Final = (3.0, 12.0)
"""Gas used between the stop and the end, least and most [bar]."""


@dataclass(frozen=True, slots=True)
class Outing:
    """One dive of a group.

    Parameters
    ----------
    when : datetime
        Start.
    place : Place
        Where.
    group, kind : str
        Class, trip or boat; course, boat, week, evening.
    leader : str
        Who looks after the group.
    members : tuple of str
        Everyone who dives, leader included.
    """

    when: datetime
    place: Place
    group: str
    kind: str
    leader: str
    members: tuple[str, ...]


@dataclass
class Dive:
    """One diver on one outing, before it is known how it went.

    Parameters
    ----------
    key : str
        Name of the outing's dive, shared by its members.
    person, outing, water : Person, Outing, Conditions
        Who, with whom, in what.
    outfit : Outfit
        Suits, undersuit, small foam.
    bc : str
        Gear item.
    cylinders, gases : tuple of str
        Gear items, and the gas in each as the records write it.
    extras : tuple of str
        Fins, plate, lamp and the like: gear items.
    start, stop, end : tuple of float
        True gauge pressures; NaN at the stop and end for a cylinder not carried there. [bar]
    depth, stop_depth : float
        [m]
    made : int
        Dives the diver had made before.
    nth : int
        Dives of the diver in these records before this one.
    """

    key: str
    person: Person
    outing: Outing
    water: Conditions
    outfit: Outfit
    bc: str
    cylinders: tuple[str, ...]
    gases: tuple[str, ...]
    extras: tuple[str, ...]
    start: tuple[float, ...]
    stop: tuple[float, ...]
    end: tuple[float, ...]
    depth: float
    stop_depth: float
    made: int
    nth: int


# first day, leader, cohort slice; six days of two dives each: quarry, quarry, then fjord or sea
COURSES: Final = (
    ("2026-04-25", "Course 1"),
    ("2026-05-23", "Course 2"),
    ("2026-06-20", "Course 3"),
    ("2026-07-11", "Course 4"),
    ("2026-08-08", "Course 5"),
    ("2026-09-12", "Course 6"),
)
_COURSE_DAYS: Final = (
    (0, "Corvane Quarry"),
    (1, "Corvane Quarry"),
    (7, "Quellfjord Steps"),
    (8, "Skell Gully"),
)


def _named(people: list[Person], cohort: str) -> list[Person]:
    return [person for person in people if person.cohort == cohort]


def _courses(people: list[Person]) -> Iterator[Outing]:
    leaders, students = _named(people, "leader"), _named(people, "student")
    for number, (first, group) in enumerate(COURSES):
        leader = leaders[number % len(leaders)].name
        members = [person.name for person in students[5 * number : 5 * number + 5]]
        for day, place in _COURSE_DAYS:
            for hour in (10, 13):
                when = datetime.fromisoformat(first) + timedelta(days=day, hours=hour)
                here = [n for n in members if not Chance("ill", n, day).happens(0.07)]
                yield Outing(when, PLACES[place], group, "course", leader, (leader, *here))


def _keenness(person: Person) -> float:
    """Chance that someone comes along on a given club day [-]."""
    if person.cohort == "regular":
        return Chance("keenness", person.name).between(*KEENNESS)
    return {"photographer": KEENNESS[1], "deep": 0.75}.get(person.cohort, 0.0)


def _party(people: list[Person], when: datetime, place: Place) -> list[str]:
    day = when.date().isoformat()
    party = []
    for person in people:
        if person.cohort == "deep" and place.name != "Tern Drop":
            continue
        keen = _keenness(person)
        if person.age < 18 and place.name in ("Tern Drop", "Old Cutter"):
            keen = 0.0
        who = "the deep pair" if person.cohort == "deep" else person.name
        if Chance("comes", who, day).happens(keen):
            party.append(person.name)
    return party


def _renters_on(people: list[Person]) -> dict[str, list[str]]:
    """Day of each renter's visit: ISO date to names."""
    visits: dict[str, list[str]] = {}
    for person in _named(people, "renter"):
        chance = Chance("visit", person.name)
        day = FIRST_SATURDAY + timedelta(days=7 * int(chance.share() * WEEKENDS) + int(chance.happens(0.4)))
        visits.setdefault(day.date().isoformat(), []).append(person.name)
    return visits


_SATURDAYS: Final = ("Marrel Reef", "Old Cutter", "Skell Gully", "Tern Drop")
_SUNDAYS: Final = ("Quellfjord Steps", "Corvane Quarry", "Quellfjord Mill Wall", "Corvane Quarry")


def _club_days(people: list[Person]) -> Iterator[Outing]:
    leaders = _named(people, "leader")
    visits = _renters_on(people)
    for week in range(WEEKENDS):
        for offset, names, group in ((0, _SATURDAYS, "Saturday boat"), (1, _SUNDAYS, "Sunday shore")):
            day = FIRST_SATURDAY + timedelta(days=7 * week + offset)
            place = PLACES["Ilsa Tarn" if offset and week in (14, 18) else names[week % 4]]
            party = _party(people, day, place)
            guests = visits.get(day.date().isoformat(), [])
            leader = leaders[(week + offset) % len(leaders)].name
            for hour in (9, 12):
                late = [
                    n for n in party if not (hour == 12 and Chance("home", n, day.isoformat()).happens(0.1))
                ]
                also = [n for n in guests if hour == 9 or not Chance("once", n).happens(0.3)]
                yield Outing(
                    day + timedelta(hours=hour, minutes=30),
                    place,
                    group,
                    "boat",
                    leader,
                    (leader, *late, *also),
                )
        if 4 <= week < 26:
            evening = FIRST_SATURDAY + timedelta(days=7 * week + 4, hours=18)
            party = _party(people, evening, PLACES["Corvane Quarry"])
            leader = leaders[(week + 3) % len(leaders)].name
            yield Outing(
                evening, PLACES["Corvane Quarry"], "Wednesday evening", "evening", leader, (leader, *party)
            )


def _weeks(people: list[Person]) -> Iterator[Outing]:
    guests, leaders = _named(people, "guest"), _named(people, "leader")
    sites = ("Skell Gully", "Quellfjord Steps", "Marrel Reef", "Corvane Quarry", "Quellfjord Mill Wall")
    for number, first in enumerate((datetime(2026, 5, 11), datetime(2026, 8, 24))):
        members = tuple(person.name for person in guests[4 * number : 4 * number + 4])
        for day, site in enumerate(sites):
            for hour in (10, 14):
                leader = leaders[4 + number].name
                when = first + timedelta(days=day, hours=hour)
                yield Outing(
                    when, PLACES[site], f"Dive week {number + 1}", "week", leader, (leader, *members)
                )


def outings(people: list[Person]) -> list[Outing]:
    """Every outing of the season with company, in order of time; nobody is in two places on one day."""
    every = sorted([*_courses(people), *_weeks(people), *_club_days(people)], key=lambda o: (o.when, o.group))
    busy: dict[tuple[str, str], str] = {}
    kept = []
    for outing in every:
        day = outing.when.date().isoformat()
        free = tuple(n for n in outing.members if busy.setdefault((n, day), outing.group) == outing.group)
        if any(name != outing.leader for name in free):
            kept.append(Outing(outing.when, outing.place, outing.group, outing.kind, outing.leader, free))
    return kept


def _outfit(person: Person, temperature: float, kind: str) -> Outfit:
    dry = bool(person.dry)
    if dry and (temperature < 16.5 or not {"full 5", "full 3"} & set(person.suits)):
        suit = person.suits[person.dry]
        under = "undersuit thick" if person.cohort == "deep" else undersuit(temperature)
        return Outfit(person.dry, (suit,), under, small_foam(temperature, dry=True))
    small = small_foam(temperature, dry=False)
    own = person.suits
    if "two-piece 7" in own and temperature < 14.5:
        return Outfit("two-piece 7", (own["two-piece 7"],), small=small)
    if "full 7" in own and temperature < 16.5:
        if temperature < 10.5:
            return Outfit("full 7 + vest", (own["full 7"], f"vest 5 {person.size}"), small=small)
        return Outfit("full 7", (own["full 7"],), small=small)
    if "full 5" in own and 13 <= temperature < 21.5:
        return Outfit("full 5", (own["full 5"],), small=small)
    if "full 3" in own and temperature >= 18:
        return Outfit("full 3", (own["full 3"],), small=small)
    rents_dry = person.cohort in ("renter", "guest") and person.dives_before > 30 and temperature < 12
    return rental_outfit(person.size, temperature, dry=rents_dry and kind != "course")


def _gas(person: Person, outing: Outing, chance: Chance) -> str:
    if person.cohort == "student" or person.age < 18 or not chance.happens(0.3):
        return "air"
    return chance.weighted(("32", "36"), (0.8, 0.2)) if outing.place.depth >= 20 else "air"


def _pressures(person: Person, cylinder: str, chance: Chance) -> tuple[float, float, float]:
    """Start, stop and end [bar]."""
    full = (185, 212) if cylinder.startswith("alu") else (195, 232)
    start = chance.between(*full)
    usual = END_PRESSURE.get(person.cohort, END_PRESSURE["others"])
    end = chance.normal(usual, END_PRESSURE_SD, low=24, high=start - 70)
    return start, end + chance.between(*STOP_GAS), end


def _cylinders(
    person: Person, outing: Outing, cylinder: str, chance: Chance
) -> tuple[tuple[str, ...], tuple[str, ...], tuple[tuple[float, float, float], ...]]:
    """Items, gases, and (start, stop, end) of each."""
    main = _pressures(person, cylinder, chance)
    if person.cohort == "deep":
        if outing.when.hour == 9:
            left_behind = (chance.between(190, 210), float("nan"), float("nan"))
            bottom = "21/35" if chance.happens(0.7) else "18/45"
            return (cylinder, "alu 6"), (bottom, "50"), (main, left_behind)
        return (cylinder,), ("32",), (main,)
    if person.name in ("Henrik O", "Dagny F") and outing.place.depth >= 30 and chance.happens(0.6):
        spare = chance.between(180, 205)
        return (cylinder, "alu 6"), ("air", "air"), (main, (spare, spare, spare))
    return (cylinder,), (_gas(person, outing, chance),), (main,)


THIN: Final = ("full 3", "shorty 3")
"""Outfits in which nobody needs steel on the back."""


def _extras(person: Person, outfit: Outfit, bc: str, chance: Chance) -> tuple[str, ...]:
    extras = ["fins rubber" if person.cohort in ("deep", "photographer") else "fins strap"]
    sturdy = person.mass >= 66 and person.cohort != "photographer"
    if bc == "wing single" and sturdy and outfit.name not in THIN:
        extras.append("steel plate")
    if person.cohort == "deep":
        extras += ["regulators twin", "lamp canister"]
    if person.cohort == "photographer" and chance.happens(0.85):
        extras.append("camera rig")
    return (*outfit.small, *extras)


def _max_depth(person: Person, place: Place, chance: Chance) -> float:
    limit = {"student": 15.0, "deep": 58.0}.get(person.cohort, 34.0)
    if person.age < 16:
        limit = 12.0
    deepest = min(limit, place.depth)
    return round(chance.between(0.6, 1.0) * deepest, 1)


def dives_of(
    people: list[Person],
    every: list[Outing],
    *,
    prefix: str = "26",
    logged: Mapping[str, int] | None = None,
) -> list[Dive]:
    """One `Dive` for each member of each outing, in file order."""
    by_name = {person.name: person for person in people}
    seen = dict(logged or {})
    dives = []
    for number, outing in enumerate(every, 1):
        water = conditions(outing.place, outing.when)
        for name in outing.members:
            person = by_name[name]
            key = f"{prefix}-{number:03d}"
            chance = Chance("dive", key, name)
            nth = seen.get(name, 0)
            seen[name] = nth + 1
            dives.append(_dive(key, person, outing, water, nth, chance))
    return dives


def _dive(key: str, person: Person, outing: Outing, water: Conditions, nth: int, chance: Chance) -> Dive:
    # what a diver wears follows the week's water, not the hour's
    outfit = _outfit(person, round(water.temperature), outing.kind)
    cylinder = person.cylinder
    if person.cohort not in ("deep", "student") and chance.happens(0.08):
        cylinder = "steel 15" if cylinder == "steel 12" else "steel 12"
    if outfit.name in THIN and chance.happens(0.8):
        cylinder = "alu 11"
    bc = "jacket M" if cylinder != person.cylinder and person.bc == "wing single" else person.bc
    items, gases, pressures = _cylinders(person, outing, cylinder, chance)
    start, stop, end = (tuple(round(p[i], 1) for p in pressures) for i in range(3))
    return Dive(
        key=key,
        person=person,
        outing=outing,
        water=water,
        outfit=outfit,
        bc=bc,
        cylinders=items,
        gases=gases,
        extras=_extras(person, outfit, bc, chance),
        start=start,
        stop=stop,
        end=end,
        depth=_max_depth(person, outing.place, chance),
        stop_depth=5.0 if chance.happens(0.85) else chance.pick((3.0, 4.0, 4.5, 6.0)),
        made=person.dives_before + nth,
        nth=nth,
    )
