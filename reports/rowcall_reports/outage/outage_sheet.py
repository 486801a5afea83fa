"""The outage sheet: all that waits for the next stop of a baghouse, in the order of the work."""

from __future__ import annotations

from collections.abc import Iterable, Iterator

from rowcall.model import Case, Caution, Finding, WorkEntry
from rowcall_reports import wording
from rowcall_reports.actions import places_of, title_of
from rowcall_reports.chapters.cautions import CLOSING, SENTENCES
from rowcall_reports.outage.stop import (
    KIT,
    Stop,
    causes_of,
    in_vain,
    isolated_of,
    named,
    outside_of,
    place_of,
    step_of,
    why_of,
)
from rowcall_reports.outage.stop_checks import CHECKS, Step

_BLANK = "\\_"  # of a line to write on
FOUND = "Found\xa0{} Name\xa0{} Date\xa0{}".format(*(_BLANK * n for n in (24, 12, 8)))
_MAX_LOOKS = 10  # lines; chosen: what fits beside the work of a shift
_NOTHING = "Nothing waits for this stop; the standard checks are worth their time all the same."


def write_outage(stop: Stop, of_bags: Iterable[str] = ()) -> str:
    """Return the sheet as Markdown, with a part on its bags."""
    planned = f", planned for {stop.planned.isoformat()}" if stop.planned else ""
    parts = [
        f"# Outage sheet: {stop.name}{planned}",
        f"{wording.escape(stop.site.plant.name)}. As of {wording.long_day(stop.day)}. "
        f"**{_counted(stop)}**",
        *_take_along(stop),
        "## Before anyone works on it",
        "\n".join(f"- {SENTENCES[caution]}" for caution in Caution),
        CLOSING,
        "## What waits, by place",
        "\n".join(line for case in stop.jobs for line in _waiting(case, stop)) or _NOTHING,
        *_off(stop),
        *_explained(stop),
        *of_bags,
    ]
    for step in Step:
        parts += [f"## {step.value}", *_step(stop, step)]
    return "\n\n".join([*parts, *_looks(stop), *write_advice(stop)]) + "\n"


def tick(text: str, *, room: bool = False) -> str:
    """Return a line with a box to tick, and with room for what was found."""
    return f"- [ ] {text}" + (f"\\\n  {FOUND}" if room else "")


def _counted(stop: Stop) -> str:
    n = len(stop.jobs)
    return f"{wording.count(n, 'thing waits', 'things wait')}." if n else "Nothing waits."


def _take_along(stop: Stop) -> Iterator[str]:
    lines = [f"{n} x {part}" for part, n in stop.parts.items()]
    if stop.changes_bags and not stop.leaking:
        lines.append("bags: as found; one of them for a laboratory")
    if not lines:
        return
    yield "## Take along"
    yield "\n".join(tick(line) for line in lines)
    if KIT in stop.parts:
        yield (
            "Both diaphragms of a double valve are renewed together. Causes are likely, not "
            "certain: a part may turn out not to be needed."
        )


def _off(stop: Stop) -> Iterator[str]:
    """Yield what is off on purpose: the stop is the time to end it."""
    if stop.off:
        yield "## Off on purpose, by the work log"
        yield "\n".join(tick(_off_line(entry, stop)) for entry in stop.off)


def _off_line(entry: WorkEntry, stop: Stop) -> str:
    since = wording.day_in_sentence(entry.day, stop.day)
    note = f": {wording.escape(entry.note)}" if entry.note else ""
    return (
        f"**{place_of(entry.subject)}**, since {since} (line {entry.line}){note}. With all "
        'isolated, mend what it is off for; afterwards write "on again" into the work log.'
    )


def _waiting(case: Case, stop: Stop) -> Iterator[str]:
    """Yield what one case is: why in one number, since when, what is likely behind it."""
    urgency = f", {case.urgency.value}" if case.urgency else ""
    since = wording.day_in_sentence(case.opened, stop.day)
    why = why_of(case)
    said = why if why.startswith(case.title) else f"{case.title}. {why}"
    days = "day" if case.unknown_days == 1 else f"{case.unknown_days} days"
    unknown = f" Could not be judged on the last {days}." if case.unknown_days else ""
    place = f"{place_of(case.subject)}{urgency}"
    yield f"- **{place}:** {wording.escape(said)}. Since {since}.{unknown}"
    if causes := causes_of(case):
        likely = "; ".join(wording.escape(named(cause)) for cause in causes)
        yield f"  - Likely: {likely}."
    yield from (f"  - **{wording.escape(text)}**" for text in in_vain(case, stop.day))


def _explained(stop: Stop) -> Iterator[str]:
    by_id = {case.id: case for case in stop.jobs}
    lines = [
        f"- {place_of(case.subject)}: {wording.escape(case.title)}, by "
        + ", ".join(
            f"{place_of(by_id[one].subject)} ({by_id[one].title})".lower()
            for one in case.explained_by
            if one in by_id
        )
        for case in stop.explained
    ]
    if lines:
        yield "No jobs of their own, for what waits accounts for them:"
        yield "\n".join(lines)


def _step(stop: Stop, step: Step) -> Iterator[str]:
    """Yield the tasks of the cases, then the standard checks."""
    todo = [(case.subject, text) for case in stop.jobs for text in tasks(case, step)]
    # From outside the same check is one round along the rows; inside, each needs room of its own.
    alike = (lambda one: (one[0].is_place, one[1])) if step is Step.RUNNING else (lambda one: one)
    lines = [
        tick(
            f"**{place_of(*(subject for subject, _ in group))}:** {wording.escape(group[0][1])}",
            room=step is not Step.RUNNING,
        )
        for group in wording.grouped(todo, alike)
    ]
    if lines:
        yield "\n".join(lines)
    if lines and step is not Step.ISOLATION:
        yield "At every stop:"
    yield "\n".join(tick(wording.escape(text)) for text in CHECKS[step])
    yield FOUND


def tasks(case: Case, step: Step) -> list[str]:
    """Return what is done about a case in one step."""
    if step is Step.RUNNING:
        return outside_of(case)
    return isolated_of(case) if step is step_of(case) else []


def looks_of(stop: Stop) -> list[tuple[str, str, str]]:
    """Return what outside cannot tell, by how many places: check, places, what to look at."""
    checks = {
        rule.name: text.partition(": ")[2]
        for rule in stop.rules
        for text in rule.check_first
        if text.lower().startswith("isolated")
    }
    worth = [one for one in stop.unjudged if one.rule in checks]
    groups = sorted(wording.grouped(worth, lambda one: one.rule), key=lambda group: -len(group))
    return [
        (title_of(stop.rules, group[0].rule), _where(group), checks[group[0].rule])
        for group in groups
    ]


def _where(findings: Iterable[Finding]) -> str:
    return places_of([one.answer.subject for one in findings])


def _looks(stop: Stop) -> Iterator[str]:
    lines = [
        tick(f"{wording.escape(title)}: {where}. Look at: {wording.escape(check)}.")
        for title, where, check in looks_of(stop)
    ]
    if not lines:
        return
    yield "## Isolated: what does not show from outside and is worth a look"
    if len(lines) > _MAX_LOOKS:
        lines[_MAX_LOOKS - 1 :] = [f"- {len(lines) - _MAX_LOOKS + 1} more are in the report."]
    yield "\n".join(lines)


def write_advice(stop: Stop) -> Iterator[str]:
    """Yield what would make it judgeable from outside the next time."""
    if stop.advice:
        yield "## What would make it judgeable"
        yield "Of the last 30 days, the changes that buy most verdicts:"
        yield "\n".join(
            f"- {wording.escape(one.do)} {wording.escape(one.buys)}" for one in stop.advice
        )
