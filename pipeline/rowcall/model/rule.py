"""What a rule is, what it is asked with, and short builders for its parts."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime, timedelta
from enum import StrEnum

from rowcall.model.answer import Answer, Caution, Quantity, Urgency, Verdict
from rowcall.model.day import BaghouseDay
from rowcall.model.fact import Fact, FactBook, History
from rowcall.site import Role
from rowcall.site.subject import Subject
from rowcall.units import Dimension, Units
from rowcall.work_log.work import WorkEntry, WorkLog

Limits = Mapping[str, float]


class Chapter(StrEnum):
    """Where in the report a rule's findings stand, in the order of the report."""

    ROWS = "Roll call"
    AIR = "Compressed air"
    CLEANING = "Cleaning control"
    DP = "DP"
    TEMPERATURE = "Temperature"
    DUST = "Dust"
    SENSORS = "Sensors"


@dataclass(frozen=True, slots=True, kw_only=True)
class Need:
    """What a rule cannot do without; checked in one place, before it is asked.

    Attributes:
        any_of: roles of which at least one must be usable.
        purpose: what they are needed for, as the end of "which this rule needs ...".
        max_step_s: the time between points of the finest of them must not be longer [s]; a tag
            recorded by change or thinned has few points where little happens, and passes.
        min_coverage: share of the day that the best of them must cover.
        past: facts of the baghouse; the first one that the day has must be known for as many days
            as the rule's threshold `days` says, today included.
        days: key of that threshold.
        only_first: of several usable tags of a role the rule judges the first one only.
    """

    any_of: tuple[Role, ...] = ()
    purpose: str
    max_step_s: float = float("inf")
    min_coverage: float = 0.0
    past: tuple[Fact, ...] = ()
    days: str = ""
    only_first: bool = False


@dataclass(frozen=True, slots=True)
class Threshold:
    """A limit of a rule that a site file or a rerun may set."""

    key: str
    text: str  # value with unit, as a person writes it
    dimension: Dimension
    meaning: str
    source: str


@dataclass(frozen=True, slots=True)
class RowMark:
    """How a finding on a row shows in the roll call.

    Attributes:
        letter: in the picture.
        words: in the legend of the picture; in capitals the mark in the table.
        meaning: in the legend of the table.
        precedence: of several marks on a row the one with the lowest number shows.
        watch_only: stands for those findings of the rule that are only to be watched.
        shows_lateness: the picture of stacked pulses marks when the valve closed.
        sign: stands in the table instead of the words.
    """

    letter: str
    words: str
    meaning: str
    precedence: int
    watch_only: bool = field(default=False, kw_only=True)
    shows_lateness: bool = field(default=False, kw_only=True)
    sign: str = field(default="", kw_only=True)

    @property
    def word(self) -> str:
        """The mark in the table."""
        return self.sign or self.words.upper()


@dataclass(frozen=True, slots=True, kw_only=True)
class Context:
    """What a rule is asked with.

    Attributes:
        day: the baghouse-day, with its history.
        limits: thresholds in force, inside units.
        facts: the day's facts.
        answers: of the rules named in `Rule.after`, by rule.
        work: the work log up to the end of the day.
    """

    day: BaghouseDay
    limits: Limits
    facts: FactBook
    answers: Mapping[str, tuple[Answer, ...]] = field(default_factory=dict)
    work: WorkLog = field(default_factory=WorkLog)

    @property
    def history(self) -> History:
        """Facts and verdicts of the days before."""
        return self.day.history

    @property
    def units(self) -> Units:
        """How quantities are written."""
        return self.day.units

    def subject(self, compartment: int = 0, row: int = 0) -> Subject:
        """Return a place of this baghouse; 0 meaning all."""
        return Subject(self.day.baghouse.id, compartment, row)

    def off(self, compartment: int = 0, row: int = 0) -> WorkEntry | None:
        """Return the entry by which a place was off on purpose in some of the day, if it was."""
        is_place = row > 0 and self.day.counts_places(compartment)
        subject = replace(self.subject(compartment, row), is_place=is_place)
        return self.work.off(subject, self.day.start, self.day.end)

    def at(self, second: float) -> datetime:
        """Return an instant of the day, never after its end."""
        return min(self.day.end, self.day.start + timedelta(seconds=second))

    def found(
        self,
        subject: Subject,
        urgency: Urgency,
        text: str,
        action: str,
        values: Iterable[Quantity] = (),
        *,
        start: datetime | None = None,
        end: datetime | None = None,
        condemns: tuple[Role, ...] = (),
    ) -> Answer:
        """Return a finding, of the whole day where nothing else is said."""
        return Answer(
            subject=subject,
            verdict=Verdict.FOUND,
            urgency=urgency,
            text=text,
            action=action,
            values=tuple(values),
            start=self.day.start if start is None else start,
            end=self.day.end if end is None else end,
            condemns=condemns,
        )


Judge = Callable[[Context], Iterable[Answer]]


@dataclass(frozen=True, slots=True, kw_only=True)
class Rule:
    """One fault: what it looks for, what it needs, its limits, its remedy, and its judge.

    Attributes:
        after: rules whose answers of the same day it reads.
        uses: roles beside its needs whose tags it reads where there are such.
        does_without: roles that only a part of what it says rests on.
        marks: how its findings on rows show in the roll call.
        judges_valve: what it says of a row is said of the row's valve.
        excused_off: it neither sees nor finds what is off on purpose by the work log.
        trial_fault: what the trials of `odds` planted for it, in words.
        formerly: the name it had in earlier versions, for site files that still use it.
    """

    name: str
    title: str
    chapter: Chapter
    looks_for: str
    needs: tuple[Need, ...]
    thresholds: tuple[Threshold, ...]
    check_first: tuple[str, ...]
    confused_with: str
    cautions: tuple[Caution, ...]
    judge: Judge
    references: tuple[str, ...] = ("common practice, no source",)
    after: tuple[str, ...] = ()
    uses: tuple[Role, ...] = ()
    does_without: tuple[Role, ...] = ()
    marks: tuple[RowMark, ...] = ()
    judges_valve: bool = False
    excused_off: bool = False
    trial_fault: str = ""
    formerly: str = ""


def limit(
    key: str,
    text: str,
    meaning: str,
    *,
    chosen: str = "",
    source: str = "",
    dimension: Dimension = Dimension.RATIO,
) -> Threshold:
    """Return a threshold; say where it comes from, or that it was chosen and why.

    Raises:
        ValueError: neither or both are said.
    """
    if bool(chosen) == bool(source):
        raise ValueError(f"threshold {key}: name a source, or why it was chosen")
    return Threshold(key, text, dimension, meaning, source or f"chosen: {chosen}")


ISOLATED = "Isolated, locked out and bled: "


def work(*, outside: str = "", isolated: str = "") -> str:
    """Return an action: first what needs neither opening nor live parts, then what needs isolation.

    Args:
        outside: looking, listening, reading, settings.
        isolated: everything else; begins with a small letter.
    """
    return " ".join(filter(None, (outside, isolated and f"{ISOLATED}{isolated}")))
