"""What waits for the next stop of one baghouse: jobs, their checks, parts, bags to be changed."""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from datetime import date

from rowcall.model import (
    Case,
    Check,
    Finding,
    RankedCause,
    Rule,
    State,
    Subject,
    Verdict,
    Work,
    WorkEntry,
    WorkLog,
)
from rowcall.site import Baghouse, Site
from rowcall.work_log.bag_outcome import Outcome, outcome_of
from rowcall_reports import wording
from rowcall_reports.actions import places_of
from rowcall_reports.judgeable import Advice
from rowcall_reports.outage.stop_checks import Step

# As rules and causes write it where what follows needs isolation.
_BARRIER = re.compile(r"\s*\bisolated(, locked out)?( and bled)?: ", re.IGNORECASE)
_WORTH_PARTS = 0.1  # probability of a cause from which its parts are taken along; chosen: cheap

KIT = "diaphragm kit (both diaphragms of a double valve)"
COIL = "coil of a solenoid"
FILTER = "element of the air filter"
BAG = "bag"
# By the name of a cause; the work that would be in vain again rules its part out.
PARTS = {
    "no_current": (COIL, Work.SOLENOID_RENEWED),
    "stuck_shut": (KIT, Work.DIAPHRAGMS_RENEWED),
    "worn_diaphragm": (KIT, Work.DIAPHRAGMS_RENEWED),
    "feed": (FILTER, Work.AIR_MENDED),
}
_WORK = dict(PARTS.values())
# What is tried next where work was in vain, however likely the weights call it.
_INSTEAD = {Work.DIAPHRAGMS_RENEWED: COIL, Work.SOLENOID_RENEWED: KIT}
_NOT_AGAIN = {
    Work.DIAPHRAGMS_RENEWED: "do not renew them again before coil, wire and pilot line are checked",
    Work.SOLENOID_RENEWED: "do not renew it again before wire, output, pilot line and both "
    "diaphragms are checked",
    Work.AIR_MENDED: "look at the other parts between compressor and header first",
    Work.CONTROLLER_MENDED: "check the wire to the valve, and whether the bit is recorded",
    Work.INSTRUMENT_MENDED: "check taps, lines, wiring and range before it is calibrated again",
    Work.BAGS_CHANGED: "do not change bags again before cleaning, dew point and dust are checked",
}
STEP_OF = {"cloth": Step.PLENUM, "heat": Step.PLENUM}


@dataclass(frozen=True, slots=True, kw_only=True)
class Stop:
    """What the sheets of one baghouse are made from.

    Attributes:
        cases: as of the end of `day`, of any baghouse.
        findings: of `day`, of any baghouse.
        work: the work log.
        advice: what would make it judgeable.
    """

    site: Site
    house: Baghouse
    day: date
    rules: tuple[Rule, ...]
    cases: tuple[Case, ...]
    findings: tuple[Finding, ...] = ()
    work: WorkLog = field(default_factory=WorkLog)
    advice: tuple[Advice, ...] = ()

    @property
    def planned(self) -> date | None:
        """The day of the next planned outage."""
        return self.work.next_outage(self.house.id, self.day)

    @property
    def name(self) -> str:
        """Id and name of the baghouse, safe for Markdown."""
        return wording.escape(f"{self.house.id} {self.house.name}")

    @property
    def jobs(self) -> list[Case]:
        """What waits, by place along the walk."""
        return self._walked(case for case in self.cases if case.is_job)

    @property
    def explained(self) -> list[Case]:
        """Open cases that others account for."""
        is_open = (case for case in self.cases if case.state is State.OPEN)
        return self._walked(case for case in is_open if case.explained_by)

    def _walked(self, cases: Iterable[Case]) -> list[Case]:
        own = (case for case in cases if case.subject.baghouse == self.house.id)
        return sorted(own, key=lambda case: (case.subject, case.family))

    @property
    def unjudged(self) -> list[Finding]:
        """What could not be judged of `day`, save at places where work waits anyway."""
        known = {case.subject for case in self.jobs if case.subject.row}
        return [
            finding
            for finding in self.findings
            if finding.answer.verdict is Verdict.CANNOT_TELL
            and finding.answer.subject.baghouse == self.house.id
            and finding.answer.subject not in known
        ]

    @property
    def leaking(self) -> list[WorkEntry]:
        """Positions named by a dye test or an inspection that got no new bag since."""
        found: dict[tuple[Subject, int], WorkEntry] = {}
        for entry in self.work:
            if entry.subject.baghouse not in ("", self.house.id):
                continue
            if entry.work is Work.BAGS_CHANGED:
                found = {key: one for key, one in found.items() if not _renews(entry, *key)}
            elif entry.position and entry.work in (Work.DYE_TEST, Work.INSPECTED):
                key = entry.subject, entry.position
                found.pop(key, None)
                if outcome_of(entry) not in (Outcome.PASSES, Outcome.HEALTHY):
                    found[key] = entry
        return [found[key] for key in sorted(found)]

    @property
    def off(self) -> list[WorkEntry]:
        """What was switched off on purpose and not on again."""
        found: list[WorkEntry] = []
        for entry in self.work:
            if entry.work is Work.ON:
                found = [one for one in found if not entry.covers(one.subject)]
            elif entry.work is Work.OFF and entry.subject.baghouse in ("", self.house.id):
                found.append(entry)
        return found

    @property
    def changes_bags(self) -> bool:
        """Whether bags are to be changed."""
        return bool(self.leaking) or any(case.family == "cloth" for case in self.jobs)

    @property
    def parts(self) -> dict[str, int]:
        """Parts to take along, with counts; bags are those of known positions."""
        counts = Counter(part for case in self.jobs for part in parts_of(case))
        if self.leaking:
            counts[BAG] = len(self.leaking)
        return dict(counts)


def _renews(entry: WorkEntry, subject: Subject, position: int) -> bool:
    return entry.covers(subject) and entry.position in (0, position)


def causes_of(case: Case) -> list[RankedCause]:
    """Return the causes that are likely enough to prepare for."""
    return [cause for cause in case.causes if cause.probability >= _WORTH_PARTS]


def named(cause: RankedCause) -> str:
    """Return a cause in words, with its probability where trials stand behind it."""
    share = f" ({wording.percent(cause.probability)})" if cause.is_measured else ""
    return f"{cause.title}{share}"


def parts_of(case: Case) -> list[str]:
    """Return the parts that a case may need, each once."""
    in_vain = {one.entry.work for one in case.repairs if one.check is Check.CONTRADICTED}
    wanted = (PARTS[cause.name] for cause in causes_of(case) if cause.name in PARTS)
    instead = [_INSTEAD[work] for work in in_vain if work in _INSTEAD]
    parts = [*(part for part, work in wanted if work not in in_vain), *instead]
    return [part for part in dict.fromkeys(parts) if _WORK[part] not in in_vain]


def work_of(case: Case) -> list[Work]:
    """Return the work that entries of the log would name for the parts of a case."""
    return [_WORK[part] for part in parts_of(case)]


def step_of(case: Case) -> Step:
    """Return the step in which the isolated work of a case is done."""
    return STEP_OF.get(case.family, Step.VALVES)


def outside_of(case: Case) -> list[str]:
    """Return what is checked before isolation, as causes or else the findings say it."""
    place = ["Find which row this place is: watch one round of the sequence at the valves."]
    checks = [text for cause in causes_of(case) for text in cause.check_first]
    texts = [text for text in checks if not _BARRIER.match(text)]
    if not checks:
        texts = [_BARRIER.split(one.answer.action, maxsplit=1)[0] for one in case.findings]
    return list(dict.fromkeys(filter(None, place * case.subject.is_place + texts)))


def isolated_of(case: Case) -> list[str]:
    """Return what is done once it is isolated; the likelier cause first."""
    texts = [
        f"{named(cause)}: {text[found.end() :]}"
        for cause in causes_of(case)
        for text in cause.check_first
        if (found := _BARRIER.match(text))
    ]
    if not texts:
        parts = (_BARRIER.split(one.answer.action, maxsplit=1) for one in case.findings)
        texts = [part[-1] for part in parts if len(part) > 1]
    return list(dict.fromkeys(texts))


def in_vain(case: Case, day: date) -> Iterator[str]:
    """Yield the repairs that did not help, and what comes before they are made again."""
    for repair in case.repairs:
        if repair.check is Check.CONTRADICTED:
            when = wording.day_in_sentence(repair.entry.day, day)
            then = _NOT_AGAIN.get(repair.entry.work, "look for another cause first")
            said = repair.text or f"{repair.entry.work.value} {when}, still found"
            yield f"{said[0].upper()}{said[1:]}: {then}."


def why_of(case: Case) -> str:
    """Return in one sentence why a case is open."""
    if case.number:
        return f"{case.number[0].upper()}{case.number[1:]}"
    text = case.findings[0].answer.text if case.findings else case.title
    return re.split(r"(?<=[.;]) ", text, maxsplit=1)[0].rstrip(".;")


def place_of(*subjects: Subject) -> str:
    """Return places within their baghouse in words, with a capital letter."""
    words = places_of(subjects)
    return words[0].upper() + words[1:]
