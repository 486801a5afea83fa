"""A rerun: any range of days judged again, with other settings, into another folder.

The store is only read: the nightly record stays as it is.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Container, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import date, datetime
from functools import partial
from pathlib import Path

from rowcall.day_report import DayReport
from rowcall.days import days_from
from rowcall.diagnosis.diagnose import limits_in_force
from rowcall.diagnosis.rule_book import load_rules
from rowcall.errors import RowcallError
from rowcall.guard import WHOLE_DAY, Guard
from rowcall.memory.answers_so_far import AnswersSoFar
from rowcall.model import Case, History, Rule
from rowcall.progress import Step
from rowcall.runs.against import NIGHTLY, nightly_run, run_of_folder
from rowcall.runs.due import HISTORY_DAYS
from rowcall.runs.judge import followed_rules, judge_day, settings_hash, with_day
from rowcall.runs.lock import hold_site
from rowcall.runs.parallel.ahead import Ahead, Drawing
from rowcall.runs.past import read_past
from rowcall.runs.record import enter_day, enter_index, write_pictured
from rowcall.runs.result import Progress, RunResult, reporting_what_was_done
from rowcall.site import Site
from rowcall.store import Store
from rowcall.store.nights.past_answers import PastAnswers
from rowcall.work_log.read_log import read_work_log
from rowcall_reports.index.index_data import IndexData, index_data
from rowcall_reports.range.range_days import OtherRun, RangeDays, settings_in_words
from rowcall_reports.range.range_report import range_files
from rowcall_reports.write import write_file

_Drawn = tuple[DayReport, Drawing]


@dataclass(slots=True)
class _Past:
    """What lies before the day that is judged next: as the nightly runs judged it, then as here.

    Attributes:
        history: by baghouse id, as of `BaghouseDay`.
        answers: of all days before.
    """

    history: dict[str, History]
    answers: AnswersSoFar

    def add(self, report: DayReport) -> None:
        """Let a day count as past for the days after it."""
        self.answers.add(report.day, report.findings)
        for day in report.baghouses:
            name = day.baghouse.id
            self.history[name] = with_day(self.history[name], day, report.findings)


def run_rerun(
    site: Site,
    *,
    first: date,
    last: date,
    folder: Path,
    settings: Mapping[str, str],
    now: datetime,
    wait_s: float,
    progress: Progress,
    as_written: Site | None = None,
    against: str = NIGHTLY,
    workers: int | str | None = 1,
) -> RunResult:
    """Judge the days from `first` to `last` and write their reports, and one of them all.

    Days before the range count as history as the nightly runs judged them; days inside it as
    judged here.

    Args:
        as_written: the site file without `settings`, where there are any.
        against: `nightly`, or a folder that holds other judgements of these days.
        workers: processes that study and draw; None: as many as the machine has room for; or the
            address of a Dask scheduler, whose workers do.

    Raises:
        CutShortError: the disk failed after some reports were written.
        RowcallError: the folder is the nightly record's, the range is empty, or the store is busy.
    """
    _check(site, first, last, folder)
    rules = load_rules()
    limits = limits_in_force(rules, site.rules)
    work, problems = read_work_log(site, now)
    result, days = RunResult(notices=list(problems)), days_from(first, last)
    with (
        reporting_what_was_done(result),
        hold_site(site.store, wait_s, progress),
        Store.open(site.store, read_only=True) as store,
        Ahead.of(store, site, workers) as ahead,
    ):
        other = _other_run(store, as_written or site, rules, against, days)
        ranged = RangeDays(site, rules, settings_in_words(site, rules, limits), settings)
        cases: Sequence[Case] = ()
        past = _Past(
            {house.id: read_past(store, house, first, HISTORY_DAYS) for house in site.baghouse},
            AnswersSoFar(PastAnswers(store, first, followed_rules())),
        )

        def judge(guard: Guard) -> _Drawn:
            report = judge_day(
                store,
                site,
                guard.day,
                rules,
                limits,
                study=ahead.study,
                history_of=lambda house: past.history[house.id],
                past=past.answers,
                work=work,
                guard=guard,
                changed_settings=settings,
            )
            past.add(report)
            return report, ahead.draw(report, guard)

        for guard, drawn in _judged(days, judge, ahead, progress):
            report = enter_day(result, guard, partial(_written, folder, guard, drawn))
            if report is not None:
                ranged.add(report)
                cases = [*report.cases, *report.closed_cases]
        result.range_report = _write_range(folder, ranged, (first, last), other, result)
        if ranged.days:
            enter_index(result, folder, max(ranged.days), partial(_index, ranged, cases))
    return result


def _judged(
    days: Sequence[date], judge: Callable[[Guard], _Drawn], ahead: Ahead, progress: Progress
) -> Iterator[tuple[Guard, _Drawn | None]]:
    """Judge the days one after the other; None for those that fail.

    Where workers draw, a day is handed over when the one after it is judged, so that nobody waits
    for its pictures.
    """
    waiting = deque[tuple[Guard, _Drawn | None]]()
    for number, day in enumerate(days, start=1):
        text = f"Judging {day.isoformat()} again ({number} of {len(days)})."
        progress(Step(text, number, len(days)))
        guard = Guard(day, isolates=True)
        ahead.expect(days[number - 1 :])
        waiting.append((guard, guard.run("", WHOLE_DAY, partial(judge, guard), lambda why: None)))
        if len(waiting) > 1 or not ahead.workers.are_running:
            yield waiting.popleft()
    yield from waiting


def _written(folder: Path, guard: Guard, drawn: _Drawn | None) -> tuple[DayReport, Path] | None:
    """Write the report of a day that did not fail; return it with its folder."""
    if drawn is None:
        return None
    report, drawing = drawn
    return report, write_pictured(folder, report, guard, drawing)


def _index(ranged: RangeDays, cases: Sequence[Case], pages: Container[str]) -> IndexData:
    """Return what the page of all days says of the days judged here, `cases` of the last one."""
    said = {
        (day, subject.baghouse, *answer)
        for day, one in ranged.days.items()
        for (_, subject), answer in one.verdicts.items()
    }
    return index_data(ranged.site, max(ranged.days), said, cases, pages)


def _other_run(
    store: Store, site: Site, rules: Sequence[Rule], against: str, days: Sequence[date]
) -> OtherRun:
    if against != NIGHTLY:
        return run_of_folder(Path(against), days)
    limits = limits_in_force(rules, site.rules)
    words = settings_in_words(site, rules, limits)
    return nightly_run(store, days, words, settings_hash(site, limits))


def _write_range(
    folder: Path, ranged: RangeDays, span: tuple[date, date], other: OtherRun, result: RunResult
) -> Path | None:
    """Write the report of the range and return its page; None where rowcall fails at it."""
    if not ranged.days:
        return None
    guard = Guard(span[1], isolates=True)
    files = guard.run(
        "",
        "report of the range",
        lambda: range_files(ranged, span, other, result.failed),
        lambda why: {},
    )
    result.failed += [failure.text for failure in guard.failures]
    for name, content in files.items():
        write_file(folder / name, content)
    return next((folder / name for name in files if name.endswith(".html")), None)


def _check(site: Site, first: date, last: date, folder: Path) -> None:
    """Refuse an empty range, and the folder of the nightly reports.

    Raises:
        RowcallError: names the argument.
    """
    if last < first:
        raise RowcallError(f"--to {last} lies before --from {first}; give the earlier day first.")
    nightly = site.reports.resolve()
    if folder.resolve() == nightly or nightly in folder.resolve().parents:
        raise RowcallError(
            f"--out {folder} lies in the folder of the nightly reports, which a rerun never "
            "touches; name another folder."
        )
