"""The page of all days: what it says, that it leads somewhere, stays small, and is searched."""

from __future__ import annotations

import json
import re
import shutil
import subprocess
from collections.abc import Container
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from importlib.resources import files
from pathlib import Path

import pytest
from helpers.index_year import NEWEST, case, site, year

from rowcall.model import Subject, Urgency, Verdict
from rowcall_reports.index.index_data import IndexData, Said, Standing, index_data, page_of
from rowcall_reports.index.index_file import write_index
from rowcall_reports.index.index_page import index_page

SCRIPT = files("rowcall_reports") / "index" / "search.js"
NODE = shutil.which("node")
YESTERDAY, OLD = NEWEST - timedelta(days=1), NEWEST - timedelta(days=200)
ROW = Subject("BH1", 1, 7)
SAID: list[Said] = [
    (NEWEST, "BH1", Verdict.FOUND, Urgency.NOW),
    (NEWEST, "BH1", Verdict.CLEAR, None),
    (NEWEST, "BH2", Verdict.CLEAR, None),
    (NEWEST, "BH2", Verdict.CANNOT_TELL, None),
    (YESTERDAY, "BH1", Verdict.CANNOT_TELL, None),
    (YESTERDAY, "BH2", Verdict.CLEAR, None),
    (NEWEST - timedelta(days=3), "BH1", Verdict.FOUND, Urgency.WATCH),
    (NEWEST - timedelta(days=3), "BH1", Verdict.FOUND, Urgency.NEXT_OUTAGE),
]
CASES = (
    case(Subject("BH2", 1, 3), YESTERDAY, urgency=Urgency.WATCH),
    case(ROW, NEWEST - timedelta(days=3), urgency=Urgency.NOW),
    case(Subject("BH1", 1, 9), NEWEST - timedelta(days=60), closed=NEWEST - timedelta(days=30)),
    case(Subject("BH1", 1, 8), OLD, closed=OLD + timedelta(days=20)),
)


class Page(HTMLParser):
    """Collect tags with their attributes, and the text within."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.tags: list[tuple[str, dict[str, str | None]]] = []
        self.text = ""
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep a tag."""
        self.tags.append((tag, dict(attrs)))

    def handle_data(self, data: str) -> None:
        """Keep a text."""
        self.text += data

    @property
    def links(self) -> list[str]:
        """What links lead to."""
        return [str(known["href"]) for tag, known in self.tags if tag == "a"]


def data(name: str = "Ondravel Lime", pages: Container[str] | None = None) -> IndexData:
    known = {page_of(day, house) for day, house, *_ in SAID} | {page_of(NEWEST)}
    return index_data(site(2, name), NEWEST, SAID, CASES, known if pages is None else pages)


def cell(page: str, css: str, text: str) -> bool:
    return re.search(rf'<td class="{css}">(<a href="[^"]+">)?{re.escape(text)}<', page) is not None


def test_a_day_stands_as_the_worst_that_was_found_on_it() -> None:
    stood = {
        (day, house): data().stood(day, house)
        for day in (NEWEST, YESTERDAY, NEWEST - timedelta(days=2), NEWEST - timedelta(days=3))
        for house in ("BH1", "BH2", "")
    }
    assert list(stood.values()) == [
        *(Standing.NOW, Standing.QUIET, Standing.NOW),
        *(Standing.UNJUDGED, Standing.QUIET, Standing.UNJUDGED),
        *(Standing.NO_REPORT, Standing.NO_REPORT, Standing.NO_REPORT),
        *(Standing.NEXT_OUTAGE, Standing.NO_REPORT, Standing.NEXT_OUTAGE),
    ]


def test_each_standing_has_a_letter_beside_its_shade() -> None:
    page = index_page(data())
    assert cell(page, "n", "24<b>N</b>")
    assert cell(page, "u", "23<b>?</b>")
    assert cell(page, "x", "22")
    assert cell(page, "o", "21<b>O</b>")
    assert cell(page, "q", "23<b>·</b>")
    key = page[page.index('<p class="key">') :].split("</p>")[0]
    assert all(f"</span> {standing.value}" in key for standing in Standing)


def test_cases_are_listed_open_closed_lately_and_before() -> None:
    page = index_page(data())
    opened, closed, earlier = re.split(r'id="closed"|<details class="earlier">', page)
    places = re.compile(r"<td>(BH\d, compartment 1, row \d)</td>")
    assert places.findall(opened) == ["BH1, compartment 1, row 7", "BH2, compartment 1, row 3"]
    assert places.findall(closed) == ["BH1, compartment 1, row 9"]
    assert places.findall(earlier) == ["BH1, compartment 1, row 8"]
    line = Page(opened[opened.index('<tr class="case">') :].split("</tr>")[0])
    for part in (
        *("now", "Valve of a row", "answers 0 % of its pulses", "2026-11-21", "row 7."),
        "2026-11-21 new: answers 31 % of its pulses. 2026-11-24 worse: answers 0 % of its pulses.",
        *("Case BH1-C1-R7-valve-20261121; solenoid LK.BH1.YS_107", "(94 sent)"),
    ):
        assert part in line.text
    assert line.links == ["2026-11-24/baghouse-BH1.html"]


def test_what_other_cases_account_for_or_is_clear_stands_last() -> None:
    explained = replace(CASES[1], explained_by=("BH1-plant-air-20261120",))
    clear = replace(CASES[0], clear_days=3, last_found=NEWEST - timedelta(days=3))
    job = case(Subject("BH2", 1, 5), YESTERDAY, urgency=Urgency.WATCH)
    known = index_data(site(2), NEWEST, SAID, (clear, explained, job), ())
    assert [line.case for line in known.cases] == [job, explained, clear]
    page = index_page(known)
    assert "; accounted for by BH1-plant-air-20261120" in page
    assert "2026-11-21, clear for 3 days" in Page(page).text


def test_every_link_leads_to_a_page_that_is_there(tmp_path: Path) -> None:
    there = {"2026-11-24/rowcall-2026-11-24.html", "2026-11-21/baghouse-BH1.html"}
    for name in (*there, "2026-11-24/method.html", "other/rowcall-2026-11-20.html"):
        (tmp_path / name).parent.mkdir(exist_ok=True)
        (tmp_path / name).touch()
    written = write_index(tmp_path, lambda pages: data(pages=pages))
    page = Page(written.read_text(encoding="utf-8"))
    ids = {f"#{known['id']}" for _, known in page.tags if "id" in known}
    assert there | ids >= set(page.links) >= there
    assert [path.name for path in tmp_path.glob("*.html")] == ["index.html"]
    assert not list(tmp_path.glob(".*"))


def test_a_case_of_a_page_cleared_away_has_no_link() -> None:
    assert [line.page for line in data(pages=frozenset()).cases] == ["", ""]


def test_hostile_names_and_texts_stay_text() -> None:
    evil = "</script><img src=x onerror=alert(1)>\u2028{0}\x00"
    known = index_data(site(1, evil), NEWEST, SAID, (case(ROW, YESTERDAY, text=evil),), ())
    page = Page(index_page(known))
    names = [tag for tag, _ in page.tags]
    assert "img" not in names
    assert names.count("script") == 1
    assert "{newest}" not in page.text
    assert page.text.count("<img src=x onerror=alert(1)>") == 3  # title, heading, finding


def test_nothing_is_fetched_and_the_script_only_searches() -> None:
    page = index_page(data())
    assert not re.search(r"https?:|//[a-z]|fetch|XMLHttp|import\b|\bsrc=|@import|url\(", page)
    assert not any(name.startswith("on") for _, known in Page(page).tags for name in known)
    assert '<form role="search" hidden>' in page  # the script shows it
    assert page.count("<main>") == page.count("<h1>") == 1


def test_same_data_give_the_same_bytes_in_whatever_order() -> None:
    known = {page_of(day, house) for day, house, *_ in SAID} | {page_of(NEWEST)}
    turned = index_data(site(2), NEWEST, SAID[::-1], CASES[::-1], known)
    assert index_page(turned) == index_page(data())


def test_a_year_of_ten_baghouses_stays_small() -> None:
    page = index_page(year(10))
    assert len(page.encode()) < 1_500_000
    assert page.count('<tr class="case">') == 600
    assert page.count("rowcall-2026-03-15.html") == 1
    assert page.count('href="2026-03-15/baghouse-BH') >= 10


def test_of_more_than_a_year_the_calendar_shows_the_last() -> None:
    page = index_page(year(1, 800))
    assert "<caption>Oct 2025</caption>" not in page
    assert page.count('<table class="month">') == 13
    assert "<tr>" + "<td></td>" * 7 not in page


def test_the_wheel_brings_script_and_style() -> None:
    assert SCRIPT.is_file()
    assert (files("rowcall_reports") / "index" / "index.css").is_file()


TEXT = (
    "now\nBH1, compartment 1, row 7\nValve of a row No drop at 57 pulses (94 sent)."
    "Case BH1-C1-R7-valve-20260315; solenoid LK.BH1.YS_107 answers 0 % of its pulses"
)
FOUND = (
    *("", "row 7", "ROW  7", "row7", "bh1 valve", "YS_107", "BH1-C1-R7-valve-20260315", "R7"),
    *("compartment 1 row 7", "(94 sent)", "57 pulses", "0 %", "LK.BH1"),
)
NOT_FOUND = (
    "row 70",
    "row 1",
    "R70",
    "R",
    "BH10",
    "YS_10 ",
    "5 pulses",
    "bh2 row 7",
    "[",
    "lk.bh.",
)


@pytest.mark.skipif(NODE is None, reason="node runs the script; its shape is tested in any case")
def test_the_search_finds_rows_tags_cases_and_text() -> None:
    asked = json.dumps([TEXT, [*FOUND, *NOT_FOUND]])
    code = f"const [t, q] = {asked}; console.log(JSON.stringify(q.map((one) => holdsAll(t, one))))"
    script = SCRIPT.read_text(encoding="utf-8") + code
    done = subprocess.run(
        [str(NODE), "-"], input=script, check=True, capture_output=True, text=True, encoding="utf-8"
    )
    found = dict(zip([*FOUND, *NOT_FOUND], json.loads(done.stdout), strict=True))
    assert [one for one, is_found in found.items() if is_found] == [*FOUND, "R"]


def test_the_script_asks_for_what_the_page_holds() -> None:
    """Without node too: each selector of the script meets something on the page."""
    page = Page(index_page(data()))
    asked = re.findall(r'querySelector(?:All)?\("([^"]+)"\)', SCRIPT.read_text(encoding="utf-8"))
    assert sorted(asked) == [
        "details",
        "details.earlier",
        "input[type=search]",
        "output",
        "tr.case",
    ]
    there = {(tag, known.get("class") or known.get("type")) for tag, known in page.tags}
    assert {("input", "search"), ("output", None), ("tr", "case"), ("details", "earlier")} <= there
