"""The nightly run: take in the inbox, judge every complete day not yet judged, report, mail."""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta
from pathlib import Path
from time import monotonic

from rowcall.day_report import DayReport
from rowcall.days import day_bounds, days_from, local_day
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import Limits, Rule
from rowcall.runs.judge import HISTORY_DAYS, changes_since, judge_day, settings_hash
from rowcall.runs.lock import hold_site
from rowcall.runs.post import mail_reports
from rowcall.runs.result import RunResult, reporting_what_was_done
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.ledger import days_touched, files_of_day
from rowcall.store.results import (
    Judged,
    found_before,
    judged_days,
    read_history,
    save_day,
    verdicts_of,
)
from rowcall.take_in import Outcome, find_exports, taking_in

Progress = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Due:
    """A day to judge: the newest file that touched it (0: none), and the count of its report."""

    day: date
    file_id: int
    revision: int


def run_nightly(
    site: Site, *, now: datetime, wait_s: float, settle_s: float, progress: Progress
) -> RunResult:
    """Do a night's work on a site.

    Args:
        now: the present instant (with offset); days that ended before it are complete.
        wait_s: how long to wait for another run to end.
        settle_s: a file changed less than this ago may still be written and is left for next time.

    Raises:
        CutShortError: nothing more could be done; it holds what had been, and that stays.
        RowcallError: nothing could be done.
    """
    begun = monotonic()

    def present() -> datetime:
        return now + timedelta(seconds=monotonic() - begun)

    rules = load_rules()
    limits = limits_in_force(rules, site.rules)
    result = RunResult()
    with (
        reporting_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store) as store,
    ):
        _take_in_inbox(store, site, present, settle_s, progress, result)
        touched = days_touched(store)
        due = days_to_judge(touched, judged_days(store), site, now)
        fingerprint = settings_hash(site, limits)
        for number, one in enumerate(due, start=1):
            progress(f"Judging {one.day.isoformat()} ({number} of {len(due)}).")
            judged = Judged(one.file_id, fingerprint, one.revision, now)
            report, folder = _judge_and_keep(store, site, one.day, rules, limits, judged)
            result.reports.append(folder)
            result.unusable += unusable_parts(report)
        result.unusable += _stale(max(touched, default=None), site, now)
        result.not_mailed += mail_reports(store, site, now, os.environ, progress)
    return result


def days_to_judge(
    touched: Mapping[date, int], judged: Mapping[date, Judged], site: Site, now: datetime
) -> list[Due]:
    """Return the complete days with new data, and the days without any that lie between."""
    complete = [day for day in touched if day_bounds(day, site.plant.zone)[1] <= now]
    if not complete:
        return []
    return [
        Due(day, touched.get(day, 0), judged[day].revision + 1 if day in judged else 1)
        for day in days_from(min(complete), max(complete))
        if day not in judged or touched.get(day, 0) > judged[day].file_id
    ]


def unusable_parts(report: DayReport) -> list[str]:
    """Return a sentence for every tag (or whole day) of a report that cannot be used as stated."""
    out = []
    for house in report.baghouses:
        place = f"{report.day.isoformat()}, {house.baghouse.id}"
        if not house.signals:
            out.append(f"{place}: no usable data on this day.")
            continue
        out += [
            f"{place}: tag {tag.tag}: {text}."
            for tag in house.health
            for text in (tag.problem, tag.note)
            if text
        ]
    return out


def _take_in_inbox(
    store: Store,
    site: Site,
    present: Callable[[], datetime],
    settle_s: float,
    progress: Progress,
    result: RunResult,
) -> None:
    """Take in file by file, each at its own instant, and enter into `result` what came of it.

    Another run may have been waited for, and many files take long: seen from the start of the
    run, a file that is growing now would lie in the future and pass for finished.
    """
    if not site.inbox.is_dir():
        text = f"{site.inbox}: the inbox folder does not exist; nothing was taken in."
        result.unusable.append(text)
        return
    try:
        exports = find_exports(site.inbox, site.take_in.files)
    except OSError as error:
        reason = error.strerror or error
        text = f"{site.inbox}: the inbox cannot be listed ({reason}); nothing was taken in."
        result.unusable.append(text)
        return
    progress(f"Inbox {site.inbox.name}: {len(exports)} files.")
    for one in taking_in(
        store, site, exports, present=present, settle_s=settle_s, progress=progress
    ):
        result.stored += one.outcome is Outcome.STORED
        if one.outcome in (Outcome.REFUSED, Outcome.WAITING):
            result.unusable.append(one.message)


def _judge_and_keep(
    store: Store,
    site: Site,
    day: date,
    rules: Sequence[Rule],
    limits: Mapping[str, Limits],
    judged: Judged,
) -> tuple[DayReport, Path]:
    """Judge a day, write its report, then save its results: a day is judged when both are there."""
    report = judge_day(
        store,
        site,
        day,
        rules,
        limits,
        history_of=lambda house: read_history(store, house.id, day, HISTORY_DAYS),
        found_before=found_before(store, day, HISTORY_DAYS),
        revision=judged.revision,
    )
    if judged.revision > 1:
        changes = changes_since(verdicts_of(store, day), report.findings)
        new = files_of_day(store, day, after=judged_days(store)[day].file_id)
        report = replace(report, changes=changes, new_files=tuple(new))
    folder = write_pictured(site.reports, report)
    with store.keeping(f"the results of {day}"):
        save_day(store, day, report.baghouses, report.findings, judged)
    return report, folder


def write_pictured(folder: Path, report: DayReport) -> Path:
    """Draw and write a day's report; return its folder."""
    from rowcall_reports.figures.all_pictures import draw
    from rowcall_reports.write import write_report

    return write_report(folder, report, draw(report))


def _stale(newest: date | None, site: Site, now: datetime) -> Iterable[str]:
    """Say so when yesterday brought nothing: the exports may have stopped."""
    yesterday = local_day(now, site.plant.zone) - timedelta(days=1)
    if newest is None:
        return ["No sample has been taken in yet, so no day could be judged."]
    if newest < yesterday:
        return [
            f"No data newer than {newest.isoformat()} has arrived (yesterday was "
            f"{yesterday.isoformat()}): do the exports still run?"
        ]
    return []
