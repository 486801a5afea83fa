"""The table of causes: families of findings that are one case, and what can be behind each."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Literal

from rowcall.work_log.work import Work


class At(StrEnum):
    """What a finding is of: one row, one header, or the whole baghouse."""

    ROW = "row"
    HEADER = "header"


class SignOf(StrEnum):
    """Pieces of evidence beside the verdicts of rules; how each is seen stands in `memory/signs`.

    Each holds, does not hold, or is not known of a case on a day.
    """

    FADED = "its drop had become smaller before"
    SUDDEN = "it was full until it went silent"
    MISSES_SOME = "it answers some pulses and misses others"
    ALWAYS_SO = "it has been so on all known days"
    COIL_RENEWED = "solenoid renewed before, without effect"
    DIAPHRAGM_RENEWED = "diaphragms renewed before, without effect"
    OTHER_ROWS_SINCE = "other rows of its header ail since the same day"
    LATE_ROW = "a row of it closes late"
    SHORT_OF_PLATEAU = "pulses start well below the pressure that it tends to"
    NO_AIR = "it was pulsed without air"
    SAME_CLOCK_HOURS = "at the same clock hours on several days"
    ALL_DAY = "all day long"
    STEPPED = "it rose at once"
    COLD_START = "gas passed below the water dew point shortly before"
    ROWS_NOT_CLEANED = "rows not cleaned account for it"
    WEAK_CLEANING = "cleaning air is short or leaks"


@dataclass(frozen=True, slots=True)
class Evidence:
    """What a verdict or a sign says of a cause.

    Attributes:
        of: a rule's name, found or clear at the place of the case; or a sign.
        holds: weight where it is found or holds; natural logarithm of a likelihood ratio.
        fails: weight where it is clear or does not hold.
    """

    of: str | SignOf
    holds: float
    fails: float = 0.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Cause:
    """One possible cause.

    Attributes:
        prior: natural logarithm of how much more frequent it is than the family's others.
        check_first: in this order; only what needs no opening and no live parts comes first.
        source: where its weights come from: `trials`, or `chosen: why`.
    """

    name: str
    title: str
    prior: float = 0.0
    evidence: tuple[Evidence, ...]
    check_first: tuple[str, ...]
    source: str


@dataclass(frozen=True, slots=True)
class Measure:
    """The number by which a rule's finding worsens or improves.

    Attributes:
        value: name of the quantity in the finding.
        unit: UCUM code, `h` as counted, `1` written in percent; or a kind of quantity, which is
            written in the unit of the site file.
        words: with `{}` for the number, such as `drop {} of its neighbours'`.
        worse: 1 where more is worse, -1 where less is.
        step: change that matters: of the number, or as a share of it where `is_relative`.
        level: name of the quantity that a repair is to bring back to its usual, `usual_<level>`,
            which the rule counts anew after such work; '' where the rule needs no days before.
        error: name of its standard error; '' where the ends of its interval give it, or only its
            days show how it scatters.
    """

    value: str
    unit: Literal["1", "s", "h", "dp", "gauge", "temperature"]
    words: str
    worse: int
    step: float
    error: str = ""
    is_relative: bool = False
    level: str = ""


@dataclass(frozen=True, slots=True)
class Member:
    """A rule whose findings, of rows or of headers and baghouses, belong to a family.

    shows_health: its number is said of a repair, whatever rule found the fault.
    """

    rule: str
    at: At
    measure: Measure | None = None
    shows_health: bool = False


@dataclass(frozen=True, slots=True)
class Explains:
    """Findings that a case of a family accounts for.

    rule: theirs; at the headers of its baghouse, or by the share of cloth that it leaves uncleaned.
    in_its_hours: only where they lie in the hours of the case.
    by_same_rule: only where the same rule found the case too.
    """

    rule: str
    by_cloth: bool = False
    in_its_hours: bool = False
    by_same_rule: bool = False


@dataclass(frozen=True, slots=True, kw_only=True)
class Family:
    """Findings at one place that are one case.

    Attributes:
        key: as in ids of cases.
        mended_by: work that should end it.
    """

    key: str
    title: str
    members: tuple[Member, ...]
    causes: tuple[Cause, ...]
    mended_by: tuple[Work, ...] = ()
    explains: tuple[Explains, ...] = ()
