"""The last step of the pipeline: reports, or a night's notices, go to those who lack them."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from rowcall.days import local_day
from rowcall.mail.fate import FAILED, SENT, UNKNOWN
from rowcall.mail.notice import Notice
from rowcall.runs.mailing.mail_plan import MailPlan, PlannedMail
from rowcall.runs.notices import due_by_mail, mailed, with_reports
from rowcall.site import Mail, Site
from rowcall.site.address import address
from rowcall.store import Store
from rowcall.store.nights.judgements import judged_days
from rowcall.store.nights.said import StoreOutbox, save_notices

if TYPE_CHECKING:
    from rowcall.mail.message import Letter


@dataclass(slots=True)
class Post:
    """Mails letters; `lacking` gets a sentence for every one that someone still lacks.

    down: why the server could not be used; then it is not asked again in this run.
    """

    outbox: StoreOutbox
    mail: Mail
    environment: Mapping[str, str]
    progress: Callable[[str], None]
    lacking: list[str] = field(default_factory=list)
    down: str = ""

    def carry_out(self, planned: PlannedMail) -> bool:
        """Mail a letter, or keep that there is none; return whether a report left for anyone."""
        if planned.letter is not None:
            return self.send(planned.letter, planned.to) and planned.form != "line"
        if planned.state:
            self._keep(planned)
        elif planned.is_lacking:
            self.lacking.append(planned.why)
        return False

    def _keep(self, planned: PlannedMail) -> None:
        for recipient in planned.to:
            if self.outbox.fate(planned.day, planned.revision, recipient) is None:
                self.outbox.set_state(planned.day, planned.revision, recipient, planned.state)

    def send(self, letter: Letter, to: Sequence[str]) -> bool:
        """Mail a letter; return whether it left for anyone."""
        from rowcall.mail.message import deliver

        mail = self.mail.model_copy(update={"to": tuple(to)})
        delivery = deliver(self.outbox, mail, letter, self.environment, self.down)
        self.down = delivery.down
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
    *,
    at_once: bool = False,
) -> list[str]:
    """Mail what readers lack of the last days, and by themselves notices that no report brings.

    Args:
        notices: all that are kept; what was mailed is entered and saved.
        at_once: mails that failed are tried now, whenever they were tried last.

    Returns a sentence for every mail that someone still lacks.
    """
    if site.mail is None:
        return []
    post = Post(StoreOutbox(store, now), site.mail, environment, progress)
    plan = MailPlan(post.outbox, site, site.mail, at_once)
    days = {planned.day for planned in plan.of(judged_days(store)) if post.carry_out(planned)}
    kept = with_reports(notices, days, plan.today)
    _mail_failed_notices(post, site, now, kept, at_once=at_once)
    due = due_by_mail(kept, plan.today)
    if due and _mail_notices(post, site, now, plan.today, due, site.mail.to):
        kept = mailed(kept, due, plan.today)
    save_notices(store, kept)
    return post.lacking


def _mail_failed_notices(
    post: Post, site: Site, now: datetime, kept: Sequence[Notice], *, at_once: bool
) -> None:
    """Mail notices that still stand to those who did not get them, where others did."""
    oldest = local_day(now, site.plant.zone) - timedelta(days=post.mail.days_back)
    for day in sorted({one.mailed for one in kept if one.mailed and one.mailed >= oldest}):
        fates = {to: post.outbox.fate(day, 0, address(to)) for to in post.mail.to}
        failed = [
            to
            for to, fate in fates.items()
            if fate and fate.state in FAILED and (at_once or fate.is_due(now))
        ]
        if failed and any(fate and fate.state in (SENT, UNKNOWN) for fate in fates.values()):
            due = [one for one in kept if one.mailed == day]
            _mail_notices(post, site, now, day, due, failed)


def _mail_notices(
    post: Post, site: Site, now: datetime, day: date, due: Sequence[Notice], to: Sequence[str]
) -> bool:
    from rowcall.runs.mailing.letters import notices_letter

    return post.send(notices_letter(site, day, now, due), to)
