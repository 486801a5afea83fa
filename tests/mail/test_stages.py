"""A mail server that fails at any stage of RFC 5321: nobody has the mail, and the next run sends.

The other end is aiosmtpd, on loopback, with TLS and login.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.nights.mail_server import Authority, DictOutbox, Mailbox, letter, mail, serve

from rowcall.mail.message import deliver

READER = "planner@ondravel.example"


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


# (the server's answers by command, "" for its greeting; state of the mail then; words said).
# The first greeting is the test's own look whether the server is up; of two logins each is tried.
STAGES = [
    ({"": ["554 no service"] * 2}, "waiting", "cannot be used (554 no service"),
    ({"EHLO": ["421 closing"], "HELO": ["421 closing"]}, "waiting", "cannot be used"),
    ({"STARTTLS": ["454 TLS not available"]}, "waiting", "454 TLS not available"),
    ({"AUTH": ["454 try later"] * 2}, "waiting", "refused the login (code 454)"),
    ({"MAIL": ["451 greylisted"]}, "refused", "451 greylisted"),
    ({"RCPT": ["450 greylisted"]}, "refused", "450 greylisted"),
    ({"RCPT": ["550 no such mailbox"]}, "refused", "550 no such mailbox"),
    ({"DATA": ["421 closing"]}, "refused", "421 closing"),
]


@pytest.mark.parametrize(
    ("answers", "state", "said"), STAGES, ids=[f"{stage[0]}" for stage in STAGES]
)
def test_a_failure_at_any_stage_is_said_and_mended_by_the_next_run(
    authority: Authority, answers: dict[str, list[str]], state: str, said: str
) -> None:
    box, outbox = Mailbox(answers={verb: [*lines] for verb, lines in answers.items()}), DictOutbox()
    with serve(box, authority, "starttls") as port:
        settings = mail(port, to=[READER])
        first = deliver(outbox, settings, letter(), authority.environment())
        assert (first.waiting, outbox.all_states()) == ((READER,), [state])
        assert said in first.messages[0]
        assert bool(first.down) == (state == "waiting")
        second = deliver(outbox, settings, letter(), authority.environment())
    assert second.sent == (READER,)
    assert box.copies(READER) == 1


def test_one_reader_greylisted_gets_it_later_and_the_other_no_second_copy(
    authority: Authority,
) -> None:
    box, outbox = Mailbox(answers={"RCPT": ["450 greylisted"]}), DictOutbox()
    with serve(box, authority, "starttls") as port:
        settings = mail(port)
        first = deliver(outbox, settings, letter(), authority.environment())
        second = deliver(outbox, settings, letter(), authority.environment())
    assert (first.waiting, second.sent) == ((READER,), (READER,))
    assert [box.copies(to) for to in settings.to] == [1, 1]


def test_a_server_that_is_down_is_not_asked_for_the_next_letter(authority: Authority) -> None:
    box, outbox = Mailbox(), DictOutbox()
    with serve(box, authority, "starttls") as port:
        done = deliver(outbox, mail(port), letter(), authority.environment(), "It is down.")
    assert box.got == []
    assert done.down == "It is down."
    assert outbox.all_states() == ["waiting", "waiting"]


def test_the_password_comes_from_a_file_that_only_its_owner_may_read(
    authority: Authority, tmp_path: Path
) -> None:
    secret, box, outbox = tmp_path / "mail.password", Mailbox(), DictOutbox()
    secret.write_text("s3cret-w0rd\n")
    environment = {"ROWCALL_SMTP_CA": authority.file}
    with serve(box, authority, "starttls") as port:
        settings = mail(port, to=[READER], user="rowcall", password_file=secret)
        for mode in (0o640, 0o604, 0o620):
            secret.chmod(mode)
            refused = deliver(outbox, settings, letter(), environment)
            assert f"permissions {mode:o}" in refused.messages[0]
            assert f"chmod 600 '{secret}'" in refused.messages[0]
            assert "s3cret" not in refused.messages[0]
        secret.chmod(0o600)
        assert deliver(outbox, settings, letter(), environment).sent == (READER,)
    secret.unlink()
    missing = deliver(DictOutbox(), settings, letter(), environment)
    assert "cannot be read (No such file" in missing.messages[0]
