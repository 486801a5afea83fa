"""The notices of a night: what is wrong besides the findings, what to do, and when to say it."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass, replace
from datetime import date, timedelta
from difflib import get_close_matches

from rowcall.errors import printable
from rowcall.mail.fate import fate_unknown
from rowcall.mail.notice import Notice
from rowcall.site import Sample, Tag
from rowcall.store.aside import LargelyAside

_MAX_ALIKE = 5  # sentences on one kind of trouble; chosen: the first screen of a report holds them
_MAX_NAMED = 20  # further ones that are named at least; chosen: a few lines
_MAIL_AGAIN = timedelta(days=7)  # chosen: what stands for a week may have been forgotten
_LIKENESS = 0.8  # of tags, by difflib; chosen: a sign or two of a tag of ten differ


@dataclass(frozen=True, slots=True, kw_only=True)
class Night:
    """What a night knows before it judges.

    Attributes:
        inbox_problem: why nothing could be taken in, with its folder; empty where it was.
        newest, yesterday: the last day with data, None without any; the last that has ended.
        refused: the message on each file, its name first.
        work_log: a sentence on each thing wrong with the work log, its place first.
        aside: files of this night of which many rows were set aside.
        missing: tags of the site file that the exports of the last days do not bring.
        strangers: tags that they bring and the site file lacks.
        without_report: judged days whose report folder is gone.
        mails_unsure: what each mail was, and whom it may have reached or not.
        mails_given_up: a sentence on each mail that is not tried again.
    """

    inbox_problem: str
    newest: date | None
    yesterday: date
    refused: Sequence[str]
    work_log: Sequence[str]
    aside: Sequence[LargelyAside]
    missing: Sequence[Tag]
    strangers: Sequence[str]
    without_report: Sequence[date]
    mails_unsure: Mapping[str, Sequence[str]]
    mails_given_up: Sequence[str] = ()


def notices_of(night: Night) -> list[Notice]:
    """Return what a night must say, the most general trouble first."""
    return [
        *_inbox(night),
        *_exports(night),
        *_some("file", "files were refused", map(_refused, night.refused)),
        *_some("work log", "lines of the work log are wrong", map(_of_log, night.work_log)),
        *_some("tag", "tags of the site file are not in the exports", _missing(night)),
        *_some("rows", "files have many rows set aside", map(_aside, night.aside)),
        *_some("report", "report folders are gone", map(_gone, night.without_report)),
        *(_unsure(what, readers) for what, readers in night.mails_unsure.items()),
        *_some("mails", "mails were given up", map(_given_up, night.mails_given_up)),
    ]


def new_store(store: str, reports: str, days: Sequence[str]) -> Notice:
    """Say that nothing is remembered of days that have a report."""
    text = (
        f"The store {store} is new, though {reports} holds reports of {len(days)} days ({days[0]} "
        f"to {days[-1]}): was it deleted or moved? Put it, or its newest backup, back in its place "
        "and run again; without it all trends begin anew."
    )
    return Notice("store", text, is_event=True)


def unreported(failure: str) -> Notice:
    """Say that a day has no report; `failure` begins with the day."""
    text = f"{failure} Send the log of this run to the developers."
    return Notice(f"day {failure.partition(',')[0]}", text, is_event=True)


def _inbox(night: Night) -> list[Notice]:
    if not night.inbox_problem:
        return []
    text = f"{night.inbox_problem}; nothing was taken in. Check that it is there, is connected, "
    return [Notice("inbox", f"{text}and may be read by this account.")]


def _exports(night: Night) -> list[Notice]:
    check = "check the export job of the historian, and that its files reach the inbox."
    if night.newest is None:
        return [Notice("exports", f"No sample has been taken in yet: {check}")]
    if night.newest >= night.yesterday:
        return []
    return [Notice("exports", f"No data newer than {night.newest} has arrived: {check}")]


def _refused(message: str) -> Notice:
    name = message.partition(": ")[0]
    return Notice(f"file {name}", f"Refused, nothing of it was taken in: {_first_line(message)}")


def _of_log(problem: str) -> Notice:
    return Notice(f"work log {problem.partition(': ')[0]}", problem)


def _missing(night: Night) -> Iterable[Notice]:
    for place, tag in enumerate(night.missing):
        # Comparing with thousands of tags takes long, and only these are said.
        like = night.strangers if place < _MAX_ALIKE else ()
        found = " and ".join(get_close_matches(tag.tag, like, n=2, cutoff=_LIKENESS))
        text = f"Tag {tag.tag} is not in the exports" + (f"; they have {found}" if found else "")
        advice = "correct it in the site file, or have the historian export it."
        if tag.sample is Sample.ON_CHANGE and not found:
            advice = f"unless it has never changed, {advice}"
        yield Notice(f"tag {tag.tag}", printable(f"{text}: {advice}"))


def _aside(file: LargelyAside) -> Notice:
    text = (
        f"{file.rows:,} of {file.rows_read:,} rows of {file.name} were set aside, most for: "
        f'{file.reason}. "rowcall set-aside --file {file.name}" lists them.'
    )
    return Notice(f"rows {file.name}", printable(text))


def _gone(day: date) -> Notice:
    text = (
        f"The report folder of {day} is gone: was it deleted or moved? "
        f'"rowcall rejudge --from {day} --to {day}" writes it again.'
    )
    return Notice(f"report {day}", text, is_event=True)


def _unsure(what: str, readers: Sequence[str]) -> Notice:
    return Notice(f"mail {what}", fate_unknown(what, readers), is_event=True)


def _given_up(sentence: str) -> Notice:
    return Notice(f"mails {sentence.partition(' (')[0]}", printable(sentence), is_event=True)


def _some(kind: str, what: str, notices: Iterable[Notice]) -> list[Notice]:
    """Return the first few notices of a kind, and the rest in one."""
    listed = list(notices)
    shown, rest = listed[:_MAX_ALIKE], listed[_MAX_ALIKE:]
    if not rest:
        return shown
    named = ", ".join(one.key.removeprefix(f"{kind} ") for one in rest[:_MAX_NAMED])
    end = ", ..." if len(rest) > _MAX_NAMED else "."
    text = f"{len(rest)} more {what}: {named}{end}"
    return [*shown, Notice(f"{kind}s", text, rest[0].is_event)]


def _first_line(text: str) -> str:
    return text.splitlines()[0]


def dated(found: Sequence[Notice], before: Mapping[str, Notice], today: date) -> list[Notice]:
    """Return the notices to keep, with the nights on which they are said; what is over is left out.

    Args:
        found: what this night must say.
        before: what is kept of earlier nights, by key.

    Those to be said this night have `today` as `last_said`.
    """
    keys = {notice.key for notice in found}
    once_more = [
        notice
        for notice in before.values()
        if notice.key not in keys
        and notice.is_event
        and notice.first_said == notice.last_said
        # Whether a report is gone a later night sees for itself: it may have been put back.
        and not notice.key.startswith("report")
    ]
    return [_dated(notice, before.get(notice.key), today) for notice in (*found, *once_more)]


def _dated(notice: Notice, before: Notice | None, today: date) -> Notice:
    if before is None or before.text != notice.text:
        return replace(notice, first_said=today, last_said=today)
    is_over = before.is_event and before.first_said != before.last_said != today
    return before if is_over else replace(before, last_said=today)


def carried(notices: Iterable[Notice], day: date | None, today: date) -> list[Notice]:
    """Enter which day's report has what is said today in its first lines."""
    return [replace(one, carried_by=day) if one.last_said == today else one for one in notices]


def with_reports(notices: Iterable[Notice], days: AbstractSet[date], today: date) -> list[Notice]:
    """Enter that the reports of `days` were mailed, with the notices in them."""
    return [replace(one, mailed=today) if one.carried_by in days else one for one in notices]


def mailed(notices: Iterable[Notice], which: Sequence[Notice], today: date) -> list[Notice]:
    """Enter that some of the notices were mailed by themselves."""
    return [replace(one, mailed=today) if one in which else one for one in notices]


def due_by_mail(notices: Iterable[Notice], today: date) -> list[Notice]:
    """Return what is said today and was not mailed in these words, or not for a week."""
    return [
        one
        for one in notices
        if one.last_said == today
        and (one.mailed is None or (not one.is_event and today - one.mailed >= _MAIL_AGAIN))
    ]
