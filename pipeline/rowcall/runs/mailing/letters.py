"""The letters of a night: a day's report or a line on it, quiet days of a week, or notices."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import replace
from datetime import date, datetime
from pathlib import Path

from rowcall.errors import printable
from rowcall.mail.day_mail import DayMail
from rowcall.mail.message import Letter, content_id, size_of
from rowcall.mail.notice import Notice
from rowcall.site import Mail, Site
from rowcall.store.nights.judgements import Judged
from rowcall_reports.html import to_html
from rowcall_reports.wording import bullets, day_in_sentence, escape

_MAX_SIZE = 1_000_000  # bytes; chosen: mailboxes and telephones on site take that much


def report_letter(
    site: Site, mail: Mail, folder: Path, day: date, judged: Judged, day_mail: DayMail
) -> Letter:
    """Return the letter with a day's report.

    Raises:
        OSError: a picture cannot be read.
    """
    pictures = [(name, (folder / name).read_bytes()) for name in day_mail.pictures]
    return _fitting(
        mail,
        pictures,
        lambda shown, markdown: _letter(
            site.plant.name, day, judged, day_mail.subject, markdown, shown
        ),
        day_mail.markdown,
    )


def line_letter(site: Site, day: date, judged: Judged, day_mail: DayMail) -> Letter:
    """Return the letter that says of a quiet day, in a line, that it was one."""
    subject = f"Nothing new - {printable(site.plant.name)}, {day_in_sentence(day, day)}"
    markdown = f"{bullets([day_mail.line])}\n"
    return _letter(site.plant.name, day, judged, subject, markdown, ())


def digest_letter(
    site: Site,
    mail: Mail,
    folder: Path,
    days: Mapping[date, tuple[Judged, DayMail]],
) -> Letter:
    """Return the letter on quiet days, oldest first: a line on each, then the newest report.

    Raises:
        OSError: a picture cannot be read.
    """
    first, newest = min(days), max(days)
    judged, last = days[newest]
    span = " to ".join(dict.fromkeys(day_in_sentence(day, newest) for day in (first, newest)))
    subject = f"Nothing new, {span} - {printable(site.plant.name)}"
    lines = bullets(day_mail.line for _, day_mail in days.values())
    digest = replace(last, subject=subject, markdown=f"{lines}\n\n{last.markdown}")
    letter = report_letter(site, mail, folder, newest, judged, digest)
    earlier = tuple((day, one.revision) for day, (one, _) in days.items() if day != newest)
    return replace(letter, earlier=earlier)


def _fitting(
    mail: Mail,
    pictures: Sequence[tuple[str, bytes]],
    make: Callable[[Sequence[tuple[str, bytes]], str], Letter],
    markdown: str,
) -> Letter:
    """Return a letter with as many pictures, the first ones, as a mail may hold."""
    for n_shown in range(len(pictures), 0, -1):
        left_out = ", ".join(name for name, _ in pictures[n_shown:])
        letter = make(pictures[:n_shown], markdown + _left_out(left_out))
        if size_of(mail, letter) <= _MAX_SIZE:
            return letter
    return make((), markdown + _left_out(", ".join(name for name, _ in pictures)))


def _left_out(names: str) -> str:
    if not names:
        return ""
    return f"\nOnly in the report's folder, as a mail holds 1 MB at most: {escape(names)}.\n"


def _letter(
    plant: str,
    day: date,
    judged: Judged,
    subject: str,
    markdown: str,
    pictures: Sequence[tuple[str, bytes]],
) -> Letter:
    sources = {name: f"cid:{content_id(name)}" for name, _ in pictures}
    return Letter(
        plant=plant,
        day=day,
        revision=judged.revision,
        subject=subject,
        markdown=markdown,
        html=to_html(markdown, title=subject, image_src=sources),
        pictures=pictures,
        written=judged.at,
    )


def notices_letter(site: Site, day: date, now: datetime, notices: Sequence[Notice]) -> Letter:
    subject = f"{printable(site.plant.name)}: trouble with the baghouse check-up of {day}"
    markdown = (
        f"# {escape(subject)}\n\nNo report that was mailed says this:\n\n"
        f"{bullets(notice.text for notice in notices)}\n\n"
        "This mail comes once, and again when something changed or has stood for a week.\n"
    )
    return short_letter(site.plant.name, day, now, subject, markdown)


def short_letter(plant: str, day: date, now: datetime, subject: str, markdown: str) -> Letter:
    """Return a letter without a report; `plant` and `day` make its Message-ID."""
    return Letter(
        plant=plant,
        day=day,
        revision=0,
        subject=subject,
        markdown=markdown,
        html=to_html(markdown, title=subject, image_src={}),
        pictures=(),
        written=now,
    )
