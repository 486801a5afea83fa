"""Who gets what of a day: by baghouse, by urgency, on quiet days, once, and by a weekly digest."""

from __future__ import annotations

import os
from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

import pytest
from aiosmtpd.smtp import Envelope
from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.night_runs import with_mail
from helpers.nights.small_plant import ZONE

from rowcall.cli import Exit, main
from rowcall.mail.day_mail import DAY_MAIL, DayMail, to_json
from rowcall.mail.notice import Notice
from rowcall.runs.mailing.by_hand import dry_run, mail_waiting
from rowcall.runs.mailing.post import mail_night
from rowcall.site_file import read_site
from rowcall.store import Store
from rowcall.store.nights.said import mails_given_up

ALL, KILN = "maintenance@plant.example", "kiln@plant.example"
MONDAY = date(2026, 11, 23)
NOTICE = Notice("exports", "No data has come.", first_said=MONDAY, last_said=MONDAY)
PNG = b"\x89PNG\r\n\x1a\n"
SITE = f"""
[plant]
name = "Ondravel Lime"
time_zone = "{ZONE}"
[[baghouse]]
id = "BH1"
name = "Kiln"
compartments = 1
rows_per_compartment = 2
[baghouse.cleaning]
mode = "on_time"
interval = "30 s"
[[baghouse]]
id = "BH2"
name = "Mill"
compartments = 1
rows_per_compartment = 2
[baghouse.cleaning]
mode = "on_time"
interval = "30 s"
"""


@dataclass
class Plant:
    """A plant of which days were judged: its folder, mail server and store."""

    folder: Path
    box: Mailbox
    port: int
    environment: dict[str, str]
    store: Store
    lacking: list[str] = field(default_factory=list)

    def site(self, reader: str = "") -> None:
        """Write the site file with one reader besides those of every report."""
        (self.folder / "site.toml").write_text(SITE, encoding="utf-8")
        table = f'[[mail.reader]]\nto = "{KILN}"\n{reader}' if reader else ""
        with_mail(self.folder, self.port, more=table)

    def judge(self, day: date, pressing: str | None, revision: int = 1, png: bytes = PNG) -> None:
        """Enter a judged day with its report."""
        folder = self.folder / "reports" / day.isoformat()
        folder.mkdir(parents=True, exist_ok=True)
        names = ("rows-BH1.png", "rows-BH2.png")
        for name in names:
            (folder / name).write_bytes(png)
        everything = DayMail(
            baghouses=(),
            subject=f"All of {day}",
            pressing=pressing,
            line=f"{day}: nothing new.",
            markdown="# Both\n\n" + "".join(f"![rows]({name})\n\n" for name in names),
            pictures=names,
        )
        kiln = replace(everything, baghouses=("BH1",), subject=f"BH1 of {day}")
        (folder / DAY_MAIL).write_text(to_json([everything, kiln]), encoding="utf-8")
        self.store.connection.execute(
            "INSERT INTO judged VALUES (?, 1, 'x', ?, ?, true)",
            [day, datetime(2026, 11, 24), revision],
        )

    def night(self, day: date, notices: tuple[Notice, ...] = ()) -> None:
        """Mail as on the morning of a day."""
        site, now = read_site(self.folder / "site.toml"), at(day)
        self.lacking = mail_night(self.store, site, now, notices, self.environment, lambda _: None)

    def last_to(self, reader: str) -> Envelope:
        """Return the last mail of a reader."""
        return [envelope for envelope in self.box.got if reader in envelope.rcpt_tos][-1]

    def got(self, reader: str) -> list[str]:
        """Return the subjects of the mails that a reader has."""
        mails = zip(self.box.got, self.box.messages(), strict=True)
        return [str(mail["Subject"]) for to, mail in mails if reader in to.rcpt_tos]


def at(day: date) -> datetime:
    return datetime(day.year, day.month, day.day, 4, 30, tzinfo=UTC)


def after(n: int) -> date:
    return MONDAY + timedelta(days=n)


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture
def plant(tmp_path: Path, authority: Authority) -> Iterator[Plant]:
    box = Mailbox()
    with (
        serve(box, authority, "starttls") as port,
        Store.open(tmp_path / "rowcall.duckdb") as store,
    ):
        yield Plant(tmp_path, box, port, authority.environment(), store)


def test_a_reader_of_one_baghouse_gets_its_part_and_the_others_all(plant: Plant) -> None:
    plant.site('baghouses = ["BH1"]')
    plant.judge(MONDAY, "now")
    for _ in range(2):
        plant.night(after(1))
    assert plant.got(KILN) == [f"BH1 of {MONDAY}"]
    assert plant.got(ALL) == [f"All of {MONDAY}"]


@pytest.mark.parametrize(
    ("reader", "pressing", "subjects"),
    [
        ('from_urgency = "next outage"', "now", [f"All of {MONDAY}"]),
        ('from_urgency = "next outage"', "next outage", [f"All of {MONDAY}"]),
        ('from_urgency = "next outage"', "watch", []),
        ('from_urgency = "now"\nquiet = "line"', "watch", ["Nothing new - Ondravel Lime, 23 Nov"]),
        ('quiet = "nothing"', "watch", [f"All of {MONDAY}"]),
        ('quiet = "nothing"', None, []),
        ('quiet = "report"', None, [f"All of {MONDAY}"]),
    ],
)
def test_a_quiet_day_is_mailed_as_the_reader_wants(
    plant: Plant, reader: str, pressing: str | None, subjects: list[str]
) -> None:
    plant.site(reader)
    plant.judge(MONDAY, pressing)
    for n in (1, 2):
        plant.night(after(n))
    assert plant.got(KILN) == subjects
    assert plant.got(ALL) == [f"All of {MONDAY}"]


def test_who_had_a_report_gets_its_next_revision_also_when_it_is_quiet(plant: Plant) -> None:
    plant.site('quiet = "nothing"')
    plant.judge(MONDAY, "now")
    plant.night(after(1))
    plant.judge(MONDAY, None, revision=2)
    plant.night(after(1))
    assert plant.got(KILN) == [f"All of {MONDAY}"] * 2


def test_quiet_days_come_in_one_mail_on_the_weekday_named(plant: Plant) -> None:
    plant.site('quiet = "digest"\ndigest_on = "thursday"')
    for n, pressing in enumerate([None, "watch", None, None]):  # of Monday to Thursday
        plant.judge(after(n), pressing)
        plant.night(after(n + 1))
    assert plant.got(KILN) == [
        f"All of {after(1)}",
        "Nothing new, 23 Nov to 25 Nov - Ondravel Lime",
    ]
    digest = plant.box.messages()[plant.box.got.index(plant.last_to(KILN))]
    body = digest.get_body(("plain",))
    assert body is not None
    assert [f"{after(n)}: nothing new." in body.get_content() for n in range(4)] == [
        *(True, False, True, False)
    ]
    for n in range(6):  # Friday to Wednesday; the next Thursday is missed
        plant.night(after(4 + n))
    plant.night(after(11))
    assert plant.got(KILN)[2:] == ["Nothing new, 26 Nov - Ondravel Lime"]
    assert len(plant.got(ALL)) == 4


def test_a_digest_that_was_refused_goes_out_later_once(plant: Plant) -> None:
    plant.site('quiet = "digest"')
    plant.judge(MONDAY, None)
    plant.judge(after(1), None)
    plant.box.refuse = {KILN}
    plant.night(after(7))
    plant.box.refuse = set()
    for n in (8, 9):
        plant.night(after(n))
    assert plant.got(KILN) == ["Nothing new, 23 Nov to 24 Nov - Ondravel Lime"]


def test_a_refused_mail_waits_for_its_turn_and_is_said_when_given_up(plant: Plant) -> None:
    plant.site()
    plant.judge(MONDAY, "now")
    plant.box.refuse = {ALL}
    said = []
    for n in range(1, 20):
        plant.night(after(n))
        said.append(" ".join(plant.lacking))
    assert [
        n for n, text in enumerate(said, start=1) if "refused for" in text and "; it" in text
    ] == [*(1, 2, 3, 5, 9, 16)]
    assert f"(550 no such mailbox) and waits until {after(5)}." in said[4 - 1]
    assert said[16 - 1].endswith("it is given up.")
    assert said[16:] == ["", "", ""]
    (text,) = mails_given_up(plant.store, at(after(10)))
    assert f"The report of {MONDAY} could not be mailed to {ALL} in 14 days" in text
    assert "550 no such mailbox" in text
    plant.box.refuse = set()
    plant.night(after(20))
    assert plant.got(ALL) == []
    plant.store.close()
    site = read_site(plant.folder / "site.toml")
    assert mail_waiting(site, at(after(20)), 0.0, plant.environment, lambda _: None) == []
    assert plant.got(ALL) == [f"All of {MONDAY}"]


def test_after_a_long_outage_of_the_server_everything_goes_out_once(plant: Plant) -> None:
    plant.site()
    right, plant.port = plant.port, 1  # nobody listens there
    plant.site()
    days = [after(n) for n in (0, 6, 10)]
    for day in days:
        plant.judge(day, "now")
        plant.night(day + timedelta(days=1))
        assert "cannot be used" in plant.lacking[0]
    plant.port = right
    plant.site()
    plant.night(after(12))
    assert plant.got(ALL) == [f"All of {day}" for day in days]


def test_a_notice_refused_for_one_reader_comes_again_to_him_alone(plant: Plant) -> None:
    plant.site()
    other = "planner@plant.example"
    notice = replace(NOTICE, first_said=after(1), last_said=after(1))
    plant.box.refuse = {other}
    plant.night(after(1), notices=(notice,))
    plant.box.refuse = set()
    kept = replace(notice, mailed=after(1), last_said=after(2))
    for n in (2, 3):
        plant.night(after(n), notices=(kept,))
    assert [len(plant.got(to)) for to in (ALL, other)] == [1, 1]


def test_pictures_beyond_a_megabyte_are_left_out_from_the_last_and_named(plant: Plant) -> None:
    plant.site()
    plant.judge(MONDAY, "now", png=os.urandom(500_000))
    plant.night(after(1))
    (message,) = plant.box.messages()
    content = plant.box.got[0].content
    assert isinstance(content, bytes)
    assert len(content) <= 1_000_000
    pictures = [part.get_filename() for part in message.walk() if part.get_filename()]
    assert pictures == ["rows-BH1.png"]
    for kind in ("plain", "html"):
        body = message.get_body((kind,))
        assert body is not None
        assert "a mail holds 1 MB at most: rows-BH2.png" in body.get_content()


@pytest.mark.parametrize("content", [b"[{", b'[{"subject": "x"}]', b"{}[", b"\xff"])
def test_a_day_whose_file_was_changed_is_said_with_the_way_out(
    plant: Plant, content: bytes
) -> None:
    plant.site()
    plant.judge(MONDAY, "now")
    (plant.folder / "reports" / MONDAY.isoformat() / DAY_MAIL).write_bytes(content)
    plant.night(after(1))
    (said,) = plant.lacking
    assert "mail.json is not as rowcall wrote it" in said
    assert f'"rowcall rejudge --from {MONDAY} --to {MONDAY}" writes it again' in said


def test_a_dry_run_says_who_gets_what_and_why_and_sends_nothing(plant: Plant) -> None:
    plant.site('quiet = "nothing"\nbaghouses = ["BH2"]')
    plant.judge(MONDAY, None)
    site = read_site(plant.folder / "site.toml")
    plant.store.close()
    lines = list(dry_run(site, at(after(1)), 0.0, lambda _: None))
    assert len(lines) == 2
    assert lines[0].startswith(
        f'{ALL}, planner@plant.example: report of {MONDAY}, "All of {MONDAY}" (nothing new): '
        "text, page and 2 pictures, "
    )
    assert lines[1] == f"{KILN}: nothing of {MONDAY}: quiet day"
    assert plant.box.got == []
    with Store.open(plant.store.path) as plant.store:
        plant.night(after(1))
    lines = list(dry_run(site, at(after(1)), 0.0, lambda _: None))
    assert [line.partition(": ")[2] for line in lines] == [
        "nothing; no report of the last 7 days is lacking"
    ] * 3


def test_a_test_mail_reaches_each_reader_and_says_the_answers(
    plant: Plant, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    plant.site('baghouses = ["BH1"]')
    plant.box.refuse = {ALL}
    for name, value in plant.environment.items():
        monkeypatch.setenv(name, value)
    command = ["mail", "--test", "--site", str(plant.folder / "site.toml")]
    assert main(command) == Exit.NOT_MAILED
    lines = capsys.readouterr().out.splitlines()
    assert lines[0] == f"{ALL}: not taken (550 no such mailbox)"
    assert lines[2] == f"{KILN}: taken (250 taken)"
    assert plant.got(KILN) == ["Test of the baghouse check-up's mail - Ondravel Lime"]
    plant.box.refuse = set()
    assert main(command) == Exit.DONE
