"""A real SMTP server for the tests of mailing, with TLS and login, and faults on demand."""

from __future__ import annotations

import asyncio
import socket
import ssl
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from datetime import UTC, date, datetime
from email import message_from_bytes, policy
from email.message import EmailMessage
from functools import partial
from pathlib import Path
from typing import Any, AnyStr

import trustme
from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, Envelope, LoginPassword, Session

from rowcall.mail.fate import Fate
from rowcall.mail.login import PASSWORD, USER
from rowcall.mail.message import Letter
from rowcall.mail.smtp import CA_FILE
from rowcall.site import Mail

HOST = "localhost"
LOGIN = {USER: "rowcall", PASSWORD: "s3cret-w0rd"}
DAY = date(2026, 11, 24)


@dataclass
class Mailbox:
    """What the server took in, and how it should misbehave."""

    got: list[Envelope] = field(default_factory=list)
    refuse: set[str] = field(default_factory=set)
    drop_after_data: bool = False  # take the mail, then close without an answer
    drop_at_rcpt: bool = False
    answers: dict[str, list[str]] = field(default_factory=dict)  # by command; "" is the greeting
    data_answer: str = "250 taken"

    async def handle_RCPT(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope, address: str, options: list[str]
    ) -> str:
        """Take or refuse one recipient."""
        if self.drop_at_rcpt:
            _hang_up(server)
        if address in self.refuse:
            return "550 no such\x07 mailbox"
        envelope.rcpt_tos.append(address)
        return "250 ok"

    async def handle_DATA(  # noqa: N802
        self, server: SMTP, session: Session, envelope: Envelope
    ) -> str:
        """Take the mail, with or without saying so."""
        if self.data_answer.startswith("250"):
            self.got.append(envelope)
        if self.drop_after_data:
            _hang_up(server)
        return self.data_answer

    def messages(self) -> list[EmailMessage]:
        """Return the mails as a recipient's program reads them."""
        contents = [envelope.content for envelope in self.got]
        return [
            message_from_bytes(content, EmailMessage, policy=policy.default)
            for content in contents
            if isinstance(content, bytes)
        ]

    def copies(self, address: str, about: str = "") -> int:
        """Return how many mails a recipient has whose subject holds `about`."""
        mails = zip(self.got, self.messages(), strict=True)
        return sum(address in to.rcpt_tos and about in str(mail["Subject"]) for to, mail in mails)


class _Server(SMTP):
    """Gives the answers that its mailbox holds ready for a command, then its own."""

    def __init__(self, box: Mailbox, **settings: Any) -> None:
        super().__init__(box, **settings)
        self.waiting = box.answers
        self._smtp_methods |= {verb: partial(self.answer, verb) for verb in box.answers if verb}

    async def answer(self, verb: str, argument: str) -> None:
        """Answer a command."""
        if self.waiting[verb]:
            await self.push(self.waiting[verb].pop(0))
        else:
            await getattr(self, f"smtp_{verb}")(argument)

    async def push(self, status: AnyStr) -> None:
        """Send a line; the first one is the greeting."""
        greeting = self.waiting.get("")
        await (super().push(greeting.pop(0)) if greeting else super().push(status))


class _Controller(Controller):
    def factory(self) -> SMTP:
        """Return the server of a connection."""
        return _Server(self.handler, **self.SMTP_kwargs)


def _hang_up(server: SMTP) -> None:
    assert isinstance(server.transport, asyncio.Transport)
    server.transport.abort()


def _check_login(
    server: SMTP, session: Session, envelope: Envelope, mechanism: str, given: Any
) -> AuthResult:
    wanted = LoginPassword(LOGIN[USER].encode(), LOGIN[PASSWORD].encode())
    # Not handled: the server itself answers with 535.
    return AuthResult(success=given == wanted, handled=False)


@dataclass
class Authority:
    """A certificate authority of the tests, its file and a server's certificate."""

    folder: Path
    ca: trustme.CA = field(default_factory=trustme.CA)

    @property
    def file(self) -> str:
        """The authority's PEM file."""
        path = self.folder / "ca.pem"
        self.ca.cert_pem.write_to_path(str(path))
        return str(path)

    def context(self) -> ssl.SSLContext:
        """Return a server's TLS context."""
        context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
        self.ca.issue_cert(HOST).configure_cert(context)
        return context

    def environment(self, **changes: str) -> dict[str, str]:
        """Return the environment of a run that may log in."""
        return {**LOGIN, CA_FILE: self.file, **changes}


@contextmanager
def serve(box: Mailbox, authority: Authority, security: str, port: int = 0) -> Iterator[int]:
    """Run the server; yield its port."""
    common: dict[str, Any] = {
        "hostname": "127.0.0.1",
        "port": port or _free_port(),
        "authenticator": _check_login,
        "auth_required": True,
    }
    if security == "tls":
        # Within implicit TLS the server does not see the encryption, so it must not ask for it.
        controller = _Controller(
            box, ssl_context=authority.context(), auth_require_tls=False, **common
        )
    else:
        controller = _Controller(
            box, tls_context=authority.context(), require_starttls=True, **common
        )
    controller.start()
    try:
        yield int(common["port"])
    finally:
        controller.stop()


def _free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


def mail(port: int, security: str = "starttls", **more: Any) -> Mail:
    """Return the mail settings of the invented plant."""
    return Mail.model_validate(
        {
            "to": ["planner@ondravel.example", "mechanic@ondravel.example"],
            "from": "Rowcall <rowcall@ondravel.example>",
            "host": HOST,
            "port": port,
            "security": security,
            **more,
        }
    )


def letter(**changes: Any) -> Letter:
    """Return a small letter about the day."""
    given: dict[str, Any] = {
        "plant": "Ondravel Lime",
        "day": DAY,
        "revision": 1,
        "subject": "Ondravel Lime 2026-11-24: 2 to do now",
        "markdown": "# Report\n\n.a line that starts with a dot\n\n°C\n",
        "html": '<p><img src="cid:rows-BH1.png@rowcall" alt="rows"></p>',
        "pictures": [("rows-BH1.png", b"\x89PNG one"), ("dp-BH1.png", b"\x89PNG two")],
        "written": datetime(2026, 11, 25, 4, 30, tzinfo=UTC),
    }
    return Letter(**{**given, **changes})


class DictOutbox:
    """An outbox that forgets at the end of the test, and may be killed at a state."""

    def __init__(self) -> None:
        self.fates: dict[tuple[date, int, str], Fate] = {}
        self.killed_at: str | None = None
        self.now = datetime(2026, 11, 25, 4, 30, tzinfo=UTC)

    def fate(self, day: date, revision: int, recipient: str) -> Fate | None:
        """Return the fate of a recipient's mail."""
        return self.fates.get((day, revision, recipient))

    def set_state(self, day: date, revision: int, recipient: str, state: str) -> None:
        """Keep a state, or die as a killed run does."""
        if state == self.killed_at:
            raise KeyboardInterrupt
        self.fates[day, revision, recipient] = Fate(state, self.now)

    def set_failed(self, day: date, revision: int, recipient: str, state: str, said: str) -> None:
        """Keep one more failure."""
        before = self.fate(day, revision, recipient) or Fate(state, self.now)
        self.fates[day, revision, recipient] = before.failed(state, said, self.now)

    def all_states(self) -> list[str]:
        """Return every state, planner first."""
        return [fate.state for _, fate in sorted(self.fates.items(), reverse=True)]
