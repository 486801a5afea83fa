"""The sheets of a planned stop, from what the nightly runs have judged; nothing is judged anew."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from pathlib import Path

from rowcall.days import day_bounds
from rowcall.diagnosis.rule_book import load_rules
from rowcall.errors import RowcallError
from rowcall.model import WorkLog
from rowcall.runs.lock import hold_site
from rowcall.runs.past import all_cases_stored
from rowcall.runs.result import Progress
from rowcall.site import Baghouse, Site
from rowcall.store import Store
from rowcall.store.nights.judgements import judged_days
from rowcall.store.nights.unjudged import header_steps, unjudged_answers
from rowcall.work_log.read_log import read_work_log
from rowcall_reports.judgeable import judgeable
from rowcall_reports.outage.bag_study import study_bags
from rowcall_reports.outage.sheet_files import sheets
from rowcall_reports.outage.stop import Stop

_ADVICE_DAYS = 30  # chosen: a month holds every way in which a unit is run


def run_outage_sheet(
    site: Site,
    *,
    baghouse: str | None,
    day: date | None,
    folder: Path,
    now: datetime,
    wait_s: float,
    progress: Progress,
) -> tuple[list[Path], Sequence[str]]:
    """Write the sheets of one baghouse or of all as of the end of a judged day.

    Args:
        day: the newest judged one where it is None.

    Returns the files, and a sentence on each line of the work log that cannot be used.

    Raises:
        RowcallError: no such baghouse or day, or a file is there already.
    """
    houses = _houses(site, baghouse)
    with (
        hold_site(site.store, wait_s, progress),
        Store.open(site.store, read_only=True) as store,
    ):
        as_of = _judged(sorted(judged_days(store)), day)
        whole, problems = read_work_log(site, now)
        stops = _stops(store, site, houses, as_of, whole.done_by(_end(site, as_of)))
    return _write(folder, _files(stops)), problems


def _files(stops: Sequence[Stop]) -> dict[str, bytes]:
    files: dict[str, bytes] = {}
    for stop in stops:
        study = study_bags(stop)
        files |= {name: text.encode() for name, text in sheets(stop, study).items()}
        files |= {one.name: one.png for one in study.pictures} if study else {}
    return files


def _end(site: Site, day: date) -> datetime:
    return day_bounds(day, site.plant.zone)[1]


def _houses(site: Site, name: str | None) -> list[Baghouse]:
    houses = [house for house in site.baghouse if name in (None, house.id)]
    if not houses:
        allowed = ", ".join(house.id for house in site.baghouse)
        raise RowcallError(f"--baghouse {name}: the site file has no such one; allowed: {allowed}.")
    return houses


def _judged(days: Sequence[date], day: date | None) -> date:
    if not days:
        raise RowcallError("No day is judged yet; run the nightly job first.")
    if day is not None and day not in days:
        raise RowcallError(
            f"--day {day}: this day is not judged; judged are days from {days[0]} to {days[-1]}."
        )
    return day or days[-1]


def _stops(
    store: Store, site: Site, houses: Sequence[Baghouse], day: date, work: WorkLog
) -> list[Stop]:
    rules = load_rules()
    cases, _ = all_cases_stored(store, site, day, work, rules)
    unjudged = unjudged_answers(store, day - timedelta(days=_ADVICE_DAYS - 1), day)
    steps = header_steps(store, day)
    return [
        Stop(
            site=site,
            house=house.on(day),
            day=day,
            rules=rules,
            cases=cases,
            findings=tuple(one for one in unjudged if one.day == day),
            work=work,
            advice=judgeable(
                (one for one in unjudged if one.answer.subject.baghouse == house.id),
                site,
                rules,
                steps,
            ),
        )
        for house in houses
    ]


def _write(folder: Path, files: dict[str, bytes]) -> list[Path]:
    """Write new files; none where one of them is there, which people may have filled in."""
    targets = [folder / name for name in files]
    for target in targets:
        if target.exists():
            raise RowcallError(
                f"{target} is already there and is not overwritten; name another folder with --to."
            )
    folder.mkdir(parents=True, exist_ok=True)
    for target, data in zip(targets, files.values(), strict=True):
        target.write_bytes(data)
    return targets
