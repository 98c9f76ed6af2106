"""Needs of strangers in every outfit: physics and what the population's records have taught of it."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from leadline.arrays import Columns, Records, empty
from leadline.decide.advice import breath_out
from leadline.decide.assessment import Assessment
from leadline.decide.bare import Look
from leadline.decide.onward import Way, way_down
from leadline.decide.outfit import WITH, Outfit
from leadline.decide.rental_place import Place
from leadline.decide.stranger import CROWD, MassClass, strangers
from leadline.model.marginal import Marginal
from leadline.records import RESERVE_PRESSURE
from leadline.timeline import PLAN

__all__ = ["RentalCrowd"]

FloatArray = NDArray[np.float64]


class RentalCrowd:
    """Needs of strangers: every class in every outfit, in every water with every cylinder.

    Parameters
    ----------
    assessment : Assessment
        Of the whole book.
    classes : sequence of MassClass
        Classes of body mass.
    found : sequence of Outfit
        What is handed out.
    places : sequence of Place
        Of each table.
    when : datetime
        Day of the dive, for the ages.
    """

    def __init__(
        self,
        assessment: Assessment,
        classes: Sequence[MassClass],
        found: Sequence[Outfit],
        places: Sequence[Place],
        when: datetime,
    ) -> None:
        self.out = breath_out(assessment.fit.theta)
        self.places, self.shape = places, (len(classes), CROWD, len(places), len(found))
        people = strangers(classes, year=when.year)
        plan = _plan(people, found, places, self.shape, date=when.date().isoformat())
        records = Records(people, _worn(assessment), empty("dives"), empty("checks"))
        self.assessment = Assessment.of(records, assessment.fit, plan=plan)
        self.rows = self.assessment.line.at(PLAN).reshape(-1, len(places) * len(found))
        self.members: list[list[Marginal]] = [
            self.assessment.marginals(rows, self.assessment.state(rows, pressure=RESERVE_PRESSURE))
            for rows in self.rows
        ]

    def of(self, group: int, place: int, outfit: int) -> list[Marginal]:
        """The strangers of one cell."""
        at = place * self.shape[3] + outfit
        return [self.members[group * CROWD + s][at] for s in range(CROWD)]

    @cached_property
    def way(self) -> Way:
        """From a check with full cylinders to the stop, for each class, place and outfit: strangers' mean.

        The sd holds how far they lie apart; all shape (classes, places, outfits).
        """
        groups, people, places, columns = self.shape
        rows = self.rows.ravel()
        state = self.assessment.state(rows, pressure=RESERVE_PRESSURE)
        way = way_down(self.assessment, rows, state)
        under = way.under.with_spare(False)
        bar, more, sd, most, most_sd, apart, wider = (
            x.reshape(groups, people, places, columns)
            for x in (way.bar, way.more, way.sd, under.most, under.sd, under.apart, under.wider)
        )
        return Way(
            bar.max(axis=1),
            more.mean(axis=1),
            np.sqrt((sd**2).mean(axis=1) + more.var(axis=1)),
            Look(
                most.mean(axis=1),
                np.sqrt((most_sd**2).mean(axis=1) + most.var(axis=1)),
                np.sqrt((apart**2).mean(axis=1)),
                wider.mean(axis=1),
            ),
        )

    def needs(self) -> Mapping[str, FloatArray]:
        """Needs in the first table, by class, stranger and outfit: mean, sd, and what they share.

        The last is the loading of each need on independent standard normal directions of the population,
        shape (classes, strangers, outfits, p): renters in one kind of suit err together.
        """
        _, strangers_, _, columns = self.shape
        rows = self.rows[:, :columns].ravel()
        state = self.assessment.state(rows, pressure=RESERVE_PRESSURE)
        shared = self.assessment.prior(rows, state)[1]
        _, covariance = self.assessment.fit.aligned(shared.names)
        root = np.linalg.cholesky(covariance)
        shape = (self.shape[0], strangers_, columns)
        first = [m for person in self.members for m in person[:columns]]
        return {
            "mean": np.array([m.mean for m in first]).reshape(shape),
            "sd": np.array([m.sd for m in first]).reshape(shape),
            "shared": (shared.values @ root).reshape(*shape, -1),
            "out": np.array(self.out),
        }


def _plan(
    people: Columns,
    found: Sequence[Outfit],
    places: Sequence[Place],
    shape: tuple[int, ...],
    *,
    date: str,
) -> Columns:
    """A dive of every stranger in every outfit at every place."""
    blank = empty("dives")
    count = int(np.prod(shape))
    group, person, place, outfit = (index.ravel() for index in np.indices(shape))

    def text(cells: Sequence[str]) -> NDArray[np.object_]:
        return np.array(cells, object)

    suit = text([cell for worn in found for cell in worn.suit]).reshape(len(found), -1)
    columns: dict[str, Any] = {
        "dive": text([str(i) for i in range(count)]),
        "diver": people["diver"][group * shape[1] + person],
        "date": np.full(count, np.datetime64(date, "s")),
        "water": text([one.water for one in places])[place],
        "cylinder": text([one.cylinder for one in places])[place],
        "altitude_m": np.array([one.altitude_m for one in places])[place],
        "salinity_gkg": np.array([one.salinity_gkg for one in places])[place],
        "stop_depth_m": np.array([one.stop_depth_m for one in places])[place],
        "suit": suit[outfit, group],
        **{name: text([worn.worn_with[name] for worn in found])[outfit] for name in WITH},
    }
    for name, values in blank.items():
        if name not in columns:
            empty_text = values.dtype == object
            columns[name] = np.full(count, "" if empty_text else np.nan, object if empty_text else float)
    return columns


def _worn(assessment: Assessment) -> Columns:
    """The gear table with every suit as worn as it is by now, for records that hold no dives."""
    occasions, gear = assessment.line.occasions, dict(assessment.line.records.gear)
    latest = gear["dives_before"].copy()
    worn = occasions.suit >= 0
    np.fmax.at(latest, occasions.suit[worn], occasions.suit_dives[worn] + 1)
    # A suit whose dives before the records nobody counted stays one of unknown age.
    gear["dives_before"] = np.where(np.isnan(gear["dives_before"]), np.nan, latest)
    return gear
