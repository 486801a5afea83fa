"""The first screen: what to do, where, how soon and why; then what was checked."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from datetime import date

from rowcall.day_report import DayReport
from rowcall.model import Urgency, Verdict
from rowcall_reports import actions, fact_lookup, wording
from rowcall_reports.actions import Job

_WHEN = {
    Urgency.NOW.value: "to do now",
    Urgency.NEXT_OUTAGE.value: "for the next outage",
    Urgency.WATCH.value: "to watch",
}

_MOST_FILES = 5  # chosen: the closing chapter lists them all


def write_summary(report: DayReport) -> str:
    """Return title, summary lines, the table of jobs and the table of checks."""
    found = actions.jobs(report)
    plant = report.site.plant
    parts = [f"# {wording.escape(plant.name)}: baghouse check-up, {wording.long_day(report.day)}"]
    parts += _notices(report)
    parts.append(_sentence(report, found))
    if any(fact_lookup.has_data(day) for day in report.baghouses):
        parts += [line for line in (_clear_line(report), _untold_line(report)) if line]
    if found:
        parts += ["## What to do", _jobs_table(report, found)]
    if report.findings:
        parts += ["## What was checked", _checks_table(report)]
    return "\n\n".join(parts)


def _notices(report: DayReport) -> list[str]:
    """What must be known before anything else: no data, trial settings, a later revision."""
    out = []
    silent = [day.baghouse.id for day in report.baghouses if not fact_lookup.has_data(day)]
    if len(silent) == len(report.baghouses):
        out.append(
            "**There is no data for this day.** No tag of any baghouse brought a point, so nothing "
            "could be judged. That does not mean that nothing is wrong: look at the historian "
            "export first."
        )
    elif silent:
        names = ", ".join(actions.name_of(report, baghouse) for baghouse in silent)
        out.append(f"**There is no data for this day from {names}.** It could not be judged.")
    if report.changed_settings:
        changed = "; ".join(
            f"{wording.escape(key)} = {wording.escape(value)}"
            for key, value in sorted(report.changed_settings.items())
        )
        out.append(f"**Trial with changed settings, not the nightly report:** {changed}.")
    if report.revision > 1:
        out.append(
            f"**Revision {report.revision}:** data of this day came or changed after the report "
            f"before; this one takes its place. {_brought(report)}{_changes(report)}"
        )
    return out


def _brought(report: DayReport) -> str:
    """Say which files brought the new data, and how much of it there is in them."""
    told = [
        f"{wording.escape(note.name)} ({note.stored:,} rows new, {note.replaced:,} replaced)"
        for note in report.new_files[:_MOST_FILES]
    ]
    if len(report.new_files) > _MOST_FILES:
        told.append(f"{len(report.new_files) - _MOST_FILES} more files")
    return f"It came with {', '.join(told)}. " if told else ""


def _changes(report: DayReport) -> str:
    """Say what the new data changed, one clause a verdict."""
    if not report.changes:
        return "No verdict changed."
    told = []
    for change in report.changes:
        subject = change.subject
        place = wording.places([(subject.compartment, subject.row)])
        title = actions.title_of(report.rules, change.rule)
        told.append(
            f"{wording.escape(subject.baghouse)} {place}, {title[0].lower()}{title[1:]}: "
            f"{change.before or 'not asked'} became {change.now or 'not asked'}"
        )
    return f"Changed: {'; '.join(told)}."


def _sentence(report: DayReport, found: list[Job]) -> str:
    if not found:
        judged = {item.answer.verdict for item in report.findings} - {Verdict.CANNOT_TELL}
        return "**Nothing was found that needs work.**" if judged else "**Nothing was judged.**"
    counts = Counter(job.urgency for job in found)
    parts = [
        f"{counts[urgency]} {_WHEN.get(urgency, 'without a stated urgency')}"
        for urgency in sorted(counts, key=[*_WHEN, *counts].index)
    ]
    first, rest = parts[0], parts[1:]
    amount, _, words = first.partition(" ")
    lead = f"{wording.count(int(amount), 'thing')} {words}"
    return f"**{', '.join([lead, *rest])}.**"


def _clear_line(report: DayReport) -> str:
    clear = actions.quiet_baghouses(report)
    if not clear:
        return ""
    if len(clear) == len(report.baghouses):
        return f"All checks were clear on {wording.count(len(clear), 'baghouse')}."
    return "All clear: " + ", ".join(actions.name_of(report, baghouse) for baghouse in clear) + "."


def _untold_line(report: DayReport) -> str:
    untold = Counter(
        found.answer.subject.baghouse
        for found in report.findings
        if found.answer.verdict is Verdict.CANNOT_TELL
    )
    if not untold:
        return ""
    parts = [
        f"{actions.name_of(report, day.baghouse.id)} ({wording.count(n, 'check')})"
        for day in report.baghouses
        if (n := untold[day.baghouse.id])
    ]
    return (
        "**Not everything could be judged:** "
        + ", ".join(parts)
        + '; the reasons stand under "Could not be judged".'
    )


def _jobs_table(report: DayReport, found: list[Job]) -> str:
    head = ["Urgency", "Where", "What to do", "Why", "Since"]
    lines = []
    for job in found:
        action = job.first.answer.action or actions.title_of(report.rules, job.first.rule)
        lines.append(
            [
                f"**{job.urgency.upper()}**",
                actions.where_of(report, job),
                wording.escape(action),
                job.why,
                _since(job.since, report.day),
            ]
        )
    return wording.table(head, lines)


def _since(firsts: Sequence[date], day: date) -> str:
    """Return the first day, or the earliest and the latest when rows of a job differ."""
    told = [
        "new" if first >= day else f"{first.isoformat()} (day {(day - first).days + 1})"
        for first in (min(firsts), max(firsts))
    ]
    return " to ".join(dict.fromkeys(told))


def _checks_table(report: DayReport) -> str:
    """One line a rule, one column a baghouse: how many checks came out how."""
    counts = Counter(
        (found.rule, found.answer.subject.baghouse, found.answer.verdict)
        for found in report.findings
    )
    known = [rule.name for rule in report.rules]
    names = [*known, *sorted({found.rule for found in report.findings} - set(known))]
    head = ["Check", *(actions.name_of(report, day.baghouse.id) for day in report.baghouses)]
    lines = [
        [
            wording.escape(actions.title_of(report.rules, rule)),
            *(_tally(counts, rule, day.baghouse.id) for day in report.baghouses),
        ]
        for rule in names
    ]
    return wording.table(head, lines)


def _tally(counts: Counter[tuple[str, str, Verdict]], rule: str, baghouse: str) -> str:
    found = counts[rule, baghouse, Verdict.FOUND]
    clear = counts[rule, baghouse, Verdict.CLEAR]
    untold = counts[rule, baghouse, Verdict.CANNOT_TELL]
    if not found + clear + untold:
        return wording.NO_VALUE
    parts = [f"**{found} found**"] if found else []
    parts += [f"{clear} clear"] if clear else []
    parts += [f"{untold} cannot tell"] if untold else []
    return ", ".join(parts)
