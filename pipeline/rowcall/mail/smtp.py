"""Handing a message to an SMTP server, knowing at every step who has it."""

from __future__ import annotations

import smtplib
import ssl
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field
from email.message import EmailMessage

from rowcall.errors import MailError
from rowcall.mail.login import PASSWORD, USER, login_of
from rowcall.site import Mail
from rowcall.site.address import address

CA_FILE = "ROWCALL_SMTP_CA"
_TIMEOUT_S = 30.0  # chosen: a slow relay answers within seconds, a dead one must not hold the night
_VERDICT_TIMEOUT_S = 600.0  # RFC 5321, 4.5.3.2.6: 10 min for the answer to the whole mail
_LONGEST_REASON = 200  # chosen: a sentence; servers may answer with pages


@dataclass(frozen=True, slots=True)
class SendResult:
    """What the server said, by recipient; `uncertain`: nobody knows whether it has the mail.

    answer: to the mail as a whole, where it was taken.
    """

    accepted: tuple[str, ...] = ()
    refused: Mapping[str, str] = field(default_factory=dict)
    uncertain: tuple[str, ...] = ()
    answer: str = ""


def send(
    message: EmailMessage,
    mail: Mail,
    recipients: Sequence[str],
    environment: Mapping[str, str],
    before_data: Callable[[Sequence[str]], None] = lambda accepted: None,
) -> SendResult:
    """Hand the message to the server, for `recipients` only.

    Args:
        before_data: called with those the server will take, just before the mail is handed over.

    Raises:
        MailError: no connection, no trust or no login: nobody has the mail.
    """
    where = f"{mail.host}:{mail.port}"
    try:
        server = _connect(mail, environment)
    except ssl.SSLCertVerificationError as error:
        raise MailError(
            f"The certificate of the mail server {where} is not trusted ({error.verify_message}). "
            f"If its authority is your own, let {CA_FILE} name that authority's PEM file."
        ) from error
    except ssl.SSLError as error:
        raise MailError(
            f"No encrypted connection with the mail server {where} ({_reason(error)}); check port "
            "and security in [mail] of the site file."
        ) from error
    except smtplib.SMTPAuthenticationError as error:
        # The server's words may repeat what was sent to it, so only its number is shown.
        raise MailError(
            f"The mail server {where} refused the login (code {error.smtp_code}); check {USER} "
            f"and {PASSWORD}, or user and password_file in [mail] of the site file."
        ) from error
    except (OSError, smtplib.SMTPException) as error:
        raise MailError(f"The mail server {where} cannot be used ({_reason(error)}).") from error
    try:
        return _hand_over(server, message, recipients, before_data)
    finally:
        server.close()


def _connect(mail: Mail, environment: Mapping[str, str]) -> smtplib.SMTP:
    user, password = login_of(mail, environment) if mail.login else ("", "")
    context = _trust(environment)
    server: smtplib.SMTP
    if mail.security == "tls":
        server = smtplib.SMTP_SSL(mail.host, mail.port, timeout=_TIMEOUT_S, context=context)
    else:
        server = smtplib.SMTP(mail.host, mail.port, timeout=_TIMEOUT_S)
    try:
        if mail.security == "starttls":
            server.starttls(context=context)
        if mail.login:
            _log_in(server, user, password)
        server.ehlo_or_helo_if_needed()
    except BaseException:
        server.close()
        raise
    return server


def _log_in(server: smtplib.SMTP, user: str, password: str) -> None:
    try:
        server.login(user, password)
    except UnicodeEncodeError:
        # Its text and its chain would show the password.
        raise MailError("User name and password may hold ASCII characters only.") from None


def _trust(environment: Mapping[str, str]) -> ssl.SSLContext:
    context = ssl.create_default_context()
    own = environment.get(CA_FILE)
    if own:
        try:
            context.load_verify_locations(cafile=own)
        except (OSError, ssl.SSLError) as error:
            raise MailError(f"{CA_FILE} names {own}, which is not a readable PEM file.") from error
    return context


def _hand_over(
    server: smtplib.SMTP,
    message: EmailMessage,
    recipients: Sequence[str],
    before_data: Callable[[Sequence[str]], None],
) -> SendResult:
    """Walk through one SMTP transaction, knowing at each step who has the mail."""
    payload = _as_data(message)
    refused: dict[str, str] = {}
    try:
        answers = _offer(server, message, recipients)
        refused = {recipient: why for recipient, why in answers.items() if why}
        accepted = tuple(recipient for recipient, why in answers.items() if not why)
        if not accepted:
            return SendResult(refused=refused)
        before_data(accepted)
        code, said = server.docmd("DATA")
    except (OSError, smtplib.SMTPException) as error:
        lost = dict.fromkeys(recipients, f"connection lost ({_reason(error)})")
        return SendResult(refused={**lost, **refused})
    if code != 354:
        return SendResult(refused={**refused, **dict.fromkeys(accepted, _answer(code, said))})
    code, said = _submit(server, payload)
    if 200 <= code < 300:
        return SendResult(accepted, refused, answer=_answer(code, said))
    if 400 <= code < 600:
        return SendResult(refused={**refused, **dict.fromkeys(accepted, _answer(code, said))})
    return SendResult(refused=refused, uncertain=accepted)


def _offer(
    server: smtplib.SMTP, message: EmailMessage, recipients: Sequence[str]
) -> dict[str, str]:
    """Name sender and recipients; return why each is refused, '' where the server takes it."""
    code, said = server.mail(address(str(message["From"])))
    if code != 250:
        return dict.fromkeys(recipients, _answer(code, said))
    answers = {}
    for recipient in recipients:
        code, said = server.rcpt(address(recipient))
        answers[recipient] = "" if code in (250, 251) else _answer(code, said)
    return answers


def _submit(server: smtplib.SMTP, payload: bytes) -> tuple[int, bytes]:
    """Send the mail itself; return the server's answer, code 0 when none came."""
    try:
        if server.sock is not None:
            server.sock.settimeout(_VERDICT_TIMEOUT_S)
        server.send(payload)
        answer = server.getreply()
    except (OSError, smtplib.SMTPException):
        return 0, b""
    with suppress(OSError, smtplib.SMTPException):
        server.quit()
    return answer


def _as_data(message: EmailMessage) -> bytes:
    """Return the message as the DATA of RFC 5321: leading dots doubled, closed by a dot."""
    body = message.as_bytes().replace(b"\r\n.", b"\r\n..")
    return body.removesuffix(b"\r\n") + b"\r\n.\r\n"


def _answer(code: int, said: bytes) -> str:
    return _short(f"{code} {said.decode('utf-8', 'replace')}")


def _reason(error: Exception) -> str:
    if isinstance(error, smtplib.SMTPResponseException):
        said = error.smtp_error
        return _answer(error.smtp_code, said if isinstance(said, bytes) else said.encode())
    return _short((isinstance(error, OSError) and error.strerror) or str(error) or "no answer")


def _short(text: str) -> str:
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return line[:_LONGEST_REASON]
