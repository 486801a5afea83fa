"""The page of all days as HTML: complete without its script, which only searches."""

from __future__ import annotations

from calendar import Calendar
from collections.abc import Iterator, Mapping, Sequence
from datetime import date
from functools import cache
from html import escape
from importlib.resources import files

from rowcall_reports import html
from rowcall_reports.actions import places_of
from rowcall_reports.index.index_data import CaseLine, IndexData, Standing
from rowcall_reports.wording import MONTHS, WEEKDAYS, count, long_day

# Class and letter of a day, so that it is known without colours.
_MARKS: Mapping[Standing, tuple[str, str]] = {
    Standing.NOW: ("n", "N"),
    Standing.NEXT_OUTAGE: ("o", "O"),
    Standing.WATCH: ("w", "W"),
    Standing.UNJUDGED: ("u", "?"),
    Standing.QUIET: ("q", "·"),
    Standing.NO_REPORT: ("x", ""),
}
_OPEN_MONTHS = 3  # chosen: what a screen shows
_CALENDAR = Calendar()  # from Monday
_NO_DAY = "<td></td>"
_HEAD = "".join(f'<th scope="col">{name[:2]}</th>' for name in WEEKDAYS)
_NAV = (
    '<nav>{newest}<a href="#cases">Open cases</a> · <a href="#calendar">Calendar</a> · '
    '<a href="#closed">Closed cases</a></nav>\n'
)
_SEARCH = (
    '<form role="search" hidden><label for="search">Search all cases: row, solenoid tag, case id, '
    'baghouse, text</label><br><input type="search" id="search" autocomplete="off"> '
    '<output for="search"></output></form>\n'
)


def index_page(data: IndexData) -> str:
    """Return the page; the same data give the same text."""
    newest = data.link(data.newest)
    link = f'<a href="{newest}">Newest report: {long_day(data.newest)}</a> · ' if newest else ""
    parts = [
        f"<h1>{_text(data.plant)}: all days</h1>\n",
        _NAV.format(newest=link),
        _SEARCH,
        f'<h2 id="cases">Open cases, as of {data.newest}</h2>\n',
        _cases(data.cases) or "<p>No case is open.</p>\n",
        '<h2 id="calendar">Calendar</h2>\n',
        *_calendars(data),
        '<h2 id="closed">Closed cases of the last 90 days</h2>\n',
        _cases(data.closed) or "<p>No case was closed.</p>\n",
        *_earlier(data.earlier),
    ]
    body = f"<main>\n{''.join(parts)}</main>\n<script>\n{_file('search.js')}</script>\n"
    return html.page(f"{data.plant}: all days", body, _file("index.css"))


@cache
def _file(name: str) -> str:
    return (files("rowcall_reports") / "index" / name).read_text(encoding="utf-8")


def _text(foreign: str) -> str:
    """Return foreign text as plain characters of one line."""
    return escape(" ".join("".join(c if c.isprintable() else " " for c in foreign).split()))


def _earlier(lines: Sequence[CaseLine]) -> Iterator[str]:
    if lines:
        summary = f"{count(len(lines), 'case')} closed before that"
        yield f'<details class="earlier"><summary>{summary}</summary>\n{_cases(lines)}</details>\n'


def _cases(lines: Sequence[CaseLine]) -> str:
    """Return cases as a table, '' without any."""
    if not lines:
        return ""
    titles = ("When to act", "Where", "What", "Measured", "Since", "Last found", "Page")
    head = "".join(f'<th scope="col">{title}</th>' for title in titles)
    body = "".join(_case(line) for line in lines)
    return (
        f'<div class="wide" role="region" aria-label="Cases" tabindex="0"><table class="cases">'
        f"<thead><tr>{head}</tr></thead>\n<tbody>\n{body}</tbody></table></div>\n"
    )


def _case(line: CaseLine) -> str:
    case = line.case
    urgency = case.urgency.value if case.urgency else "not stated"
    others = f"; accounted for by {', '.join(case.explained_by)}" if case.explained_by else ""
    page = f'<a href="{line.page}">page</a>' if line.page else ""
    now = f",<br> closed {case.closed}" if case.closed else ""
    if case.clear_days and not case.closed:
        now = f",<br> clear for {count(case.clear_days, 'day')}"
    cells = (
        f"<td>{urgency}</td>",
        f"<td>{_text(f'{case.subject.baghouse}, {places_of([case.subject])}')}</td>",
        f"<td>{_more(line)}</td>",
        f"<td>{_text(f'{case.number}{others}')}</td>",
        f"<td>{case.opened}</td>",
        f"<td>{case.last_found}{now}</td>",
        f"<td>{page}</td>",
    )
    return '<tr class="case">' + "\n".join(cells) + "</tr>\n"


def _more(line: CaseLine) -> str:
    """Return what it is; behind it findings of its last day, history, id and solenoids."""
    texts = dict.fromkeys(found.answer.text for found in line.case.findings)
    history = (
        f"{one.day} {one.news.value}{f': {one.text}' if one.text else ''}."
        for one in line.case.history
    )
    tags = f"; solenoid {', '.join(line.tags)}" if line.tags else ""
    return (
        f"<details><summary>{_text(line.case.title)}</summary>"
        + "".join(f"<p>{_text(text)}</p>" for text in (*texts, " ".join(history)) if text)
        + f"<p>Case {_text(line.case.id + tags)}</p></details>"
    )


def _calendars(data: IndexData) -> Iterator[str]:
    """Yield the key, the calendar of the plant and, where there are several, of each baghouse."""
    key = " ".join(
        f'<span class="{css}">{letter}&nbsp;</span> {standing.value} &nbsp;'
        for standing, (css, letter) in _MARKS.items()
    )
    yield f'<p class="key">{key}</p>\n'
    yield "<p>The worst that was found on a day, which leads to its page.</p>\n"
    yield _months(data)
    for house, name in data.houses.items() if len(data.houses) > 1 else ():
        title = " ".join(dict.fromkeys((house, name)))
        yield f"<details><summary>{_text(title)}</summary>\n{_months(data, house)}</details>\n"


def _months(data: IndexData, house: str = "") -> str:
    """Return the calendar of a baghouse, or of the plant, the newest month first."""
    first, last = (day.year * 12 + day.month - 1 for day in (data.first, data.newest))
    blocks = [_month(data, house, *divmod(month, 12)) for month in range(last, first - 1, -1)]
    shown, folded = "".join(blocks[:_OPEN_MONTHS]), "".join(blocks[_OPEN_MONTHS:])
    out = f'<div class="months">\n{shown}</div>\n'
    if folded:
        out += (
            f"<details><summary>Earlier months</summary>\n"
            f'<div class="months">\n{folded}</div></details>\n'
        )
    return out


def _month(data: IndexData, house: str, year: int, month: int) -> str:
    """Return a month as a table of weeks; `month` counts from 0."""
    days = ([_day(data, house, day) for day in week] for week in _weeks(year, month + 1))
    weeks = "\n".join(f"<tr>{''.join(week)}" for week in days if set(week) != {_NO_DAY})
    caption = f"<caption>{MONTHS[month]} {year}</caption>"
    return f'<table class="month">{caption}<thead><tr>{_HEAD}</thead><tbody>\n{weeks}</table>\n'


def _weeks(year: int, month: int) -> list[list[date | None]]:
    weeks = _CALENDAR.monthdayscalendar(year, month)
    return [[date(year, month, n) if n else None for n in week] for week in weeks]


def _day(data: IndexData, house: str, day: date | None) -> str:
    if day is None or not data.first <= day <= data.newest:
        return _NO_DAY
    css, letter = _MARKS[data.stood(day, house)]
    mark = f"{day.day}<b>{letter}</b>" if letter else f"{day.day}"
    link = data.link(day, house)
    return f'<td class="{css}">' + (f'<a href="{link}">{mark}</a>' if link else mark) + "</td>"
