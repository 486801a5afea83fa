"""Each bag's life by the work log: put in, last seen sound, found failed, taken out."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from datetime import date
from itertools import groupby

from rowcall.media import Fibre
from rowcall.site import Baghouse
from rowcall.site.subject import Subject
from rowcall.work_log.bag_outcome import ALLOWED, Outcome, outcome_of
from rowcall.work_log.work import Work, WorkEntry, WorkLog

Seat = tuple[int, int, int]  # compartment, row, position, each from 1


@dataclass(frozen=True, slots=True)
class Bag:
    """One bag at a seat.

    Attributes:
        zone: as `Baghouse.zone_of` names it.
        since: the day it was put in, None where the log does not go back so far.
        sound: the last day on which it was put in or seen sound.
        found: the entry that found it failed.
        until: the day it was taken out, None while it hangs there.
    """

    seat: Seat
    zone: str = ""
    media: Fibre | None = None
    since: date | None = None
    sound: date | None = None
    found: WorkEntry | None = None
    until: date | None = None

    @property
    def waits(self) -> bool:
        """Whether it failed and hangs there still."""
        return self.found is not None and self.until is None

    @property
    def sound_d(self) -> int:
        """Age at which it was last known to be sound [d], 0 where it was not seen since."""
        return (self.sound - self.since).days if self.sound and self.since else 0

    @property
    def found_d(self) -> int | None:
        """Age at which it was found failed [d], None where it was not; never its first day."""
        return (self.found.day - self.since).days if self.found and self.since else None


def bags_of(work: WorkLog, house: Baghouse, day: date) -> tuple[Bag, ...]:
    """Return every bag of a baghouse up to the end of a day, by seat and then by time.

    Empty where the site file does not state the bags of a row.
    """
    seats = [
        (compartment, row, position)
        for compartment, row in house.all_rows()
        for position in range(1, (house.bags_in(compartment, row) or 0) + 1)
    ]
    bags = {seat: [Bag(seat, house.zone_of(*seat[1:]), house.media)] for seat in seats}
    own = (one for one in work.of(*ALLOWED) if one.touches(Subject(house.id)) and one.day <= day)
    for when, entries in groupby(own, key=lambda one: one.day):
        _live_through(bags, when, list(entries), house)
    return tuple(bag for seat in seats for bag in bags[seat])


def _live_through(
    bags: dict[Seat, list[Bag]], when: date, entries: Sequence[WorkEntry], house: Baghouse
) -> None:
    """Take up what one day says: what was found of the old bags, then the new ones."""
    said = {
        (one.subject.compartment, one.subject.row, one.position): one
        for one in reversed(entries)
        if one.position and (outcome := outcome_of(one)) and outcome.is_failure
    }
    # A bag changed as failed that was known to leak says nothing of the others.
    failed = {seat: one for seat, one in said.items() if seat in bags and not bags[seat][-1].found}
    open_ = {compartment for compartment, _, _ in failed}  # where people looked at all bags
    looks = [one for one in entries if _is_look(one)]
    changes = [one for one in entries if one.work is Work.BAGS_CHANGED]
    for seat, lives in bags.items():
        bag = lives[-1]
        if seat in failed:
            bag = replace(bag, found=failed[seat])
        elif bag.found is None and (seat[0] in open_ or _first_of(looks, seat, house)):
            bag = replace(bag, sound=when)
        lives[-1] = bag
        if change := _first_of(changes, seat, house):
            media = _fibre_in(change.part) or house.media
            lives[-1] = replace(bag, until=when)
            lives.append(Bag(seat, bag.zone, media, since=when, sound=when))


def _is_look(entry: WorkEntry) -> bool:
    """Return whether an entry says that bags were sound; an empty dye test names no leak."""
    if entry.work is Work.DYE_TEST and not entry.position and not entry.result:
        return True
    return outcome_of(entry) in (Outcome.PASSES, Outcome.HEALTHY)


def _first_of(entries: Iterable[WorkEntry], seat: Seat, house: Baghouse) -> WorkEntry | None:
    row = Subject(house.id, *seat[:2])
    covering = (one for one in entries if one.position in (0, seat[2]) and one.covers(row))
    return next(covering, None)


def _fibre_in(part: str) -> Fibre | None:
    return next((fibre for fibre in Fibre if fibre.value in part.casefold()), None)


def failures_of(bags: Iterable[Bag]) -> list[Bag]:
    """Return the bags that were found failed, oldest first."""
    failed = [(bag.found.day, bag.seat, bag) for bag in bags if bag.found]
    return [bag for *_, bag in sorted(failed, key=lambda one: one[:2])]
