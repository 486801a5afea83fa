"""Mailing a report: the message, the hand-over by SMTP, and the promise of no second copy."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from email.message import EmailMessage
from email.policy import SMTP
from email.utils import format_datetime
from functools import partial

from rowcall.errors import MailError
from rowcall.mail.fate import (
    REFUSED,
    SENDING,
    SENT,
    UNKNOWN,
    Outbox,
    fate_unknown,
    name_of,
)
from rowcall.mail.smtp import SendResult, send
from rowcall.site import Mail
from rowcall.site.address import address


@dataclass(frozen=True, slots=True, kw_only=True)
class Letter:
    """What one mail is about and made from."""

    plant: str
    day: date
    revision: int
    subject: str
    markdown: str
    html: str  # refers to pictures as `cid:` + `content_id(name)`
    pictures: Sequence[tuple[str, bytes]]  # name, PNG
    written: datetime  # with zone; becomes the Date header

    @property
    def name(self) -> str:
        """What the mail is, in a sentence."""
        return name_of(self.day, self.revision)


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of a report's mail: by recipient, and in sentences for the log."""

    sent: tuple[str, ...]
    waiting: tuple[str, ...]  # tried again by the next run
    unknown: tuple[str, ...]  # never sent again by itself
    messages: tuple[str, ...]


def content_id(picture: str) -> str:
    """Return the id by which the HTML part of a mail refers to a picture."""
    return f"{picture}@rowcall"


def compose(mail: Mail, letter: Letter) -> EmailMessage:
    """Return the message: Markdown as text, HTML with inline pictures as the alternative.

    Message-ID and boundaries follow from the content alone, so that a repeated message is
    recognised as the same one.

    Raises:
        MailError: an address of the site file cannot be used.
    """
    sender = address(mail.sender)
    everyone = [address(recipient) for recipient in mail.to]
    key = "\n".join(
        [letter.plant, letter.day.isoformat(), str(letter.revision), *sorted(set(everyone))]
    )
    digest = hashlib.sha256(key.encode()).hexdigest()[:32]
    message = EmailMessage(policy=SMTP)
    message["From"] = sender
    message["To"] = ", ".join(everyone)
    subject = "".join(c if c.isprintable() else " " for c in letter.subject)
    message["Subject"] = " ".join(subject.split())
    message["Date"] = format_datetime(letter.written)
    message["Message-ID"] = f"<rowcall.{digest}@{sender.partition('@')[2]}>"
    message["Auto-Submitted"] = "auto-generated"
    message.set_content(letter.markdown, cte="quoted-printable")
    message.add_alternative(letter.html, subtype="html", cte="quoted-printable")
    _attach_pictures(message, letter.pictures)
    for number, part in enumerate(message.walk()):
        if part.is_multipart():
            part.set_boundary(f"=_rowcall_{digest}_{number}")
    return message


def _attach_pictures(message: EmailMessage, pictures: Sequence[tuple[str, bytes]]) -> None:
    page = message.get_body(("html",))
    if not isinstance(page, EmailMessage):
        raise TypeError("the message holds no HTML part")
    for name, png in pictures:
        page.add_related(
            png,
            "image",
            "png",
            cid=f"<{content_id(name)}>",
            filename=name,
            disposition="inline",
        )


def deliver(outbox: Outbox, mail: Mail, letter: Letter, environment: Mapping[str, str]) -> Delivery:
    """Mail a report to whoever does not have it yet, and to nobody twice.

    A recipient is marked 'sending' just before the mail is handed over. Where that mark is found
    again, a run was killed in that moment and may or may not have sent: the mark becomes
    'unknown', is reported, and is not sent again. Refusals and lost connections wait for the next
    run.

    Raises:
        MailError: an address of the site file cannot be used.
    """
    day, revision = letter.day, letter.revision
    unknown, pending = _sort_recipients(outbox, mail, day, revision)
    result, put_off = SendResult(), list[str]()

    def mark(state: str, recipients: Sequence[str]) -> None:
        for recipient in recipients:
            outbox.set_state(day, revision, recipient, state)

    if pending:
        message = compose(mail, letter)
        try:
            result = send(message, mail, pending, environment, partial(mark, SENDING))
        except MailError as error:
            put_off.append(
                f"The {letter.name} could not be mailed and waits for the next run. {error}"
            )
    mark(SENT, result.accepted)
    mark(REFUSED, tuple(result.refused))
    mark(UNKNOWN, result.uncertain)
    unknown = (*unknown, *result.uncertain)
    lines = _report_lines(letter.name, replace(result, uncertain=unknown))
    waiting = pending if put_off else tuple(result.refused)
    return Delivery(result.accepted, waiting, unknown, (*lines, *put_off))


def _sort_recipients(
    outbox: Outbox, mail: Mail, day: date, revision: int
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return who may or may not have the mail after a killed run, and who surely has it not."""
    unknown: list[str] = []
    pending: list[str] = []
    for recipient in dict.fromkeys(address(entry) for entry in mail.to):
        state = outbox.state(day, revision, recipient)
        if state == SENDING:
            outbox.set_state(day, revision, recipient, UNKNOWN)
            unknown.append(recipient)
        elif state in (None, REFUSED):
            pending.append(recipient)
    return tuple(unknown), tuple(pending)


def _report_lines(what: str, result: SendResult) -> tuple[str, ...]:
    lines = []
    if result.accepted:
        lines.append(f"The {what} was mailed to {', '.join(result.accepted)}.")
    for recipient, reason in result.refused.items():
        lines.append(
            f"The {what} was refused for {recipient} ({reason}); the next run tries again."
        )
    if result.uncertain:
        lines.append(fate_unknown(what, result.uncertain))
    return tuple(lines)
