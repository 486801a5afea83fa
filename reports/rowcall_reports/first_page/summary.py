"""The first lines: trouble of the night, and what must be known before anything else."""

from __future__ import annotations

from collections.abc import Sequence

from rowcall.day_report import DayReport
from rowcall.guard import Failure
from rowcall.model import BaghouseDay
from rowcall_reports import actions, wording
from rowcall_reports.prepared import PreparedReport

_MAX_CHANGES = 4  # chosen: what a line can hold; the site file has them all
_MAX_FILES = 5  # chosen: the closing chapter lists them all


def write_summary(prepared: PreparedReport, failures: Sequence[Failure] = ()) -> str:
    """Return the trouble of the night and what must be known first.

    Args:
        failures: parts of the day that failed, the chapters' included.
    """
    report = prepared.report
    parts = [*_of_the_night(report), *_missing(prepared), *_notices(report), *_failed(failures)]
    return "\n\n".join(parts)


def _missing(prepared: PreparedReport) -> list[str]:
    """Say what brought no data."""
    missing = [baghouse.name for baghouse in prepared.baghouses if not baghouse.has_data]
    if not missing:
        return []
    if len(missing) == len(prepared.baghouses):
        return [
            "**There is no data for this day.** No tag of any baghouse brought a point, so nothing "
            "could be judged. That does not mean that nothing is wrong: look at the historian "
            "export first."
        ]
    names = ", ".join(missing)
    return [f"**There is no data for this day from {names}.** It could not be judged."]


def _failed(failures: Sequence[Failure]) -> list[str]:
    """Say which parts of the report are missing by a failure of rowcall itself."""
    if not failures:
        return []
    return [
        "**Parts of this report are missing by an error of rowcall;** the rest stands. Send the "
        "log of the run, with the reference, to the developers.",
        wording.bullets(failure.text for failure in failures),
    ]


def _of_the_night(report: DayReport) -> list[str]:
    """Say what was amiss in the night that wrote the report, whatever day it is of."""
    if not report.notices:
        return []
    title = "**Trouble in the night of this report, to look at first:**"
    return [title, wording.bullets(report.notices)]


def _notices(report: DayReport) -> list[str]:
    """What must be known before anything else: trial settings, a later revision."""
    out = []
    if report.changed_settings:
        changed = "; ".join(
            f"{wording.escape(key)} = {wording.escape(value)}"
            for key, value in sorted(report.changed_settings.items())
        )
        out.append(f"**Trial with changed settings, not the nightly report:** {changed}.")
    if report.revision > 1:
        out.append(
            f"**Revision {report.revision}:** {_why_again(report)}; this one takes its place. "
            f"{_brought(report)}{_changes(report)}"
        )
    return out + [text for house in report.baghouses if (text := _other_settings(house))]


def _other_settings(house: BaghouseDay) -> str:
    """Say which earlier days cannot be compared, as the site file read their data otherwise."""
    other = house.history.other_settings
    if other is None:
        return ""
    n_days, shown = len(other.days), [wording.escape(text) for text in other.changes[:_MAX_CHANGES]]
    shown += [f"{len(other.changes) - _MAX_CHANGES} more"] * (len(other.changes) > _MAX_CHANGES)
    return (
        f"**Settings of {wording.escape(house.baghouse.name)} changed:** {'; '.join(shown)}. "
        f"{wording.count(n_days, 'earlier day')} judged with the old settings "
        f"{'is' if n_days == 1 else 'are'} not compared with this one. To judge them with the "
        f"present settings: `rowcall rejudge --from {other.days[0].isoformat()}`."
    )


def _why_again(report: DayReport) -> str:
    if report.new_files:
        return "data of this day came or changed after the report before"
    if report.settings_differ:
        return "the settings have changed since the report before"
    if report.had_failed:
        return "parts of the report before had failed and were judged again"
    if report.rests_on_new:
        return "what the days before it show, or the work log, changed after the report before"
    return "the day was judged again on request"


def _brought(report: DayReport) -> str:
    """Say which files brought the new data, and how much of it there is in them."""
    files = [
        f"{wording.escape(note.name)} ({note.stored:,} rows new, {note.replaced:,} replaced)"
        for note in report.new_files[:_MAX_FILES]
    ]
    if len(report.new_files) > _MAX_FILES:
        files.append(f"{len(report.new_files) - _MAX_FILES} more files")
    return f"It came with {', '.join(files)}. " if files else ""


def _changes(report: DayReport) -> str:
    """Say what the new data changed, one clause a verdict."""
    if not report.changes:
        return "No verdict changed."
    changed = []
    for change in report.changes:
        subject = change.subject
        place = wording.places([(subject.compartment, subject.row)])
        title = actions.title_of(report.rules, change.rule)
        changed.append(
            f"{wording.escape(subject.baghouse)} {place}, {title[0].lower()}{title[1:]}: "
            f"{change.before or 'not asked'} became {change.now or 'not asked'}"
        )
    return f"Changed: {'; '.join(changed)}."
