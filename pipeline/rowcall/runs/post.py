"""The last step of the pipeline: reports, or a night's notices, go to those who lack them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from pathlib import Path

from rowcall.days import local_day
from rowcall.errors import printable
from rowcall.mail.message import SENT, UNKNOWN, Letter, content_id, deliver
from rowcall.model import Urgency
from rowcall.notice import Notice
from rowcall.runs.notices import due_by_mail, mailed, with_reports
from rowcall.site import Mail, Site
from rowcall.site.address import address
from rowcall.store import Store
from rowcall.store.results import (
    Judged,
    StoreOutbox,
    judged_days,
    save_notices,
    urgencies_found,
)
from rowcall_reports.html import to_html
from rowcall_reports.wording import bullets, escape


@dataclass(frozen=True, slots=True)
class Post:
    """Mails letters; `lacking` gets a sentence for every one that someone still lacks."""

    outbox: StoreOutbox
    mail: Mail
    environment: Mapping[str, str]
    progress: Callable[[str], None]
    lacking: list[str] = field(default_factory=list)

    def send(self, letter: Letter, to: Sequence[str]) -> bool:
        """Mail a letter; return whether it left for anyone."""
        mail = self.mail.model_copy(update={"to": to})
        delivery = deliver(self.outbox, mail, letter, self.environment)
        for message in delivery.messages:
            self.progress(message)
        if delivery.waiting or delivery.unknown:
            self.lacking.extend(delivery.messages)
        return bool(delivery.sent or delivery.unknown)


def mail_night(
    store: Store,
    site: Site,
    now: datetime,
    notices: Sequence[Notice],
    environment: Mapping[str, str],
    progress: Callable[[str], None],
) -> list[str]:
    """Mail the reports that someone lacks, and by themselves the notices that none of them brings.

    Args:
        notices: all that are kept; what was mailed is entered and saved.

    Returns a sentence for every mail that someone still lacks.
    """
    if site.mail is None:
        return []
    post = Post(StoreOutbox(store, now), site.mail, environment, progress)
    today = local_day(now, site.plant.zone)
    days = _mail_reports(post, store, site, today)
    kept = with_reports(notices, days, today)
    due = due_by_mail(kept, today)
    if due and post.send(_letter_of_notices(site, today, now, due), site.mail.to):
        kept = mailed(kept, due, today)
    save_notices(store, kept)
    return post.lacking


def _mail_reports(post: Post, store: Store, site: Site, today: date) -> set[date]:
    """Mail the reports of the last days; return the days of those that left."""
    oldest = today - timedelta(days=post.mail.days_back)
    days = set()
    for day, judged in sorted(judged_days(store).items()):
        without = [to for to in post.mail.to if not _has(post.outbox, day, judged, address(to))]
        if day < oldest or not without:
            continue
        folder = site.reports / day.isoformat()
        if not folder.is_dir():
            post.lacking.append(f"{folder}: the report of {day} is gone and cannot be mailed.")
            continue
        try:
            letter = _letter(site, folder, day, judged, urgencies_found(store, day))
        except OSError as error:
            reason = error.strerror or error
            post.lacking.append(
                f"{folder}: the report of {day} cannot be read ({reason}) and mailed."
            )
            continue
        if post.send(letter, without):
            days.add(day)
    return days


def _letter_of_notices(site: Site, day: date, now: datetime, notices: Sequence[Notice]) -> Letter:
    subject = f"{printable(site.plant.name)}: trouble with the baghouse check-up of {day}"
    markdown = (
        f"# {escape(subject)}\n\nNo report that was mailed says this:\n\n"
        f"{bullets(notice.text for notice in notices)}\n\n"
        "This mail comes once, and again when something changed or has stood for a week.\n"
    )
    return Letter(
        plant=site.plant.name,
        day=day,
        revision=0,
        subject=subject,
        markdown=markdown,
        html=to_html(markdown, title=subject, image_src={}),
        pictures=(),
        written=now,
    )


def _has(outbox: StoreOutbox, day: date, judged: Judged, recipient: str) -> bool:
    """Return whether a recipient has the verdicts of a day, from this report or one before it."""
    first = judged.revision if judged.verdicts_changed else 1
    states = (outbox.state(day, n, recipient) for n in range(first, judged.revision + 1))
    return any(state in (SENT, UNKNOWN) for state in states)


def _letter(
    site: Site, folder: Path, day: date, judged: Judged, urgencies: Mapping[str, int]
) -> Letter:
    markdown = (folder / f"rowcall-{day.isoformat()}.md").read_text(encoding="utf-8")
    pictures = [(path.name, path.read_bytes()) for path in sorted(folder.glob("*.png"))]
    subject = f"{printable(site.plant.name)}: baghouses on {day.isoformat()}: {_counts(urgencies)}"
    if judged.revision > 1:
        subject += f" (revision {judged.revision})"
    sources = {name: f"cid:{content_id(name)}" for name, _ in pictures}
    return Letter(
        plant=site.plant.name,
        day=day,
        revision=judged.revision,
        subject=subject,
        markdown=markdown,
        html=to_html(markdown, title=subject, image_src=sources),
        pictures=pictures,
        written=judged.at,
    )


def _counts(urgencies: Mapping[str, int]) -> str:
    counts = [f"{n} {urgency.value}" for urgency in Urgency if (n := urgencies.get(urgency.value))]
    return ", ".join(counts) or "nothing found"
