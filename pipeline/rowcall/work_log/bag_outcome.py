"""What a dye test, a bag change or an inspection showed of a bag: the first word of its result."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from difflib import get_close_matches
from enum import StrEnum

from rowcall.work_log.problem import Column, Problem, quoted
from rowcall.work_log.work import Work, WorkEntry


class Outcome(StrEnum):
    """What an entry says of the bags at its place."""

    GLOWS = "glows"
    PASSES = "passes"
    FAILED = "failed"
    PLUGGED = "plugged"
    HEALTHY = "healthy"

    @property
    def is_failure(self) -> bool:
        """Whether the bag let dust through."""
        return self in (Outcome.GLOWS, Outcome.FAILED, Outcome.PLUGGED)


MEANINGS: Mapping[Outcome, str] = {
    Outcome.GLOWS: "the seat glows under UV light",
    Outcome.PASSES: "it does not; without a position, no bag of the place does",
    Outcome.FAILED: "the bag leaks, is torn or lies in the hopper; needs a position",
    Outcome.PLUGGED: "its hole was plugged, as it leaked; needs a position",
    Outcome.HEALTHY: "the bag is sound, or was when it was changed",
}
_OF_BAGS = (Outcome.FAILED, Outcome.PLUGGED, Outcome.HEALTHY)
ALLOWED: Mapping[Work, tuple[Outcome, ...]] = {
    Work.DYE_TEST: (Outcome.GLOWS, Outcome.PASSES),
    Work.BAGS_CHANGED: _OF_BAGS,
    Work.INSPECTED: _OF_BAGS,
}
_FORMS = {
    Outcome.GLOWS: r"glow(s|ed|ing)?",
    Outcome.PASSES: r"pass(es|ed)?",
    Outcome.FAILED: r"fail(s|ed)?",
    Outcome.PLUGGED: r"plugged",
    Outcome.HEALTHY: r"healthy",
}
# As people wrote before these words were asked for: of tests and looks, not of old bags changed.
_SOUND = re.compile(r"\W*(ok|clear|sound|tight|no leak|none)\b", re.IGNORECASE)
_WORD = re.compile(r"\W*(\w+)")
_LIKE = 0.82  # of `difflib`; chosen: one letter missing, wrong or too many, but not flows for glows


def outcome_of(entry: WorkEntry) -> Outcome | None:
    """Return what an entry says of the bags at its place, None where it names no outcome.

    A dye test that names a bag and not that it passed found it glowing.
    """
    allowed = ALLOWED.get(entry.work, ())
    if (named := _named(entry.result)) in allowed:
        return named
    is_change = entry.work is Work.BAGS_CHANGED
    if allowed and not is_change and _SOUND.match(entry.result):
        return allowed[-1]
    return Outcome.GLOWS if entry.work is Work.DYE_TEST and entry.position else None


def _word(result: str) -> str:
    found = _WORD.match(result.casefold())
    return found[1] if found else ""


def _named(result: str) -> Outcome | None:
    word = _word(result)
    return next((one for one, form in _FORMS.items() if re.fullmatch(form, word)), None)


def unusable_results(entries: Iterable[WorkEntry]) -> Iterator[Problem]:
    """Yield each line whose result is nearly an outcome; the line counts without it."""
    said = set[int]()
    for entry in entries:
        allowed = ALLOWED.get(entry.work, ())
        if allowed and entry.line not in said and (why := _why(entry, allowed)):
            said.add(entry.line)
            text = (
                f"{quoted(entry.result)}: {why} Allowed as the first word are "
                f"{', '.join(allowed)}; other text names no outcome. The line counts without it."
            )
            yield Problem(text, Column.RESULT, entry.line)


def _why(entry: WorkEntry, allowed: tuple[Outcome, ...]) -> str:
    named, word = _named(entry.result), _word(entry.result)
    if named in allowed:
        needs_position = named.is_failure and named is not Outcome.GLOWS and not entry.position
        return f'which bag is meant by "{named}"? Add its position.' if needs_position else ""
    if named:
        return f'"{named}" is no result of the work "{entry.work}".'
    like = get_close_matches(word, allowed, n=1, cutoff=_LIKE)
    return f'is "{like[0]}" meant?' if like else ""
