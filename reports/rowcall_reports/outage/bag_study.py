"""What the work log shows of the bags of one baghouse: failures, patterns, life, spares."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import timedelta
from functools import cached_property

from rowcall.bags.clusters import Pattern, patterns_of
from rowcall.bags.lives import Bag, bags_of, failures_of
from rowcall.bags.spares import Spares, spares_for
from rowcall.bags.survival import Weibull, fit, lives_of
from rowcall.model import Subject
from rowcall.work_log.bag_outcome import ALLOWED
from rowcall_reports import wording
from rowcall_reports.figures.leak_map import draw_leak_map
from rowcall_reports.figures.life_curve import draw_life
from rowcall_reports.figures.picture import Picture
from rowcall_reports.outage.stop import Stop

# What a pattern points to, and what to look at; common practice, no source.
POINTS: dict[str, tuple[str, str]] = {
    "position": (
        "the nozzles of this position are worn oval, or stand off the middle of the bag",
        "nozzles of this position in every blowpipe; holes near the top of the bags",
    ),
    "row": (
        "its blowpipe is loose or off centre, or its cages or lot of bags are bad",
        "brackets and nozzles of the blowpipe; cages; where in the bag the holes lie",
    ),
    "inlet side": (
        "dust wears the bags where gas comes in",
        "inlet baffle; bottoms of the bags there",
    ),
    "wall": (
        "bags rub at the wall, or the wall is cold and wets them",
        "rub marks, rust on cages, insulation, air leaking in",
    ),
    "compartment": (
        "it gets more gas or dust than its share, or had worse bags or worse fitting",
        "dampers, inlet and baffle of the compartment; lot of the bags",
    ),
    "old": ("the bags are at the end of their life", "a sound old bag, to a laboratory"),
    "young": (
        "bags were badly seated or hurt when they were put in",
        "seats, snap bands and cages of the bags put in last",
    ),
}


@dataclass(frozen=True)
class BagStudy:
    """What the page of bags, and its part of the outage sheet, are made from."""

    stop: Stop
    bags: tuple[Bag, ...]

    @property
    def page(self) -> str:
        """Name of the page, without ending."""
        return f"bag-life-{self.stop.house.id}-{self.stop.day.isoformat()}"

    @cached_property
    def failures(self) -> list[Bag]:
        """Failed bags, oldest first."""
        return failures_of(self.bags)

    @cached_property
    def patterns(self) -> list[Pattern]:
        """Where they crowd, by each factor that can be asked."""
        return patterns_of(self.bags)

    @property
    def standing_out(self) -> list[Pattern]:
        """Patterns that are more than chance, the surest first."""
        return sorted((one for one in self.patterns if one.stands_out), key=lambda one: one.p)

    @cached_property
    def model(self) -> Weibull | None:
        """Life of all bags, None where too few failed."""
        return fit(lives_of(self.bags))

    @cached_property
    def spares(self) -> list[Spares]:
        """What the next two planned outages take."""
        name, work = self.stop.house.id, self.stop.work
        outages = [first] if (first := self.stop.planned) else []
        if first and (second := work.next_outage(name, first + timedelta(days=1))):
            outages.append(second)
        return spares_for(self.bags, self.model, outages) if self.model and outages else []

    @cached_property
    def pictures(self) -> list[Picture]:
        """The leak map, and the course of life where it is known."""
        house, day = self.stop.house.id, self.stop.day.isoformat()
        said = " ".join(map(pattern_sentence, self.standing_out))
        leaks = draw_leak_map(self.stop.house, day, self.bags, self.patterns, said)
        life = [draw_life(house, day, self.model)] if self.model else []
        return ([leaks] if leaks else []) + life


def study_bags(stop: Stop) -> BagStudy | None:
    """Return what is known of the bags, None where the work log has no entry of them."""
    house = Subject(stop.house.id)
    if not any(one.touches(house) and one.day <= stop.day for one in stop.work.of(*ALLOWED)):
        return None
    return BagStudy(stop, bags_of(stop.work, stop.house, stop.day))


def points_to(pattern: Pattern) -> tuple[str, str]:
    """Return what a pattern points to, and what to look at once all is isolated."""
    if pattern.factor == "age":
        return POINTS["old" if pattern.places[0][0] > 0 else "young"]
    return POINTS[pattern.factor]


def places_in_words(pattern: Pattern) -> str:
    """Return the places of a pattern: `compartment 1, row 4`, `position 5`, `old bags`."""
    if pattern.factor == "row":
        return wording.places((place[0], place[1]) for place in pattern.places)
    if pattern.factor == "age":
        return "old bags" if pattern.places[0][0] > 0 else "young bags"
    if pattern.factor in ("position", "compartment"):
        several = "s" if len(pattern.places) > 1 else ""
        return f"{pattern.factor}{several} {wording.spans(place[0] for place in pattern.places)}"
    return pattern.factor


def pattern_sentence(pattern: Pattern) -> str:
    """Return what stands out, with its numbers."""
    words = places_in_words(pattern)
    if pattern.expected is None:
        older = words.removesuffix(" bags") + "er"
        there = f"failed bags were {older} than those beside them on the same day"
    else:
        chance = wording.significant(pattern.expected, 2)
        most = "at the densest, " if len(pattern.places) > 1 else ""
        there = f"{most}{pattern.failed} of {pattern.total} failed bags, by chance {chance}"
    is_one = len(pattern.places) == 1 and pattern.factor != "age"
    return f"{words[0].upper()}{words[1:]} stand{'s' if is_one else ''} out: {there}."


def part_of_outage_sheet(study: BagStudy | None) -> Iterator[str]:
    """Yield the short part of the outage sheet, with the link to the page."""
    if study is None:
        return
    yield "## Bags, by the work log"
    if not study.bags:
        yield "The site file states no `bags_per_row`, so there is no leak map."
        return
    yield "\n".join(f"- {line}" for line in _short(study))


def _short(study: BagStudy) -> Iterator[str]:
    n_waiting = sum(bag.waits for bag in study.failures)
    failed = wording.count(len(study.failures), "failed bag is", "failed bags are")
    yield f"{failed} known, {n_waiting} of them still in place."
    for pattern in study.standing_out:
        cause, look = points_to(pattern)
        yield f"{pattern_sentence(pattern)} It may be that {cause}. Isolated: {look}."
    for one in study.spares[:1]:
        yield (
            f"Bags to take along: {one.known} for those known, up to {one.high} for those that "
            "will have failed by then."
        )
    yield f"[Leak map and bag life]({study.page}.md)"
