"""Mailing outside the nightly run: what waits now, a look at what would be mailed, a test."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from datetime import datetime

from rowcall.days import local_day
from rowcall.errors import MailError, RowcallError, printable
from rowcall.mail.message import Letter, compose, size_of
from rowcall.mail.smtp import send
from rowcall.runs.lock import hold_site
from rowcall.runs.mailing.letters import short_letter
from rowcall.runs.mailing.mail_plan import MailPlan, PlannedMail
from rowcall.runs.mailing.post import mail_night
from rowcall.site import Mail, Reader, Site
from rowcall.site.address import address
from rowcall.store import Store
from rowcall.store.nights.judgements import judged_days
from rowcall.store.nights.said import StoreOutbox, read_notices
from rowcall_reports.wording import bullets, escape


def mail_waiting(
    site: Site,
    now: datetime,
    wait_s: float,
    environment: Mapping[str, str],
    progress: Callable[[str], None],
) -> list[str]:
    """Mail what readers lack, given up or not; return a sentence for what they still lack."""
    mail_of(site)
    with hold_site(site.store, wait_s, progress), Store.open(site.store) as store:
        notices = list(read_notices(store).values())
        return mail_night(store, site, now, notices, environment, progress, at_once=True)


def dry_run(
    site: Site, now: datetime, wait_s: float, progress: Callable[[str], None]
) -> Iterator[str]:
    """Yield in a line who would be mailed what by a nightly run now, and why or why not."""
    mail = mail_of(site)
    with hold_site(site.store, wait_s, progress), Store.open(site.store, read_only=True) as store:
        has_something = set[str]()
        for planned in MailPlan(StoreOutbox(store, now), site, mail).of(judged_days(store)):
            has_something |= set(planned.to)
            yield printable(_described(mail, planned))
        for reader in mail.readers:
            for to in map(address, reader.to):
                if to not in has_something:
                    yield f"{to}: nothing; no report of the last {mail.days_back} days is lacking"


def _described(mail: Mail, planned: PlannedMail) -> str:
    to, letter = ", ".join(planned.to), planned.letter
    if letter is None:
        return f"{to}: nothing of {planned.day}: {planned.why}"
    size = size_of(mail.model_copy(update={"to": planned.to}), letter)
    return (
        f'{to}: {planned.form} of {planned.day}, "{letter.subject}" ({planned.why}): text, page '
        f"and {len(letter.pictures)} pictures, {size / 1e3:,.0f} kB"
    )


def send_tests(
    site: Site, now: datetime, environment: Mapping[str, str]
) -> Iterator[tuple[str, bool]]:
    """Mail each reader a few words; yield what the server answered, and whether it took them."""
    mail = mail_of(site)
    for reader in mail.readers:
        for to in map(address, reader.to):
            own = mail.model_copy(update={"to": (to,)})
            try:
                result = send(compose(own, _test(site, reader, now)), own, [to], environment)
            except MailError as error:
                yield f"{to}: not sent. {error}", False
                continue
            answer = result.answer or result.refused.get(to, "no answer came")
            yield (
                f"{to}: {'taken' if result.accepted else 'not taken'} ({answer})",
                bool(result.accepted),
            )


def _test(site: Site, reader: Reader, now: datetime) -> Letter:
    houses = ", ".join(reader.baghouses or ("all baghouses",))
    quiet = f"on quiet days, where nothing from {reader.from_urgency} on is new: {reader.quiet}"
    subject = f"Test of the baghouse check-up's mail - {printable(site.plant.name)}"
    markdown = (
        f"# {escape(subject)}\n\nThis was sent by hand. From now on you get reports of:\n\n"
        f"{bullets([houses, quiet])}\n"
    )
    plant = f"{site.plant.name}, test of {now.isoformat()}"  # for a Message-ID of its own
    return short_letter(plant, local_day(now, site.plant.zone), now, subject, markdown)


def mail_of(site: Site) -> Mail:
    """Return the table of mail.

    Raises:
        RowcallError: the site file has none.
    """
    if site.mail is None:
        raise RowcallError("The site file names nobody to mail: it has no [mail] table.")
    return site.mail
