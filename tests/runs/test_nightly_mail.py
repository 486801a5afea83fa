"""The nightly run mails its reports through a real SMTP server: once each, also after failure."""

from __future__ import annotations

from pathlib import Path

import polars as pl
import pytest
from helpers.nights.mail_server import Authority, Mailbox, serve
from helpers.nights.night_runs import READERS, night, with_mail
from helpers.nights.small_plant import MORNING, copy_plant

from rowcall_reports.page_links import without_links


@pytest.fixture(scope="module")
def authority(tmp_path_factory: pytest.TempPathFactory) -> Authority:
    return Authority(tmp_path_factory.mktemp("authority"))


@pytest.fixture(autouse=True)
def _login(authority: Authority, monkeypatch: pytest.MonkeyPatch) -> None:
    for name, value in authority.environment().items():
        monkeypatch.setenv(name, value)


@pytest.mark.parametrize("security", ["starttls", "tls"])
def test_each_report_reaches_each_reader_once(
    made: Path, tmp_path: Path, authority: Authority, security: str
) -> None:
    box = Mailbox()
    with serve(box, authority, security) as port:
        plant = with_mail(copy_plant(made, tmp_path / "plant", days=2), port, security)
        assert night(plant).not_mailed == []
        assert night(plant).not_mailed == []
    assert [box.copies(reader) for reader in READERS] == [2, 2]
    subjects = [str(message["Subject"]) for message in box.messages()]
    assert subjects == [
        "Next outage: F1 compartment 1, row 2: row is silent or misses pulses "
        "(1 thing to do any day, 1 of these for the next outage; 1 new) - Test plant, 28 Mar",
        "Nothing new (1 thing to do any day, 1 of these for the next outage) - Test plant, 29 Mar",
    ]


def test_the_mail_holds_the_markdown_and_a_page_with_pictures(
    made: Path, tmp_path: Path, authority: Authority
) -> None:
    box = Mailbox()
    with serve(box, authority, "starttls") as port:
        plant = with_mail(copy_plant(made, tmp_path / "plant", days=1), port)
        (report,) = night(plant).reports
    (message,) = box.messages()
    text = message.get_body(("plain",))
    page = message.get_body(("html",))
    assert text is not None
    assert page is not None
    written = (report / "rowcall-2026-03-28.md").read_text(encoding="utf-8")
    *page_of_day, links, _ = written.split("\n")
    assert links.startswith("[F1")
    more = "More on each baghouse, and how this was judged, is in the folder of the report."
    assert text.get_content().split() == without_links("\n".join([*page_of_day, more])).split()
    assert "F1, compartment" in page.get_content()
    assert "<a " not in page.get_content()
    pictures = [part for part in message.walk() if part.get_content_type() == "image/png"]
    assert {part.get_payload(decode=True) for part in pictures} == {
        picture.read_bytes() for picture in report.glob("*.png")
    }
    for part in pictures:
        assert f'src="cid:{part["Content-ID"].strip("<>")}"' in page.get_content()


def test_a_failed_mail_is_sent_by_the_next_run(
    made: Path, tmp_path: Path, authority: Authority
) -> None:
    box = Mailbox()
    with serve(box, authority, "starttls") as port:
        pass  # the server is down again; its port is known
    plant = with_mail(copy_plant(made, tmp_path / "plant", days=1), port)
    first = night(plant)
    assert len(first.reports) == 1
    assert first.reports[0].is_dir()
    assert any("waits for the next run" in text for text in first.not_mailed)
    with serve(box, authority, "starttls", port):
        second = night(plant)
        assert second.reports == []
        assert second.not_mailed == []
        assert night(plant).not_mailed == []
    assert [box.copies(reader) for reader in READERS] == [1, 1]


def test_one_refused_reader_is_tried_again_alone(
    made: Path, tmp_path: Path, authority: Authority
) -> None:
    box = Mailbox(refuse={READERS[1]})
    with serve(box, authority, "starttls") as port:
        plant = with_mail(copy_plant(made, tmp_path / "plant", days=1), port)
        assert any(READERS[1] in text for text in night(plant).not_mailed)
        box.refuse.clear()
        assert night(plant).not_mailed == []
    assert [box.copies(reader) for reader in READERS] == [1, 1]


def test_a_mail_lost_after_hand_over_is_told_and_not_sent_twice(
    made: Path, tmp_path: Path, authority: Authority
) -> None:
    box = Mailbox(drop_after_data=True)
    with serve(box, authority, "starttls") as port:
        plant = with_mail(copy_plant(made, tmp_path / "plant", days=1), port)
        assert any("not known" in text for text in night(plant).not_mailed)
        box.drop_after_data = False
        night(plant)
    assert [box.copies(reader, "Next outage") for reader in READERS] == [1, 1]


def test_old_days_are_reported_but_not_mailed(
    made: Path, tmp_path: Path, authority: Authority
) -> None:
    box = Mailbox()
    with serve(box, authority, "starttls") as port:
        plant = with_mail(copy_plant(made, tmp_path / "plant"), port, more="days_back = 2")
        result = night(plant, now=MORNING)
    assert len(result.reports) == 3
    days = [str(message["Subject"]).rpartition(", ")[2] for message in box.messages()]
    assert days == ["29 Mar", "30 Mar"]


def test_a_day_judged_again_is_mailed_again_only_where_a_verdict_changed(
    made: Path, tmp_path: Path, authority: Authority
) -> None:
    box = Mailbox(refuse={READERS[1]})
    with serve(box, authority, "starttls") as port:
        plant = with_mail(copy_plant(made, tmp_path / "plant", days=1), port)
        night(plant)
        export = min((plant / "inbox").iterdir())
        frame = pl.read_parquet(export).with_columns(pl.col("tag").cast(pl.String))
        frame[:1].with_columns(value=pl.col("value") + 0.001).write_parquet(
            plant / "inbox" / "one.parquet"
        )
        box.refuse.clear()
        assert len(night(plant).reports) == 1
        assert [box.copies(reader) for reader in READERS] == [1, 1]
        answers = pl.col("value") - pl.when(pl.col("tag").str.contains("PT")).then(
            pl.col("value") * 0.5
        ).otherwise(0.0)
        frame.with_columns(value=answers).write_parquet(plant / "inbox" / "half.parquet")
        assert len(night(plant).reports) == 1
    assert [box.copies(reader) for reader in READERS] == [2, 2]
