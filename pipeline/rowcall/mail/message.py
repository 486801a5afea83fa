"""Mailing a report: the message, the hand-over by SMTP, and the promise of no second copy."""

from __future__ import annotations

import hashlib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime
from email.header import Header
from email.message import EmailMessage
from email.policy import EmailPolicy
from email.utils import format_datetime
from functools import partial

from rowcall.errors import MailError
from rowcall.mail.fate import (
    REFUSED,
    SENDING,
    SENT,
    UNKNOWN,
    WAITING,
    Outbox,
    fate_unknown,
    name_of,
)
from rowcall.mail.smtp import SendResult, send
from rowcall.site import Mail
from rowcall.site.address import address


class _Policy(EmailPolicy):
    """`email.policy.SMTP`, with subjects whole.

    Before Python 3.12.4 its folding lost the space between two words that need encoding
    (CPython gh-92081).
    """

    def fold_binary(self, name: str, value: str) -> bytes:
        """Return a header as it is sent."""
        if name != "Subject" or value.isascii():
            return super().fold_binary(name, value)
        text = Header(value, "utf-8", header_name=name).encode(linesep=self.linesep)
        return f"{name}: {text}{self.linesep}".encode("ascii")


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
    earlier: Sequence[tuple[date, int]] = ()  # days and revisions that a digest also covers

    @property
    def covers(self) -> Sequence[tuple[date, int]]:
        """The days that whoever has the mail has, with their revisions, oldest first."""
        return (*self.earlier, (self.day, self.revision))

    @property
    def name(self) -> str:
        """What the mail is, in a sentence."""
        if self.earlier:
            return f"digest of {self.earlier[0][0]} to {self.day}"
        return name_of(self.day, self.revision)


@dataclass(frozen=True, slots=True)
class Delivery:
    """What became of a report's mail: by recipient, and in sentences for the log.

    down: why the server could not be used at all; empty where it could.
    """

    sent: tuple[str, ...]
    waiting: tuple[str, ...]  # tried again by the next run
    unknown: tuple[str, ...]  # never sent again by itself
    messages: tuple[str, ...]
    down: str = ""


def content_id(picture: str) -> str:
    """Return the id by which the HTML part of a mail refers to a picture (RFC 2392)."""
    return f"{picture}@rowcall"


def size_of(mail: Mail, letter: Letter) -> int:
    """Return how large the message is as it is handed over [bytes]."""
    return len(compose(mail, letter).as_bytes())


def compose(mail: Mail, letter: Letter) -> EmailMessage:
    """Return the message: Markdown as text, HTML with inline pictures as the alternative.

    Message-ID and boundaries follow from the content alone, so that a repeated message is
    recognised as the same one.

    Raises:
        ValueError: an address cannot be used.
    """
    sender = address(mail.sender)
    everyone = [address(recipient) for recipient in mail.to]
    covers = [f"{day}\n{revision}" for day, revision in letter.covers]
    key = "\n".join([letter.plant, *covers, *sorted(set(everyone))])
    digest = hashlib.sha256(key.encode()).hexdigest()[:32]
    message = EmailMessage(policy=_Policy(linesep="\r\n"))
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
    if pictures:
        page.set_param("type", "text/html")  # RFC 2387, 3.1: of the part that the others belong to


def deliver(
    outbox: Outbox, mail: Mail, letter: Letter, environment: Mapping[str, str], down: str = ""
) -> Delivery:
    """Mail a report to those in `mail.to` who do not have it yet, and to nobody twice.

    A recipient is marked 'sending' just before the mail is handed over. Where that mark is found
    again, a run was killed in that moment and may or may not have sent: the mark becomes
    'unknown', is reported, and is not sent again. Refusals and lost connections wait.

    Args:
        down: why the server could not be used a moment ago; it is not asked again.

    Raises:
        ValueError: an address cannot be used.
    """
    unknown, pending = _sort_recipients(outbox, mail, letter)
    result, put_off = SendResult(), down if pending else ""

    def mark(state: str, recipients: Sequence[str]) -> None:
        for recipient in recipients:
            for day, revision in letter.covers:
                outbox.set_state(day, revision, recipient, state)

    if pending and not down:
        message = compose(mail, letter)
        try:
            result = send(message, mail, pending, environment, partial(mark, SENDING))
        except MailError as error:
            put_off = str(error)
    mark(SENT, result.accepted)
    mark(UNKNOWN, result.uncertain)
    failed = dict.fromkeys(pending, put_off) if put_off else result.refused
    for recipient, why in failed.items():
        for day, revision in letter.covers:
            outbox.set_failed(day, revision, recipient, WAITING if put_off else REFUSED, why)
    unknown = (*unknown, *result.uncertain)
    lines = tuple(_report_lines(outbox, letter, replace(result, uncertain=unknown), put_off))
    return Delivery(result.accepted, tuple(failed), unknown, lines, put_off or down)


def _sort_recipients(
    outbox: Outbox, mail: Mail, letter: Letter
) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return who may or may not have the mail after a killed run, and who surely has it not."""
    unknown: list[str] = []
    pending: list[str] = []
    for recipient in dict.fromkeys(address(entry) for entry in mail.to):
        fates = {key: outbox.fate(*key, recipient) for key in letter.covers}
        states = {key: fate.state if fate else "" for key, fate in fates.items()}
        if SENDING in states.values():
            for key, state in states.items():
                if state == SENDING:
                    outbox.set_state(*key, recipient, UNKNOWN)
            unknown.append(recipient)
        elif not {SENT, UNKNOWN} & set(states.values()):
            pending.append(recipient)
    return tuple(unknown), tuple(pending)


def _report_lines(
    outbox: Outbox, letter: Letter, result: SendResult, put_off: str
) -> Iterator[str]:
    what = f"The {letter.name}"
    if result.accepted:
        yield f"{what} was mailed to {', '.join(result.accepted)}."
    for recipient, reason in result.refused.items():
        fate = outbox.fate(letter.day, letter.revision, recipient)
        then = "given up" if fate and fate.is_given_up else "tried again"
        yield f"{what} was refused for {recipient} ({reason}); it is {then}."
    if result.uncertain:
        yield fate_unknown(letter.name, result.uncertain)
    if put_off:
        yield f"{what} could not be mailed and waits for the next run. {put_off}"
