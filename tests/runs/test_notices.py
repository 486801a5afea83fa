"""Silence is a fault: each trouble of a night is said in the report and by mail, and once only."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from contextlib import contextmanager
from datetime import timedelta
from pathlib import Path
from typing import Any

import pytest
from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.night_runs import READERS, names, night, with_mail
from helpers.nights.small_plant import DAYS, MORNING, copy_plant

from rowcall.cli import main
from rowcall.runs.notices import Night, notices_of
from rowcall.runs.result import RunResult
from rowcall.site import Role, Sample, Tag

pytestmark = pytest.mark.sparse_days
TITLE = "Trouble in the night of this report"
DAY = timedelta(days=1)


NOTHING: dict[str, Any] = {
    "inbox_problem": "",
    "newest": DAYS[2],
    "yesterday": DAYS[2],
    "refused": (),
    "work_log": (),
    "aside": (),
    "missing": (),
    "strangers": (),
    "without_report": (),
    "mails_unsure": {},
}


class Nights:
    """A plant whose exports come night by night, and its readers' mails."""

    def __init__(self, made: Path, plant: Path, box: Mailbox, port: int) -> None:
        self.made, self.plant, self.box, self.port, self.n_nights = made, plant, box, port, 0

    def go_on_from(self, other: Nights) -> Nights:
        """Begin where another plant's nights are over."""
        shutil.copytree(other.plant, self.plant, dirs_exist_ok=True)
        edit_site(self.plant, f"port = {other.port}\n", f"port = {self.port}\n")
        self.box.got[:], self.n_nights = other.box.got, other.n_nights
        return self

    def next(self, *, export: bool = True) -> RunResult:
        """Run the next night, the first one on the morning after the first day."""
        if export and self.n_nights < len(DAYS):
            source = sorted((self.made / "inbox").iterdir())[self.n_nights]
            shutil.copy(source, self.plant / "inbox" / source.name)
        self.n_nights += 1
        return self.again()

    def again(self) -> RunResult:
        """Run the same night once more."""
        return night(self.plant, now=MORNING + (self.n_nights - len(DAYS)) * DAY)

    def first_lines(self, day: int) -> str:
        """Return what a day's report says before what it judges; empty where nothing is amiss."""
        name = DAYS[day].isoformat()
        text = (self.plant / "reports" / name / f"rowcall-{name}.md").read_text(encoding="utf-8")
        title, first, notices = text.split("\n\n")[:3]
        assert title.startswith("# ")
        return notices if TITLE in first else ""

    def short_mails(self) -> list[str]:
        """Return the text of each mail of notices alone, after a look at who got it."""
        n_mails = [self.box.copies(reader, "trouble") for reader in READERS]
        mails = [mail for mail in self.box.messages() if "trouble" in str(mail["Subject"])]
        assert n_mails == [len(mails)] * len(READERS)
        bodies = [mail.get_body(("plain",)) for mail in mails]
        return [" ".join(body.get_content().split()) for body in bodies if body is not None]


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@contextmanager
def beginning(made: Path, folder: Path, authority: Authority) -> Iterator[Nights]:
    box = Mailbox()
    with pytest.MonkeyPatch.context() as patch, serve(box, authority, "starttls") as port:
        for name, value in authority.environment().items():
            patch.setenv(name, value)
        yield Nights(made, with_mail(copy_plant(made, folder, days=0), port), box, port)


@pytest.fixture
def nights(made: Path, tmp_path: Path, authority: Authority) -> Iterator[Nights]:
    with beginning(made, tmp_path / "plant", authority) as begun:
        yield begun


@pytest.fixture(scope="module")
def one_night(
    made: Path, authority: Authority, tmp_path_factory: pytest.TempPathFactory
) -> Iterator[Nights]:
    """A quiet first night, from which tests go on."""
    with beginning(made, tmp_path_factory.mktemp("one") / "plant", authority) as begun:
        begun.next()
        yield begun


@pytest.fixture(scope="module")
def two_nights(
    made: Path,
    authority: Authority,
    one_night: Nights,
    tmp_path_factory: pytest.TempPathFactory,
) -> Iterator[Nights]:
    with beginning(made, tmp_path_factory.mktemp("two") / "plant", authority) as begun:
        begun.go_on_from(one_night).next()
        yield begun


def test_a_quiet_night_mails_nothing_but_its_report(nights: Nights) -> None:
    for number in range(2):
        assert nights.next().notices == []
        assert nights.first_lines(number) == ""
    assert [nights.box.copies(reader) for reader in READERS] == [2, 2]
    assert nights.short_mails() == []


def test_exports_that_stop_are_mailed_once_and_again_after_a_week(
    nights: Nights, one_night: Nights
) -> None:
    nights.go_on_from(one_night)
    said = [nights.next(export=False) for _ in range(9)]
    assert all(names(one) == [] for one in said)
    assert {text for one in said for text in one.notices} == {
        "No data newer than 2026-03-28 has arrived: check the export job of the historian, and "
        "that its files reach the inbox."
    }
    mails = nights.short_mails()
    assert len(mails) == 2
    assert all("No data newer than 2026-03-28" in mail for mail in mails)


def test_exports_that_stop_again_are_mailed_again(nights: Nights, one_night: Nights) -> None:
    nights.go_on_from(one_night)
    nights.next(export=False)
    nights.next()  # brings the last day only
    nights.next(export=False)
    nights.next(export=False)
    assert [mail.count("No data newer than") for mail in nights.short_mails()] == [1, 1]
    assert "No data newer than 2026-03-30" in nights.short_mails()[1]


def test_late_exports_are_said_by_the_report_alone(nights: Nights) -> None:
    nights.n_nights = 1  # the first day comes a night late
    shutil.copy(min((nights.made / "inbox").iterdir()), nights.plant / "inbox")
    assert nights.next(export=False).notices
    assert "No data newer than 2026-03-28" in nights.first_lines(0)
    nights.again()
    assert nights.short_mails() == []


def test_nothing_ever_taken_in_is_mailed(nights: Nights) -> None:
    assert "No sample has been taken in yet" in " ".join(nights.next(export=False).notices)
    assert "No sample has been taken in yet" in nights.short_mails()[0]


def test_an_inbox_that_is_gone_is_mailed_each_time_it_goes(
    nights: Nights, one_night: Nights
) -> None:
    nights.go_on_from(one_night)
    inbox, away = nights.plant / "inbox", nights.plant / "away"
    for _ in range(2):
        inbox.rename(away)
        assert any("inbox folder does not exist" in text for text in nights.again().notices)
        nights.again()
        away.rename(inbox)
        nights.next()
    mails = nights.short_mails()
    # One a day: the second time is on another day.
    assert [mail.count("the inbox folder does not exist; nothing was") for mail in mails] == [1, 1]


def test_a_refused_file_is_said_until_it_is_gone_and_mailed_when_it_changes(
    nights: Nights,
) -> None:
    torn = nights.plant / "inbox" / "torn.parquet"
    torn.write_bytes(b"PAR1 and then nothing")
    nights.next()
    assert "Refused, nothing of it was taken in: torn.parquet: " in nights.first_lines(0)
    nights.again()
    assert nights.short_mails() == []
    nights.next()
    assert "torn.parquet" in nights.first_lines(1)
    torn.write_bytes(b"")
    nights.again()
    (mail,) = nights.short_mails()
    assert "torn.parquet: the file is empty" in mail
    torn.unlink()
    assert nights.next().notices == []
    assert nights.first_lines(2) == ""


def test_many_rows_set_aside_are_said_with_their_reason(nights: Nights) -> None:
    lines = [f"2026-03-28T10:00:{second:02d}Z,F1.NEW,1" for second in range(57)]
    few = [*lines, "2026-03-28T10:01:00Z,F1.NEW,twelve"]
    odd = [*few, "2026-03-28T10:01:01Z,F1.NEW,x", "soon,F1.NEW,2"]
    whole = [line.replace("10:00", f"{hour}:00") for hour in (11, 12) for line in lines]
    for name, rows in (("few", few + whole), ("odd", odd)):
        text = "\n".join(["time,tag,value", *rows]) + "\n"
        (nights.plant / "inbox" / f"{name}.csv").write_text(text, encoding="utf-8")
    (said,) = nights.next().notices
    assert said.startswith("3 of 60 rows of odd.csv were set aside, most for: the value is neith")
    assert said.endswith('"rowcall set-aside --file odd.csv" lists them.')
    assert "3 of 60 rows of odd.csv" in nights.first_lines(0)
    assert nights.next().notices == []


def test_unknown_tags_that_the_site_file_has_set_aside_are_no_trouble(nights: Nights) -> None:
    edit_site(nights.plant, "[mail]", '[take_in]\nunknown_tags = "set aside"\n[mail]')
    (nights.plant / "inbox" / "more.csv").write_text(
        "time,tag,value\n2026-03-28T10:00:01Z,F1.NEW,1\n2026-03-28T10:00:01Z,F1.PDT-100,900\n",
        encoding="utf-8",
    )
    assert nights.next().notices == []


def test_a_tag_that_the_exports_lack_is_said_with_the_one_like_it(nights: Nights) -> None:
    site = (nights.plant / "site.toml").read_text(encoding="utf-8")
    edit_site(nights.plant, '"F1.PDT-100"', '"F1.PDT_100"')
    (said,) = nights.next().notices
    assert said == (
        "Tag F1.PDT_100 is not in the exports; they have F1.PDT-100: correct it in the site file, "
        "or have the historian export it."
    )
    assert "they have F1.PDT-100" in nights.first_lines(0)
    nights.again()
    nights.next()
    assert nights.short_mails() == []
    (nights.plant / "site.toml").write_text(site, encoding="utf-8")
    assert nights.again().notices == []


def test_a_tag_that_stopped_days_ago_is_missing_and_one_on_change_is_not(
    nights: Nights,
) -> None:
    """The exports of the last three days count, not those of the past."""
    late = (DAYS[0] + 3 * DAY).isoformat()
    nights.next()
    nights.n_nights = 4
    rows = f"time,tag,value\n{late}T10:00:00Z,F1.PDT-100,900\n"
    (nights.plant / "inbox" / "late.csv").write_text(rows, encoding="utf-8")
    said = " ".join(nights.again().notices)
    assert "Tag F1.FT-101 is not in the exports" in said
    assert said.endswith(
        "3 more tags of the site file are not in the exports: F1.TT-106, F1.TT-107, F1.PT-110."
    )
    assert "F1.PDT-100" not in said
    assert "F1.YS" not in said


def test_a_new_store_beside_reports_is_said_on_two_nights(
    nights: Nights, one_night: Nights
) -> None:
    nights.go_on_from(one_night)
    (nights.plant / "rowcall.duckdb").unlink()
    nights.next()
    assert "The store rowcall.duckdb is new, though reports holds" in nights.first_lines(1)
    assert "is new" in " ".join(nights.again().notices)
    nights.next()
    assert "is new" in nights.first_lines(2)
    assert "is new" not in " ".join(nights.next().notices)
    assert all("is new" not in mail for mail in nights.short_mails())


def test_a_new_store_is_said_also_where_its_first_run_is_killed(
    nights: Nights, one_night: Nights, monkeypatch: pytest.MonkeyPatch
) -> None:
    nights.go_on_from(one_night)
    (nights.plant / "rowcall.duckdb").unlink()

    def fail(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("rowcall.runs.record.save_day", fail)
        with pytest.raises(KeyboardInterrupt):
            nights.next()
    nights.again()
    assert "The store rowcall.duckdb is new" in nights.first_lines(1)


def test_a_report_folder_that_is_gone_is_said_on_two_nights_and_mailed_once(
    nights: Nights,
    two_nights: Nights,
) -> None:
    nights.go_on_from(two_nights)
    shutil.rmtree(nights.plant / "reports" / DAYS[0].isoformat())
    nights.again()
    (mail,) = nights.short_mails()
    assert "The report folder of 2026-03-28 is gone" in mail
    assert "rowcall rejudge --from 2026-03-28 --to 2026-03-28" in mail
    nights.next()
    assert "The report folder of 2026-03-28 is gone" in nights.first_lines(2)
    assert "report folder" not in " ".join(nights.next().notices)
    assert ["report folder" in mail for mail in nights.short_mails()] == [True, False]


def test_a_report_that_was_written_again_is_not_said_to_be_gone(
    nights: Nights, two_nights: Nights
) -> None:
    nights.go_on_from(two_nights)
    shutil.rmtree(nights.plant / "reports" / DAYS[0].isoformat())
    assert "is gone" in " ".join(nights.again().notices)
    site = str(nights.plant / "site.toml")
    assert main(["rejudge", "--site", site, "--from", f"{DAYS[0]}", "--to", f"{DAYS[0]}"]) == 0
    assert nights.next().notices == []


def test_a_mail_that_may_be_lost_is_said_on_two_nights(nights: Nights) -> None:
    nights.box.drop_after_data = True
    nights.next()
    nights.box.drop_after_data = False
    unsure = "Whether the report of 2026-03-28 reached"
    for day in (1, 2):
        nights.next()
        assert unsure in nights.first_lines(day)
    assert unsure not in " ".join(nights.next().notices)


def test_a_day_that_rowcall_fails_to_report_is_mailed(
    nights: Nights, monkeypatch: pytest.MonkeyPatch
) -> None:
    def fail(*_: object) -> str:
        raise ZeroDivisionError("of the test")

    with monkeypatch.context() as patch:
        patch.setattr("rowcall_reports.write.write_pages", fail)
        nights.next()
    (mail,) = nights.short_mails()
    assert "2026-03-28, day: could not be reported: an error of rowcall, reference" in mail
    nights.next()
    assert "2026-03-28, day: could not be reported" in nights.first_lines(1)
    assert nights.next().notices == []
    assert len(nights.short_mails()) == 1


def test_notices_wait_for_a_mail_server_that_is_down(nights: Nights, one_night: Nights) -> None:
    nights.go_on_from(one_night)
    nights.box.refuse = set(READERS)
    assert any("The notice of 2026-03-30" in text for text in nights.next(export=False).not_mailed)
    nights.box.refuse = set()
    assert nights.next(export=False).not_mailed == []
    nights.next(export=False)
    assert len(nights.short_mails()) == 1


def test_notices_refused_for_one_reader_reach_that_one_by_the_next_run(
    nights: Nights, one_night: Nights
) -> None:
    nights.go_on_from(one_night)
    nights.box.refuse = {READERS[1]}
    assert any(READERS[1] in text for text in nights.next(export=False).not_mailed)
    assert any(READERS[1] in text for text in nights.next(export=False).not_mailed)
    nights.box.refuse = set()
    assert nights.again().not_mailed == []
    nights.next(export=False)
    assert [nights.box.copies(reader, "trouble") for reader in READERS] == [1, 1]


def test_of_many_refused_files_five_have_a_sentence_and_twenty_more_a_name() -> None:
    refused = [f"{number:02d}.csv: it is odd\nand more" for number in range(30)]
    said = notices_of(Night(**{**NOTHING, "refused": refused}))
    assert [one.text for one in said[:5]] == [
        f"Refused, nothing of it was taken in: {number:02d}.csv: it is odd" for number in range(5)
    ]
    named = ", ".join(f"{number:02d}.csv" for number in range(5, 25))
    assert [one.text for one in said[5:]] == [f"25 more files were refused: {named}, ..."]


def test_a_tag_on_change_that_never_came_may_have_kept_its_value() -> None:
    tag = Tag(role=Role.CLEANING_ON, tag="F1.CLEAN", unit="1", sample=Sample.ON_CHANGE)
    (alone,) = notices_of(Night(**{**NOTHING, "missing": [tag]}))
    assert "unless it has never changed, correct it" in alone.text
    (alike,) = notices_of(Night(**{**NOTHING, "missing": [tag], "strangers": ["F1_CLEAN", "X"]}))
    assert "they have F1_CLEAN: correct it" in alike.text


def edit_site(plant: Path, before: str, after: str) -> None:
    site = plant / "site.toml"
    text = site.read_text(encoding="utf-8")
    assert before in text
    site.write_text(text.replace(before, after, 1), encoding="utf-8")
