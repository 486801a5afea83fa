"""The days of a run studied ahead of their turn, and drawn, by workers.

Studying a baghouse-day and drawing it are functions of it alone. Samples are read here: only one
process may have the store open. Each day is judged here too, as it looks back on those before it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import Executor
from contextlib import suppress
from dataclasses import dataclass, field
from datetime import date
from functools import partial
from itertools import islice, product
from typing import TYPE_CHECKING, Self, TypeAlias

from rowcall.day_report import DayReport
from rowcall.days import day_bounds
from rowcall.guard import PICTURES, STUDY, Failure, Guard
from rowcall.model import BaghouseDay, History
from rowcall.runs.parallel.worker_count import usual_workers
from rowcall.runs.parallel.workers import Task, Workers
from rowcall.runs.study import reader, study_alone, with_past
from rowcall.site import Baghouse, Site
from rowcall.store import Store
from rowcall.store.trouble import is_interruption

if TYPE_CHECKING:
    from rowcall_reports.figures.picture import Picture

Place = tuple[date, str]  # a day, and the id of a baghouse
Studied = tuple[BaghouseDay, list[Failure]]
Drawn: TypeAlias = "tuple[Sequence[Picture], list[Failure]]"

# Tasks a worker that may be ahead, chosen: one at work and one waiting; a third one waits behind
# the pictures of a day, so that workers are busy while the report is written.
_AHEAD, _BEHIND_PICTURES = 2, 3
# Of the store, whose samples are read once. Chosen: days of 17 million are read no slower.
_MOST_HELD = "512MiB"
_SEVERAL = 2  # until a cluster has said how many


@dataclass(slots=True)
class Ahead:
    """The studies of a site that are under way."""

    store: Store
    site: Site
    workers: Workers
    _next: list[Place] = field(default_factory=list)
    _begun: dict[Place, Task[Studied]] = field(default_factory=dict)

    @classmethod
    def of(cls, store: Store, site: Site, workers: int | str | None) -> Self:
        """Return it with so many processes; None: as many as the machine has room for.

        An address is that of the scheduler of a Dask cluster, whose workers do the tasks.
        """
        if isinstance(workers, str):
            found = Workers(_SEVERAL, partial(_fleet, workers))
        else:
            found = Workers(workers or usual_workers(store))
        store.hold_at_most(_MOST_HELD)  # not before: the store's limit tells how much there is
        return cls(store, site, found)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._begun.clear()
        self.workers.close()

    def expect(self, days: Sequence[date]) -> None:
        """Begin with days that are to be judged, in this order, and drop what was begun of others.

        How many are begun is bounded by the number of workers, as their samples take memory.
        """
        houses = [house.id for house in self.site.baghouse]
        self.workers.expect(len(days) * len(houses))
        n_known = len(houses) + _BEHIND_PICTURES * self.workers.count
        self._next = list(islice(product(days, houses), n_known))
        for place in self._begun.keys() - set(self._next):
            self.workers.forget(self._begun.pop(place))
        self._begin(_AHEAD)

    def study(self, guard: Guard, house: Baghouse, history: History) -> BaghouseDay:
        """Return everything that the rules may look at of a baghouse, on the day of the guard."""
        day, zone = guard.day, self.site.plant.zone

        def study() -> BaghouseDay:
            studied, failures = self._take(house, day).result()
            self._begin(_AHEAD)
            guard.add(failures)
            read, units = reader(self.store, studied.baghouse), self.site.units.scales
            return with_past(studied, history, read, zone, units)

        return guard.run(
            house.id,
            STUDY,
            study,
            lambda why: BaghouseDay.unstudied(
                house.on(day), day, day_bounds(day, zone), history, why
            ),
        )

    def draw(self, report: DayReport, guard: Guard) -> Drawing:
        """Begin to draw a day, baghouse by baghouse; the guard collects what fails."""
        houses = [day.baghouse.id for day in report.baghouses if not day.failed]
        tasks = {
            house: self.workers.submit(_draw, Guard(guard.day, guard.isolates), report.of([house]))
            for house in houses
        }
        self._begin(_BEHIND_PICTURES)
        return Drawing(tasks, guard)

    def _take(self, house: Baghouse, day: date) -> Task[Studied]:
        place = day, house.id
        with suppress(ValueError):
            self._next.remove(place)
        return self._begun.pop(place, None) or self._submit(place)

    def _begin(self, a_worker: int) -> None:
        """Hand over the next studies, up to so many a worker."""
        if not self.workers.are_running:
            return
        for place in self._next[: a_worker * self.workers.count]:
            if place in self._begun:
                continue
            try:
                self._begun[place] = self._submit(place)
            except Exception as error:
                if is_interruption(error):
                    raise
                return  # read again in its turn: days before it are reported first

    def _submit(self, place: Place) -> Task[Studied]:
        day, name = place
        house = next(house for house in self.site.baghouse if house.id == name).on(day)
        span = day_bounds(day, self.site.plant.zone)
        kept = reader(self.store, house)(*span)
        return self.workers.submit(study_alone, Guard(day, isolates=True), house, span, kept)


@dataclass(frozen=True, slots=True)
class Drawing:
    """Pictures of a day that are being drawn, by baghouse."""

    tasks: Mapping[str, Task[Drawn]]
    guard: Guard

    def pictures(self) -> list[Picture]:
        """Wait for the pictures and return them."""
        pictures: list[Picture] = []
        for house, task in self.tasks.items():
            drawn, failures = self.guard.run(house, PICTURES, task.result, lambda why: ((), []))
            pictures += drawn
            self.guard.add(failures)
        return pictures


def _fleet(address: str, _: int) -> Executor:
    from rowcall.runs.parallel.fleet import Fleet  # an optional extra, and slow to load

    return Fleet(address)


def _draw(guard: Guard, report: DayReport) -> Drawn:
    from rowcall_reports.figures.all_pictures import draw

    return draw(report, guard), guard.failures
