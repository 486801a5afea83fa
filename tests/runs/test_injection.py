"""Names and values from outside are told as they are, and nowhere taken for more than text."""

from __future__ import annotations

import csv
import zipfile
from dataclasses import replace
from html.parser import HTMLParser
from pathlib import Path

import pytest
from helpers import report_days
from helpers.day_pages import all_pages
from helpers.exports import START, STORE, aside, long_csv, open_store, store_of, stored, taken
from helpers.site_texts import SITE
from hypothesis import given, settings
from hypothesis import strategies as st

from rowcall.cli import main
from rowcall.day_report import DayReport
from rowcall.take_in import Outcome
from rowcall_reports.html import to_html
from rowcall_reports.write import write_report

HOSTILE = [
    "x'); DROP TABLE samples; --",
    'x"; DELETE FROM files; --',
    "<script>alert(1)</script>",
    "<img src=x onerror=alert(1)>",
    "[press](javascript:alert(1))",
    "![seen](http://plant.example/x.png)",
    "<http://plant.example>",
    "a | b | c",
    "# Found",
    "> quoted",
    "**bold** _and_ `code` ~~gone~~",
    "&lt;b&gt; &#60;",
    "=HYPERLINK(1)",
    "+cmd",
    "-2+3",
    "@SUM(A1)",
    "../../../etc/passwd",
    "..\\\\..\\\\x",
    "$x^2$",
    "1. first",
    "{compartment}",
    "%s %(name)s {0}",
]


class Seen(HTMLParser):
    """What a browser makes of a page: its elements, sources, and text."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.elements: list[str] = []
        self.attributes: list[tuple[str, str | None]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        self.elements.append(tag)
        self.attributes += attrs

    def handle_data(self, data: str) -> None:
        self.text += data


def named(name: str) -> DayReport:
    """Return a report in which every name that comes from outside is this one."""
    day = report_days.report()
    site = day.site.model_copy(update={"plant": day.site.plant.model_copy(update={"name": name})})
    houses = tuple(
        replace(
            one,
            baghouse=one.baghouse.model_copy(update={"name": name}),
            health=tuple(replace(tag, tag=name, problem=f"frozen {name}") for tag in one.health),
        )
        for one in day.baghouses
    )
    files = tuple(replace(note, name=name) for note in day.files)
    return replace(
        day,
        site=site,
        baghouses=houses,
        files=files,
        new_files=files,
        revision=2,
        changed_settings={name: name},
    )


def page_of(report: DayReport) -> Seen:
    return Seen(to_html(all_pages(report, ()), title=report.site.plant.name, image_src={}))


PLAIN = page_of(named("plain"))


@pytest.mark.parametrize("name", HOSTILE)
def test_a_report_shows_names_as_they_are(name: str) -> None:
    """The page has the very elements that it has with a plain name, and shows the name."""
    page = page_of(named(name))
    assert page.elements == PLAIN.elements
    assert {key for key, _ in page.attributes} == {key for key, _ in PLAIN.attributes}
    times = PLAIN.text.count("plain")
    assert times > 10
    assert page.text.count(name) >= times


@given(name=st.text(min_size=1, max_size=40).filter(lambda text: text.strip().isprintable()))
@settings(max_examples=20, deadline=None)
def test_no_name_whatever_adds_an_element_to_a_report(name: str) -> None:
    assert page_of(named(f"x{name}")).elements == PLAIN.elements


def test_a_line_break_in_a_name_begins_no_line_of_a_report() -> None:
    page = page_of(named("plain\n\n## Found\n\n- Row 1: silent\r\n<b>x</b>"))
    assert page.elements == PLAIN.elements


def test_names_lead_out_of_no_folder(tmp_path: Path) -> None:
    """A report is filed by its day; names of plants and tags are no part of any path."""
    written = write_report(tmp_path / "reports", named("../../outside"), ())
    assert [path.name for path in tmp_path.iterdir()] == ["reports"]
    assert [path.name for path in (tmp_path / "reports").iterdir()] == [written.name]


def test_the_store_keeps_tags_as_they_are(tmp_path: Path) -> None:
    """SQL in them is not run, and each is another tag."""
    tags = [name for name in HOSTILE if "," not in name and '"' not in name]
    taken(
        tmp_path, long_csv([(tag, START, 1.0, "Good") for tag in tags]), "a'; DROP TABLE files;.csv"
    )
    assert [name for name, *_ in stored(tmp_path)] == sorted(tags)
    again = taken(tmp_path, long_csv([(tag, START, 2.0, "Good") for tag in tags]), "b.csv")
    assert again.note is not None
    assert again.note.replaced == len(tags)
    with store_of(tmp_path) as store:
        names = store.connection.execute("SELECT name FROM files ORDER BY file_id").fetchall()
    assert names == [("a'; DROP TABLE files;.csv",), ("b.csv",)]


@pytest.mark.parametrize("name", ["../../out.csv", "/etc/out.csv", "a';--.csv", "x\ny.csv"])
def test_a_member_of_an_archive_is_written_nowhere(tmp_path: Path, name: str) -> None:
    inbox = tmp_path / "deep" / "inbox"
    inbox.mkdir(parents=True)
    with zipfile.ZipFile(inbox / "day.zip", "w") as archive:
        archive.writestr(name, long_csv([("DP", START, 1.0, "Good")]))
    open_store(inbox / STORE).close()
    before = set(tmp_path.rglob("*"))
    result = taken(inbox, (inbox / "day.zip").read_bytes(), "day.zip")
    assert result.outcome in (Outcome.STORED, Outcome.REFUSED)
    assert set(tmp_path.rglob("*")) == before


def test_rows_set_aside_are_exported_as_text(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Names of files and columns too: none begins as what a spreadsheet runs."""
    text = "time;@PT;DP\n2026-03-02 05:00:00;+x;1\n2026-03-02 05:01:00;1;@y\n=1+1;1;1\n"
    open_store(tmp_path / STORE).close()
    taken(tmp_path, text, "=cmd.csv")
    assert {column for _, column, _, _ in aside(tmp_path)} == {"time", "@PT", "DP"}
    (tmp_path / "site.toml").write_text(SITE, encoding="utf-8")
    target = tmp_path / "aside.csv"
    assert main(["set-aside", "--site", str(tmp_path / "site.toml"), "--to", str(target)]) == 0
    with target.open(encoding="utf-8", newline="") as file:
        cells = [cell for row in csv.reader(file) for cell in row]
    assert {"'=cmd.csv", "'@PT"} < set(cells)
    assert not [cell for cell in cells if cell[:1] in tuple("=+-@\t\r\n")]


def test_names_begin_no_line_of_their_own_on_the_terminal(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """A log that is read line by line would take it for a word of rowcall."""
    name = "a\nrowcall: all is well\x1b[2K.csv"
    (tmp_path / name).write_text("", encoding="utf-8")
    assert main(["look", str(tmp_path / name)]) == 2
    told = capsys.readouterr().err
    assert len(told.splitlines()) == 1
    assert "\x1b" not in told
    tag = "DP\x1b[31m\x07"
    (tmp_path / "b.csv").write_text(long_csv([(tag, START, 1.0, "Good")]), encoding="utf-8")
    assert main(["look", str(tmp_path / "b.csv")]) == 0
    assert "\x1b" not in capsys.readouterr().out
