"""Mailing against a real SMTP server: everyone gets the report, nobody gets it twice."""

from __future__ import annotations

import logging
from pathlib import Path

import pytest
from helpers.nights.mail_server import (
    DAY,
    LOGIN,
    Authority,
    DictOutbox,
    Mailbox,
    letter,
    mail,
    serve,
)

from rowcall.errors import MailError
from rowcall.mail.login import PASSWORD, USER
from rowcall.mail.message import compose, deliver
from rowcall.mail.smtp import CA_FILE, send

PLANNER, MECHANIC = "planner@ondravel.example", "mechanic@ondravel.example"
BOTH = [PLANNER, MECHANIC]
# The server of the tests means plain connections; within implicit TLS there are none.
pytestmark = pytest.mark.filterwarnings("ignore:Requiring AUTH")


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(params=["starttls", "tls"])
def security(request: pytest.FixtureRequest) -> str:
    return str(request.param)


def test_report_reaches_everyone_once(authority: Authority, security: str) -> None:
    box, outbox = Mailbox(), DictOutbox()
    with serve(box, authority, security) as port:
        settings = mail(port, security)
        first = deliver(outbox, settings, letter(), authority.environment())
        again = deliver(outbox, settings, letter(), authority.environment())
    assert first.sent == (PLANNER, MECHANIC)
    assert first.messages == (f"The report of {DAY} was mailed to {PLANNER}, {MECHANIC}.",)
    assert again.sent == again.waiting == again.unknown == again.messages == ()
    assert [box.copies(who) for who in BOTH] == [1, 1]
    body = box.messages()[0].get_body(("plain",))
    assert body is not None
    assert body.get_content().replace("\r\n", "\n") == letter().markdown


def test_wrong_password_waits_and_is_not_told(
    authority: Authority, security: str, caplog: pytest.LogCaptureFixture
) -> None:
    box, outbox = Mailbox(), DictOutbox()
    caplog.set_level(logging.DEBUG)
    with serve(box, authority, security) as port:
        wrong = authority.environment(**{PASSWORD: "other-w0rd"})
        delivery = deliver(outbox, mail(port, security), letter(), wrong)
        assert outbox.all_states() == ["waiting", "waiting"]
        assert delivery.waiting == (PLANNER, MECHANIC)
        told = " ".join(delivery.messages) + caplog.text
        assert "refused the login (code 535)" in told
        assert "other-w0rd" not in told
        deliver(outbox, mail(port, security), letter(), authority.environment())
    assert [box.copies(who) for who in BOTH] == [1, 1]


def test_server_down_then_up(authority: Authority, security: str) -> None:
    box, outbox = Mailbox(), DictOutbox()
    with serve(Mailbox(), authority, security) as port:
        pass
    down = deliver(outbox, mail(port, security), letter(), authority.environment())
    assert down.waiting == (PLANNER, MECHANIC)
    assert "waits for the next run" in down.messages[0]
    with serve(box, authority, security, port):
        up = deliver(outbox, mail(port, security), letter(), authority.environment())
    assert up.sent == (PLANNER, MECHANIC)
    assert [box.copies(who) for who in BOTH] == [1, 1]


def test_refused_recipient_is_tried_again_alone(authority: Authority, security: str) -> None:
    box, outbox = Mailbox(refuse={MECHANIC}), DictOutbox()
    with serve(box, authority, security) as port:
        settings = mail(port, security)
        first = deliver(outbox, settings, letter(), authority.environment())
        assert (first.sent, first.waiting) == ((PLANNER,), (MECHANIC,))
        assert f"refused for {MECHANIC} (550 no such mailbox)" in first.messages[1]
        box.refuse = set()
        second = deliver(outbox, settings, letter(), authority.environment())
    assert second.sent == (MECHANIC,)
    assert [box.copies(who) for who in BOTH] == [1, 1]
    first_id, second_id = (message["Message-ID"] for message in box.messages())
    assert first_id == second_id


def test_mail_refused_as_a_whole_waits(authority: Authority) -> None:
    box, outbox = Mailbox(data_answer="452 out of space"), DictOutbox()
    with serve(box, authority, "starttls") as port:
        first = deliver(outbox, mail(port), letter(), authority.environment())
        assert first.waiting == (PLANNER, MECHANIC)
        box.data_answer = "250 taken"
        second = deliver(outbox, mail(port), letter(), authority.environment())
    assert second.sent == (PLANNER, MECHANIC)
    assert [box.copies(who) for who in BOTH] == [1, 1]


def test_connection_broken_after_data_is_not_sent_again(
    authority: Authority, security: str
) -> None:
    box, outbox = Mailbox(drop_after_data=True), DictOutbox()
    with serve(box, authority, security) as port:
        settings = mail(port, security)
        first = deliver(outbox, settings, letter(), authority.environment())
        assert first.unknown == (PLANNER, MECHANIC)
        assert "is not known" in first.messages[0]
        box.drop_after_data = False
        second = deliver(outbox, settings, letter(), authority.environment())
    assert second.sent == second.waiting == ()
    assert outbox.all_states() == ["unknown", "unknown"]
    assert [box.copies(who) for who in BOTH] == [1, 1]


def test_connection_broken_before_data_waits(authority: Authority) -> None:
    box, outbox = Mailbox(drop_at_rcpt=True), DictOutbox()
    with serve(box, authority, "starttls") as port:
        first = deliver(outbox, mail(port), letter(), authority.environment())
        assert first.waiting == (PLANNER, MECHANIC)
        assert "connection lost" in first.messages[0]
        box.drop_at_rcpt = False
        deliver(outbox, mail(port), letter(), authority.environment())
    assert [box.copies(who) for who in BOTH] == [1, 1]


def test_run_killed_after_the_mail_left_does_not_send_again(authority: Authority) -> None:
    box, outbox = Mailbox(), DictOutbox()
    outbox.killed_at = "sent"
    with serve(box, authority, "starttls") as port:
        with pytest.raises(KeyboardInterrupt):
            deliver(outbox, mail(port), letter(), authority.environment())
        assert outbox.all_states() == ["sending", "sending"]
        outbox.killed_at = None
        second = deliver(outbox, mail(port), letter(), authority.environment())
        third = deliver(outbox, mail(port), letter(), authority.environment())
    assert second.unknown == (PLANNER, MECHANIC)
    assert "not sent again by itself" in second.messages[0]
    assert third.messages == ()
    assert [box.copies(who) for who in BOTH] == [1, 1]


def test_run_killed_before_the_mail_left_sends_nothing(authority: Authority) -> None:
    box, outbox = Mailbox(), DictOutbox()
    outbox.killed_at = "sending"
    with serve(box, authority, "starttls") as port:
        with pytest.raises(KeyboardInterrupt):
            deliver(outbox, mail(port), letter(), authority.environment())
        outbox.killed_at = None
        second = deliver(outbox, mail(port), letter(), authority.environment())
    assert second.sent == (PLANNER, MECHANIC)
    assert [box.copies(who) for who in BOTH] == [1, 1]


def test_new_revision_goes_to_everyone_again(authority: Authority) -> None:
    box, outbox = Mailbox(), DictOutbox()
    with serve(box, authority, "starttls") as port:
        deliver(outbox, mail(port), letter(), authority.environment())
        deliver(outbox, mail(port), letter(revision=2), authority.environment())
    assert [box.copies(who) for who in BOTH] == [2, 2]


def test_recipient_named_twice_gets_one_copy(authority: Authority) -> None:
    box = Mailbox()
    with serve(box, authority, "starttls") as port:
        settings = mail(port, to=[PLANNER, f"Planner <{PLANNER}>"])
        deliver(DictOutbox(), settings, letter(), authority.environment())
    assert box.got[0].rcpt_tos == [PLANNER]


def test_stranger_s_certificate_is_not_trusted(authority: Authority, security: str) -> None:
    box = Mailbox()
    with serve(box, authority, security) as port:
        settings = mail(port, security)
        with pytest.raises(MailError, match=f"not trusted.*{CA_FILE}"):
            send(compose(settings, letter()), settings, BOTH, LOGIN)
        elsewhere = mail(port, security, host="127.0.0.1")
        with pytest.raises(MailError, match="not trusted"):
            send(compose(elsewhere, letter()), elsewhere, BOTH, authority.environment())
    assert box.got == []


def test_plain_port_taken_for_tls_is_a_plain_error(authority: Authority) -> None:
    with serve(Mailbox(), authority, "starttls") as port:
        settings = mail(port, "tls")
        with pytest.raises(MailError, match=r"No encrypted connection.*check port"):
            send(compose(settings, letter()), settings, BOTH, authority.environment())


def test_login_without_words_is_a_plain_error() -> None:
    settings = mail(25)
    with pytest.raises(MailError, match=f"set {USER} and {PASSWORD}"):
        send(compose(settings, letter()), settings, BOTH, {})


def test_password_outside_ascii_is_not_told(authority: Authority) -> None:
    with serve(Mailbox(), authority, "starttls") as port:
        settings = mail(port)
        secret = authority.environment(**{PASSWORD: "gehäim"})
        with pytest.raises(MailError, match="ASCII") as caught:
            send(compose(settings, letter()), settings, BOTH, secret)
    assert caught.value.__cause__ is None
    assert caught.value.__suppress_context__


def test_authority_file_that_is_none_is_a_plain_error(tmp_path: Path) -> None:
    (tmp_path / "ca.pem").write_text("no certificate")
    settings = mail(25)
    for path in ("ca.pem", "missing.pem"):
        environment = {**LOGIN, CA_FILE: str(tmp_path / path)}
        with pytest.raises(MailError, match=f"{CA_FILE} names .*{path}"):
            send(compose(settings, letter()), settings, BOTH, environment)
