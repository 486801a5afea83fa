"""The last step of the pipeline: reports, or a night's notices, go to those who lack them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from rowcall.days import local_day
from rowcall.mail.fate import REFUSED, SENT, UNKNOWN
from rowcall.mail.notice import Notice
from rowcall.runs.notices import due_by_mail, mailed, with_reports
from rowcall.site import Mail, Site
from rowcall.site.address import address
from rowcall.store import Store
from rowcall.store.nights.judgements import Judged, judged_days
from rowcall.store.nights.said import StoreOutbox, save_notices

if TYPE_CHECKING:
    from rowcall.mail.message import Letter


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
        from rowcall.mail.message import deliver

        mail = self.mail.model_copy(update={"to": to})
        delivery = deliver(self.outbox, mail, letter, self.environment)
        if delivery.waiting or delivery.unknown:  # said at the end
            self.lacking.extend(delivery.messages)
        else:
            for message in delivery.messages:
                self.progress(message)
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
    _mail_refused_notices(post, site, now, kept)
    due = due_by_mail(kept, today)
    if due and _mail_notices(post, site, now, today, due, site.mail.to):
        kept = mailed(kept, due, today)
    save_notices(store, kept)
    return post.lacking


def _mail_reports(post: Post, store: Store, site: Site, today: date) -> set[date]:
    """Mail the reports of the last days; return the days of those that left."""
    oldest = today - timedelta(days=post.mail.days_back)
    days = set()
    for day, judged in sorted(judged_days(store).items()):
        if day < oldest:
            continue
        without = [to for to in post.mail.to if not _has(post.outbox, day, judged, address(to))]
        if not without:
            continue
        from rowcall.runs.mailing.letters import report_letter
        from rowcall.store.results import urgencies_found

        folder = site.reports / day.isoformat()
        if not folder.is_dir():
            post.lacking.append(f"{folder}: the report of {day} is gone and cannot be mailed.")
            continue
        try:
            letter = report_letter(site, folder, day, judged, urgencies_found(store, day))
        except OSError as error:
            reason = error.strerror or error
            post.lacking.append(
                f"{folder}: the report of {day} cannot be read ({reason}) and mailed."
            )
            continue
        if post.send(letter, without):
            days.add(day)
    return days


def _mail_refused_notices(post: Post, site: Site, now: datetime, kept: Sequence[Notice]) -> None:
    """Mail notices that still stand to those whose mail of the last days was refused."""
    oldest = local_day(now, site.plant.zone) - timedelta(days=post.mail.days_back)
    for day in sorted({one.mailed for one in kept if one.mailed and one.mailed >= oldest}):
        states = {to: post.outbox.state(day, 0, address(to)) for to in post.mail.to}
        refused = [to for to, state in states.items() if state == REFUSED]
        if refused:
            due = [one for one in kept if one.mailed == day]
            _mail_notices(post, site, now, day, due, refused)


def _mail_notices(
    post: Post, site: Site, now: datetime, day: date, due: Sequence[Notice], to: Sequence[str]
) -> bool:
    from rowcall.runs.mailing.letters import notices_letter

    return post.send(notices_letter(site, day, now, due), to)


def _has(outbox: StoreOutbox, day: date, judged: Judged, recipient: str) -> bool:
    """Return whether a recipient has the verdicts of a day, from this report or one before it."""
    first = judged.revision if judged.verdicts_changed else 1
    states = (outbox.state(day, n, recipient) for n in range(first, judged.revision + 1))
    return any(state in (SENT, UNKNOWN) for state in states)
