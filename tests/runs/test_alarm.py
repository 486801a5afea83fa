"""A run that fails altogether is mailed: once a day and trouble, where anybody can be mailed."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path

import pytest
from filelock import FileLock
from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.night_runs import READERS, with_mail
from helpers.nights.small_plant import copy_plant

from rowcall.cli import Exit, main

pytestmark = pytest.mark.sparse_days


class Failing:
    """A plant whose site file is made wrong and right again, and its readers' mails."""

    def __init__(self, plant: Path, box: Mailbox) -> None:
        self.site, self.box = plant / "site.toml", box
        self.right = self.site.read_text(encoding="utf-8")

    def run(self, wrong: Callable[[str], str] = str) -> int:
        """Run the nightly job with a site file."""
        self.site.write_text(wrong(self.right), encoding="utf-8")
        return main(["nightly", "--site", str(self.site), "--wait", "0"])

    def mails(self) -> list[str]:
        """Return the text of each mail on a failed run, after a look at who got it."""
        mails = [mail for mail in self.box.messages() if "failed" in str(mail["Subject"])]
        n_mails = [self.box.copies(reader, "failed") for reader in READERS]
        assert n_mails == [len(mails)] * len(READERS)
        bodies = [mail.get_body(("plain",)) for mail in mails]
        return [" ".join(body.get_content().split()) for body in bodies if body is not None]


@pytest.fixture
def failing(
    made: Path,
    tmp_path: Path,
    tmp_path_factory: pytest.TempPathFactory,
    monkeypatch: pytest.MonkeyPatch,
) -> Iterator[Failing]:
    authority, box = Authority(tmp_path_factory.mktemp("authority")), Mailbox()
    for name, value in authority.environment().items():
        monkeypatch.setenv(name, value)
    with serve(box, authority, "starttls") as port:
        yield Failing(with_mail(copy_plant(made, tmp_path / "plant", days=0), port), box)


def unknown_key(text: str) -> str:
    return text.replace("[[baghouse]]", '[[baghouse]]\ncolour = "red"', 1)


def no_toml(text: str) -> str:
    return text.replace("[[baghouse]]", "[[baghouse]", 1)


def no_zone(text: str) -> str:
    return text.replace('"Europe/Vienna"', '"Europe/Viena"')


def lost_store(text: str) -> str:
    """A store whose folder is a file: neither it nor anything beside it can be written."""
    return text + '\n[folders]\nstore = "site.toml/rowcall.duckdb"\n'


@pytest.mark.parametrize(
    ("wrong", "said"),
    [
        (unknown_key, "colour: this key is not known here"),
        (no_toml, "this is not valid TOML"),
        (no_zone, "is not an IANA time zone"),
    ],
)
def test_a_wrong_site_file_is_mailed_once_a_day(
    failing: Failing, wrong: Callable[[str], str], said: str
) -> None:
    for _ in range(2):
        assert failing.run(wrong) == Exit.NOT_DONE
    (mail,) = failing.mails()
    assert said in mail
    assert "once a day for each kind of trouble" in mail


def test_a_failure_is_mailed_again_after_a_run_that_came_to_its_end(failing: Failing) -> None:
    failing.run(unknown_key)
    assert failing.run() == Exit.NOTICES
    assert not list(failing.site.parent.glob("*.failed-*"))
    failing.run(unknown_key)
    assert len(failing.mails()) == 2


def test_what_cannot_be_noted_is_mailed_by_each_run_and_says_so(failing: Failing) -> None:
    for _ in range(2):
        assert failing.run(lost_store) == Exit.NOT_DONE
    mails = failing.mails()
    assert len(mails) == 2
    assert all("could not be noted beside the store" in mail for mail in mails)


def test_a_failure_waits_for_a_mail_server_that_refuses(failing: Failing) -> None:
    failing.box.refuse = set(READERS)
    failing.run(unknown_key)
    assert failing.mails() == []
    failing.box.refuse = set()
    failing.run(unknown_key)
    assert len(failing.mails()) == 1


def test_only_the_reader_who_was_refused_gets_it_again(failing: Failing) -> None:
    failing.box.refuse = {READERS[1]}
    failing.run(unknown_key)
    failing.box.refuse = set()
    for _ in range(2):
        failing.run(unknown_key)
    assert [failing.box.copies(reader) for reader in READERS] == [1, 1]
    assert len(failing.box.messages()) == 2


def test_a_failure_of_rowcall_itself_is_mailed(
    failing: Failing, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object, **__: object) -> None:
        raise ZeroDivisionError("of the test")

    monkeypatch.setattr("rowcall.runs.nightly.run_nightly", fail)
    assert failing.run() == Exit.ROWCALL_FAILED
    (mail,) = failing.mails()
    assert "rowcall itself failed (ZeroDivisionError)" in mail


def test_a_run_that_gives_way_to_another_mails_nothing(failing: Failing) -> None:
    with FileLock(failing.site.parent / "rowcall.duckdb.lock"):
        assert failing.run() == Exit.BUSY
    assert failing.box.messages() == []
