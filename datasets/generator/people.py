"""The invented divers: bodies, habits, and what of them the records tell."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date
from typing import Final

from generator.chance import Chance
from generator.gear import SIZES, Item, owned_suit

__all__ = ["Person", "cast"]

# name:sex:age where the age matters; sex as the body has it
LEADERS: Final = "Maren T:f Joris B:m Odile R:f Kasper W:m Thea L:f Anselm G:m"
REGULARS: Final = (
    "Ines K:f Bruno M:m Sølvi H:f Piet A:m Łucja D:f Henrik O:m Farah N:f Gustav P:m Mireille V:f Tomas E:m "
    "Yuna S:f Walter C:m:69 Dagny F:f Rafael J:m Iris Q:f Nils Z:m Beate U:f Cosmin I:m Lotte Y:f:16 "
    "Emil X:m:17 Hedda G:f Oskar R:m:66"
)
STUDENTS: Final = (
    "Ada B:f:13 Linus F:m:34 Greta S:f:27 Malik H:m:41 Rosa N:f:52 "
    "Jannik P:m:14 Elif K:f:23 Theo D:m:29 Nora W:f:38 Ugo C:m:58 "
    "Selma J:f:31 Viktor A:m:45 Aino L:f:22 Dario M:m:36 Pilar E:f:63 "
    "Mats O:m:12 Zoë T:f:15 Arne V:m:47 Leila R:f:33 Stellan I:m:24 "
    "Tuva Y:f:12 Ivo Z:m:16 Karin G:f:49 Samir B:m:28 Olga F:f:55 "
    "Felix H:m:35 Bodil S:f:61 Kenji N:m:30 Marta D:f:26 Rolf K:m:70"
)
RENTERS: Final = (
    "Anouk P:f Sven J:m Dilara C:f Matteo L:m Birgit W:f Hamid E:m Freya O:f Luc A:m Wanda R:f Jonas M:m "
    "Petra V:f Aksel I:m Carla T:f Edvin U:m Noor Y:f Stig Q:m"
)
GUESTS: Final = "Helga B:f Paulo F:m Signe D:f Ravi G:m Agnes K:f Ruben S:m Ylva H:f Marek N:m"
SPECIAL: Final = "Corin L:f"
DEEP: Final = "Ulrik E:m Vesna J:f"
NEWCOMERS: Final = "Tilda M:f Bastian O:m"


@dataclass
class Person:
    """One diver, as the world has them.

    Parameters
    ----------
    name, cohort : str
        Key of the records; leader, regular, student, renter, guest, photographer, deep, newcomer.
    sex : str
        f or m.
    age : int
        In the season. [years]
    height, mass : float
        [cm, kg]
    dives_before : int
        Dives made before the season.
    offset : float
        Personal departure of the need from what a body like this has by the formulas. [kg]
    breath_out, breath_in : float
        What breathing alone covers. [kg]
    high_breath : float
        Extra need of the first dives, from breathing high; it decays. [kg]
    caution : float
        Lead this person likes to have over what is known to be needed. [kg]
    noting : float
        Share of the dives whose stop is written down. [-]
    size : str
        Rental size.
    dry : str
        Kind of dry suit owned, or empty.
    suits : dict
        Owned suits: kind to gear item.
    bc, cylinder : str
        Usual gear items.
    mass_change : tuple or None
        From that date on the body mass is that. [date, kg]
    block : float
        Lead goes on in steps of this. [kg]
    """

    name: str
    cohort: str
    sex: str
    age: int
    height: float
    mass: float
    dives_before: int
    offset: float
    breath_out: float
    breath_in: float
    high_breath: float
    caution: float
    noting: float
    size: str
    dry: str = ""
    suits: dict[str, str] = field(default_factory=dict)
    bc: str = "jacket M"
    cylinder: str = "steel 12"
    mass_change: tuple[date, float] | None = None
    block: float = 0.5

    @property
    def whole_step(self) -> float:
        """The usual change of lead: as many blocks as come nearest to a kilogram [kg]."""
        return max(1, round(1 / self.block)) * self.block

    def mass_on(self, day: date) -> float:
        """Body mass on that day [kg]."""
        return self.mass_change[1] if self.mass_change and day >= self.mass_change[0] else self.mass


OFFSET_SD: Final = 0.95
"""Spread of the personal offsets [kg]."""

FAT_SHARE: Final = 0.6
"""Share of a personal offset that is body fat, which a few divers have had measured."""

# cohort: lowest and highest age, dives before, mean and sd of caution [kg], share of stops noted
HABITS: Final[dict[str, tuple[int, int, tuple[int, int], float, float, float]]] = {
    "leader": (26, 58, (600, 2400), 0.8, 0.5, 0.55),
    "regular": (21, 60, (25, 700), 1.2, 0.9, 0.78),
    "student": (18, 60, (0, 3), 2.6, 0.8, 0.80),
    "renter": (19, 64, (5, 90), 1.6, 0.9, 0.60),
    "guest": (24, 62, (12, 260), 1.3, 0.8, 0.68),
    "photographer": (39, 40, (480, 520), 2.6, 0.2, 0.85),
    "deep": (34, 50, (350, 900), 0.7, 0.3, 0.90),
    "newcomer": (28, 50, (10, 60), 1.5, 0.5, 0.60),
}

# height [cm] and body mass index of the young, girls and boys, from memory of growth charts
_YOUNG: Final = {
    12: (151, 18.0),
    13: (157, 18.6),
    14: (163, 19.4),
    15: (166, 20.1),
    16: (170, 20.8),
    17: (174, 21.4),
}


def _body(chance: Chance, sex: str, age: int) -> tuple[float, float]:
    """Height [cm] and mass [kg]."""
    if age < 18:
        height, index = _YOUNG[age]
        height = round(chance.normal(height - (3 if sex == "f" else 0), 5))
        index = chance.normal(index, 1.6, low=15.5, high=27)
    elif sex == "f":
        height = round(chance.normal(167, 6.5, low=152, high=184))
        index = chance.normal(23.6, 3.2, low=18.5, high=34)
    else:
        height = round(chance.normal(179.5, 7, low=162, high=200))
        index = chance.normal(25.6, 3.0, low=19.5, high=35)
    return float(height), float(round(index * (height / 100) ** 2))


def _size(height: float, mass: float) -> str:
    girth = mass / (height / 100)
    return SIZES[sum(girth > limit for limit in (36, 42.5, 50))]


def _cylinder(cohort: str, mass: float, chance: Chance) -> str:
    """The house fills aluminium; owners more often have steel."""
    if cohort in ("student", "renter", "guest", "newcomer") or chance.happens(0.4):
        return "alu 11"
    return "steel 10" if mass < 58 else "steel 15" if mass > 92 and chance.happens(0.6) else "steel 12"


def _person(text: str, cohort: str) -> Person:
    name, sex, *given = text.split(":")
    chance = Chance("person", name)
    low, high, dives, caution, caution_sd, noting = HABITS[cohort]
    age = int(given[0]) if given else int(chance.between(low, high))
    height, mass = _body(chance, sex, age)
    dives_before = int(dives[0] + (dives[1] - dives[0]) * chance.share() ** 2)
    if age < 18:
        dives_before = min(dives_before, 40)
    size = _size(height, mass)
    return Person(
        name=name,
        cohort=cohort,
        sex=sex,
        age=age,
        height=height,
        mass=mass,
        dives_before=dives_before,
        offset=round(chance.normal(0.0, OFFSET_SD, low=-2.6, high=2.6), 2),
        breath_out=round(chance.normal(0.5, 0.1, low=0.25, high=0.8) * min(1.0, height / 170), 2),
        breath_in=round(chance.normal(1.1, 0.18, low=0.6, high=1.6) * min(1.0, height / 170), 2),
        high_breath=round(chance.between(0.3, 1.6), 2),
        caution=round(chance.normal(caution, caution_sd, low=-0.3, high=3.4), 2),
        noting=min(0.97, max(0.3, chance.normal(noting, 0.1))),
        size=size,
        block=1.0 if cohort in ("student", "renter") else 0.5,
        bc=f"jacket {'S' if size == 'S' else 'M' if size == 'M' else 'L'}",
        cylinder=_cylinder(cohort, mass, chance),
    )


def _group(names: str, cohort: str) -> list[Person]:
    parts = names.split(" ")
    return [_person(f"{a} {b}", cohort) for a, b in zip(parts[::2], parts[1::2], strict=True)]


def _own(person: Person, gear: list[Item], *kinds: str) -> None:
    for kind in kinds:
        chance = Chance("suit owned", person.name, kind)
        dives = None if chance.happens(0.15) else int(5 + 220 * chance.share() ** 2)
        row = owned_suit(person.name, kind, dives_before=dives)
        gear.append(row)
        person.suits[kind] = row["item"]


def _equip(people: list[Person], gear: list[Item]) -> None:
    """Give leaders, regulars, the photographer and the deep pair their own suits, BC and cylinder."""
    for place, person in enumerate(p for p in people if p.cohort == "regular"):
        chance = Chance("kit owned", person.name)
        if person.age < 18:
            _own(person, gear, "full 5")
        elif place % 3 == 0:
            person.dry = "membrane" if place % 2 == 0 else "dry foam"
            _own(person, gear, person.dry, "full 5")
        elif place % 3 == 1:
            _own(person, gear, "two-piece 7", "full 5")
        else:
            _own(person, gear, "full 7", "full 3")
        if chance.happens(0.35):
            person.bc = "wing single"
    for place, person in enumerate(p for p in people if p.cohort == "leader"):
        person.dry = "membrane" if place % 2 == 0 else ""
        _own(person, gear, *((person.dry, "full 5") if person.dry else ("full 7", "full 5")))
        person.bc = "wing single" if place % 3 else person.bc
    for person in people:
        if person.cohort == "photographer":
            person.dry = "membrane"
            _own(person, gear, "membrane")
            person.bc = "wing single"
        elif person.cohort == "deep":
            person.dry = "membrane"
            _own(person, gear, "membrane")
            person.bc, person.cylinder = "wing twin", "twin 12"


def _measure(gear: list[Item]) -> None:
    """Two owners have hung a suit from a spring balance."""
    for item, buoyancy, water in (("full 5 of Ines K", 5.1, "fresh"), ("full 7 of Sølvi H", 6.6, "salt")):
        for row in gear:
            if row["item"] == item:
                row |= {"buoyancy_kg": buoyancy, "buoyancy_sd_kg": 0.3, "buoyancy_in": water}


# from that day on so many kilograms more
_CHANGES: Final = {
    "Bruno M": (date(2026, 7, 4), 7.0),
    "Farah N": (date(2026, 8, 22), -5.0),
    "Tomas E": (date(2026, 6, 13), -6.0),
    "Beate U": (date(2026, 9, 5), 4.0),
}


def cast(gear: list[Item]) -> list[Person]:
    """Everyone, in the order of `divers.csv`; owned suits are added to `gear`."""
    people = [
        person
        for names, cohort in (
            (LEADERS, "leader"),
            (REGULARS, "regular"),
            (STUDENTS, "student"),
            (RENTERS, "renter"),
            (GUESTS, "guest"),
            (SPECIAL, "photographer"),
            (DEEP, "deep"),
            (NEWCOMERS, "newcomer"),
        )
        for person in _group(names, cohort)
    ]
    _equip(people, gear)
    _measure(gear)
    for person in people:
        if person.name in _CHANGES:
            day, change = _CHANGES[person.name]
            person.mass_change = (day, person.mass + change)
    return people


def predicted_fat(person: Person) -> float:
    """Body fat of an adult of this body by Gallagher et al. 2000 (Am J Clin Nutr 72:694) [%].

    The coefficients are from memory.
    """
    index = person.mass / (person.height / 100) ** 2
    male = 1.0 if person.sex == "m" else 0.0
    slope = -848 + 39.0 * male
    return 64.5 + slope / index + 0.079 * person.age - 16.4 * male + 0.05 * male * person.age


def recorded(person: Person) -> dict[str, str]:
    """The row of `divers.csv`: what the diver told the desk."""
    chance = Chance("told", person.name)
    row = {"diver": person.name}
    kept = {"leader": 0.97, "regular": 0.92, "student": 0.93, "deep": 1.0}.get(person.cohort, 0.7)
    if chance.happens(kept):
        row["mass_kg"] = f"{person.mass:g}"
    if chance.happens(kept):
        row["height_cm"] = f"{person.height:g}"
    if chance.happens(kept):
        row["birth_year"] = str(2026 - person.age)
    if chance.happens(0.93):
        row["sex"] = person.sex
    if person.age >= 18 and person.cohort in ("regular", "leader") and chance.happens(0.25):
        # a percent of fat is worth mass/495 L, and a litre about 1.12 kg of lead
        truth = predicted_fat(person) + FAT_SHARE * person.offset * 495 / person.mass / 1.12
        row["body_fat_pct"] = f"{chance.normal(truth, 2.0, low=5, high=48):.1f}"
    if chance.happens(0.85):
        row["dives_before"] = str(person.dives_before)
    if person.name == "Bastian O":
        return {"diver": person.name}
    return row
