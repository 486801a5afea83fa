"""The work log of a site: file in, entries out, with a sentence on everything that is wrong."""

from __future__ import annotations

from collections.abc import Callable
from datetime import datetime, timedelta
from typing import TypeVar

from rowcall.days import local_day
from rowcall.site import Site
from rowcall.work_log.bag_outcome import unusable_results
from rowcall.work_log.log_cells import Moment, read_day, read_moment, read_work
from rowcall.work_log.log_checks import without_begin
from rowcall.work_log.log_places import read_places
from rowcall.work_log.log_table import Line, Table, cut, decoded
from rowcall.work_log.problem import Column, Problem, quoted
from rowcall.work_log.work import Work, WorkEntry, WorkLog

Value = TypeVar("Value")

# Chosen: what is switched off on purpose may be entered some weeks ahead, an outage years ahead;
# beyond that lies a slip of the year.
_MAX_AHEAD = timedelta(days=31)
_MAX_PLANNED = timedelta(days=3653)


def read_work_log(site: Site, now: datetime) -> tuple[WorkLog, tuple[str, ...]]:
    """Read the work log that the site file names, if it names one.

    Args:
        now: the present instant (with offset); later entries may be slips of the year.

    Returns the log of all lines that can be used, and a sentence on each thing that is wrong.
    """
    path = site.work_log
    if path is None:
        return WorkLog(), ()
    try:
        data = path.read_bytes()
    except FileNotFoundError:
        text = (
            f'{path.name}: the work log is missing; put it in its place, begin one with "rowcall '
            'new-work-log", or take work_log out of [folders] of the site file.'
        )
        return WorkLog(), (text,)
    except OSError as error:
        text = (
            f"{path.name}: the work log cannot be read ({error.strerror or error}); check that "
            "this account may read it, and that no other program holds it open."
        )
        return WorkLog(), (text,)
    log, problems = parse_work_log(data, site, now)
    return log, tuple(problem.said(path.name) for problem in problems)


def parse_work_log(data: bytes, site: Site, now: datetime) -> tuple[WorkLog, list[Problem]]:
    """Return the entries of a work log, and what is wrong with it in order of lines."""
    try:
        table = cut(decoded(data))
    except Problem as problem:
        table = Table(problems=[problem])
    problems = list(table.problems)
    entries = [entry for line in table.lines for entry in _entries(line, site, now, problems)]
    problems += [*without_begin(entries), *unusable_results(entries)]
    return WorkLog(tuple(sorted(entries))), sorted(problems, key=lambda one: one.line)


def _entries(line: Line, site: Site, now: datetime, problems: list[Problem]) -> list[WorkEntry]:
    """Return the entries of a line, one a place; none where a cell is wrong."""
    found: list[Problem] = []
    kind = _tried(found, lambda: read_work(line.cell(Column.WORK)))
    moment = _tried(found, lambda: _moment(line, kind, site, now))
    day = moment.day if moment else local_day(now, site.plant.zone)
    places = _tried(found, lambda: read_places(line, site, day))
    for problem in found:
        problem.line = line.number
    problems += found
    if kind is None or moment is None or places is None:
        return []
    return [
        WorkEntry(
            at=moment.at,
            line=line.number,
            day=moment.day,
            work=kind,
            subject=subject,
            is_timed=moment.is_timed,
            position=position,
            result=line.cell(Column.RESULT),
            part=line.cell(Column.PART),
            note=line.cell(Column.NOTE),
        )
        for subject, position in places
    ]


def _tried(found: list[Problem], step: Callable[[], Value]) -> Value | None:
    try:
        return step()
    except Problem as problem:
        found.append(problem)
        return None


def _moment(line: Line, kind: Work | None, site: Site, now: datetime) -> Moment:
    text = line.cell(Column.TIME)
    day, today = read_day(text), local_day(now, site.plant.zone)
    is_planned = kind in (Work.OUTAGE_PLANNED, None)
    last = today + (_MAX_PLANNED if is_planned else _MAX_AHEAD)
    if day > last:
        only = "" if is_planned else f', and only "{Work.OUTAGE_PLANNED}" may'
        reason = f"{quoted(text)} lies after {last}{only}; check the year."
        raise Problem(reason, Column.TIME)
    if day < site.take_in.earliest:
        reason = f"{quoted(text)} lies before {site.take_in.earliest}; check the year."
        raise Problem(reason, Column.TIME)
    return read_moment(text, site.plant.zone)
