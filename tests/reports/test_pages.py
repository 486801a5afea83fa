"""Three layers from one source: what stands where, links that resolve, a first page kept short."""

from __future__ import annotations

import random
import re
from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta
from html.parser import HTMLParser
from pathlib import Path

import polars as pl
import pytest
from helpers import report_days
from helpers.report_answers import unjudged
from helpers.report_facts import DAY, SILENT, past_facts, with_facts

from rowcall import units
from rowcall.day_report import DayReport
from rowcall.model import (
    ISOLATED,
    BaghouseDay,
    Fact,
    Finding,
    Lack,
    State,
    Subject,
    Urgency,
    Verdict,
)
from rowcall_reports.figures.picture import Picture
from rowcall_reports.first_page.jobs import SINKING
from rowcall_reports.first_page.sums import sum_of, write_sums
from rowcall_reports.html import to_html, to_page
from rowcall_reports.markdown import write_pages
from rowcall_reports.page_links import without_links
from rowcall_reports.prepared import prepare
from rowcall_reports.tables.findings import findings_frame
from rowcall_reports.tables.formats import to_json_lines
from rowcall_reports.write import write_report

FIRST = "rowcall-2026-11-24"
SOLENOIDS = " ".join(tag.tag for tag in report_days.report().baghouses[0].health)
ROWS = tuple(Picture(f"rows-{house}.png", b"", "rows", "Roll call.") for house in ("BH1", "BH2"))


def only_clear() -> DayReport:
    report = report_days.report()
    found = tuple(f for f in report.findings if f.answer.verdict is Verdict.CLEAR)
    days = tuple(
        replace(day, facts=day.facts.filter(pl.col("name") != Fact.DROP_RATIO.column))
        for day in report.baghouses
    )
    return replace(report, baghouses=days, findings=found, cases=())


DAYS: dict[str, Callable[[], DayReport]] = {
    "sample": report_days.sample,
    "plain": report_days.report,
    "odd name": lambda: report_days.report(name=report_days.ODD_NAME),
    "no data": report_days.empty_report,
    "quiet": only_clear,
}


@pytest.fixture(params=DAYS, scope="module")
def pages(request: pytest.FixtureRequest) -> dict[str, str]:
    return write_pages(DAYS[request.param](), ROWS)


class Page(HTMLParser):
    """Collect the links, places and tags of a page."""

    def __init__(self, page: str) -> None:
        super().__init__()
        self.links: list[str] = []
        self.places: list[str] = []
        self.tags: list[str] = []
        self.feed(page)

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        """Keep what a tag links to, and its id."""
        known = dict(attrs)
        self.tags.append(tag)
        self.links += [known["href"] or ""] if "href" in known else []
        self.places += [known["id"] or ""] if "id" in known else []


def test_every_link_leads_to_a_page_and_place_of_the_folder(tmp_path: Path) -> None:
    folder = write_report(tmp_path, report_days.sample(), ROWS)
    read = {path.name: Page(path.read_text(encoding="utf-8")) for path in folder.glob("*.html")}
    assert len(read) == 4
    for name, page in read.items():
        assert page.links
        assert len(page.places) == len(set(page.places))
        for link in page.links:
            target, _, place = link.partition("#")
            assert not place or place in read[target or name].places, link
    named = re.findall(r"\]\(([\w-]+\.md)", (folder / f"{FIRST}.md").read_text(encoding="utf-8"))
    assert set(named) == {path.name for path in folder.glob("*.md")} - {f"{FIRST}.md"}


def test_layer_1_holds_no_table_and_no_statistics(pages: dict[str, str]) -> None:
    for word in ("|", "±", "tandard error", "interval", "<table"):
        assert word not in pages[FIRST].replace("a\\|b", "")


def test_every_number_of_layer_1_is_found_in_layer_2(pages: dict[str, str]) -> None:
    first, *others = pages.values()
    known = set(re.findall(r"\d[\d.,]*\d|\d", "\n".join(others)))
    jobs = re.split(r"Before anything is opened|## Not judged", without_links(first), maxsplit=1)[
        -1
    ]
    assert set(re.findall(r"\d[\d.,]*\d|\d", jobs)) <= known


NUMBER = re.compile(r"\d[\d.,]*\d|\d")


def drawn_day(seed: int) -> DayReport:
    """Return a day with findings, urgencies, numbers, places and cases drawn at random."""
    chance = random.Random(seed)
    report = falling(report_days.sample()) if chance.random() < 0.5 else report_days.sample()
    findings: list[Finding] = []
    for one in report.findings:
        answer = one.answer
        if answer.verdict is Verdict.FOUND:
            if chance.random() < 0.3:
                continue
            share, since = chance.uniform(0, 1.2), chance.randrange(1, 999)
            answer = replace(
                answer,
                text=f"Its drop is {units.percent(share)} of its peers', {since:,} pulses.",
                urgency=chance.choice(list(Urgency)),
                action=chance.choice([answer.action, "", f"{ISOLATED} {answer.action}"]),
            )
        findings.append(replace(one, answer=answer))
    cases = [
        replace(case, number=chance.choice(["", f"drop {units.percent(chance.uniform(0, 1.2))}"]))
        for case in report_days.cases_of(findings)
    ]
    return replace(report, findings=tuple(findings), cases=tuple(cases))


@pytest.mark.parametrize("seed", range(12))
def test_a_day_never_contradicts_itself(seed: int) -> None:
    report = drawn_day(seed)
    first, *others = map(without_links, write_pages(report, ()).values())
    known = set(NUMBER.findall("\n".join(others)))
    stored = to_json_lines(findings_frame(report)) + " ".join(case.number for case in report.cases)
    parts = dict(re.findall(r"(?s)## ([^\n]+)\n\n(.+?)(?=\n\n)", first.split("## Not judged")[0]))
    lines = {head: part.splitlines() for head, part in parts.items()}
    for line in (line for part in lines.values() for line in part):
        assert set(NUMBER.findall(line)) <= known, line
        if "its drop falls" not in line:  # no finding: no rule says so
            assert set(NUMBER.findall(line)) <= set(NUMBER.findall(stored + SOLENOIDS)), line
    if prepare(report).own_jobs:
        amounts = re.findall(r"\d+", first.split("\n\n")[1])
        assert [len(part) for part in lines.values()] == [int(n) for n in amounts]
    else:
        assert "**Nothing was found" in first


def test_a_quiet_day_is_one_screen_of_a_telephone() -> None:
    first = without_links(write_pages(only_clear(), ROWS)[FIRST])
    assert sum(1 + len(line) // 42 for line in first.splitlines()) < 30  # 390 px hold 42 letters
    assert ".png" not in first
    assert "Nothing new." in first


def test_pictures_of_layer_1_are_the_roll_calls_of_baghouses_with_findings() -> None:
    pictures = (*ROWS, Picture("dp-BH1.png", b"", "dp", "DP."))
    pages = write_pages(report_days.report(), pictures)
    assert re.findall(r"\]\((\S+?\.png)\)", pages[FIRST]) == ["rows-BH1.png"]
    assert re.findall(r"\]\((\S+?\.png)\)", pages["baghouse-BH1"]) == ["rows-BH1.png", "dp-BH1.png"]


def test_a_job_stands_under_any_day_and_in_short_at_the_outage() -> None:
    report = report_days.report()
    both = "Listen at the valve. Then note it. Isolated, locked out and bled: coil (24 V), wire."
    findings = tuple(
        replace(f, answer=replace(f.answer, action=both))
        if f.rule == "row_closes_late" and f.answer.verdict is Verdict.FOUND
        else f
        for f in report.findings
    )
    first = without_links(write_pages(replace(report, findings=findings), ())[FIRST])
    any_day, outage = first.split("## Any day, from outside")[1].split("## Next outage")
    assert "row's valve closes late.**" in any_day
    assert "Since 23 Nov. Listen at the valve.\n" in any_day
    assert outage.startswith("\n\n- **BH1, compartment 2, row 9:** Isolated: coil, wire.\n")


def test_checks_not_judged_name_what_would_change_that() -> None:
    report = report_days.report()
    why = "the site file names no tag for opacity, which this rule needs"
    more = (unjudged("rising_residual_dp", Subject("BH2"), why, Lack.TAG, "opacity"),)
    first = write_pages(replace(report, findings=(*report.findings, *more)), ())[FIRST]
    part = without_links(first).split("## Not judged")[1]
    asked = "- **BH2:** residual DP rises. Export a tag of opacity and name it in the site file."
    assert asked in part
    assert "No rule reads" not in part


def test_a_tag_that_another_stands_for_is_no_check_that_failed() -> None:
    """The page of its baghouse says so; there is nothing to do about it."""
    report = report_days.report()
    why = "the DP of the whole baghouse is judged instead of this one"
    more = (unjudged("rising_residual_dp", Subject("BH2", 1), why, Lack.OTHER_TAG),)
    pages = write_pages(replace(report, findings=(*report.findings, *more)), ())
    assert why not in pages[FIRST]
    assert any(why in text for name, text in pages.items() if name != FIRST)


def falling(report: DayReport) -> DayReport:
    """Return the day with a row whose drop fell to 80 % and of which nothing is found."""
    kiln, mill = report.baghouses
    past = [
        (DAY - timedelta(days=n), (1, 3, Fact.DROP_RATIO, 1.0 if n > 5 else 0.78 + 0.02 * n))
        for n in range(1, 30)
    ]
    facts = replace(kiln.history, facts=past_facts(past))
    kiln = replace(
        kiln, history=facts, facts=with_facts(kiln.facts, [(1, 3, Fact.DROP_RATIO, 0.78)])
    )
    return replace(report, baghouses=(kiln, mill))


def test_a_row_on_its_way_down_is_watched() -> None:
    pages = write_pages(falling(report_days.report()), ())
    said = "78 % of its neighbours', usually 100 %; lower since 19 Nov."
    watch = without_links(pages[FIRST]).split("## Watch")[1]
    assert f"- **BH1, compartment 1, row 3: its drop falls.** {said}" in watch
    part = pages["baghouse-BH1"].split(f"## {SINKING}\n")[1]
    assert f"- Compartment 1, row 3: {said}" in part


def with_pulses(*counts: float, today: float) -> BaghouseDay:
    """Return a day of the kiln with pulses of two compartments on the days before, latest last."""
    kiln = report_days.report().baghouses[0]
    past = [
        (DAY - timedelta(days=len(counts) - n), (c, 0, Fact.N_PULSES, count / 2))
        for n, count in enumerate(counts)
        for c in (1, 2)
    ]
    facts = pl.concat(
        [
            kiln.facts.filter(pl.col("name") != Fact.N_PULSES.column),
            with_facts(kiln.facts.clear(), [(c, 0, Fact.N_PULSES, today / 2) for c in (1, 2)]),
        ]
    )
    return replace(kiln, facts=facts, history=replace(kiln.history, facts=past_facts(past)))


def test_sums_are_taken_against_the_month_and_against_the_last_good_time() -> None:
    day = with_pulses(*[100.0] * 20, *[150.0] * 12, today=154.0)
    opened = DAY - timedelta(days=12)
    one = sum_of(day, Fact.N_PULSES, opened)
    assert (one.today, one.before.median, one.good.median) == (154.0, 100.0, 100.0)
    assert sum_of(day, Fact.N_PULSES, None).good.median != one.good.median


@pytest.mark.parametrize(
    ("before", "today", "said"),
    [
        ([100.0] * 10, 154.0, "; pulses +54 % since 16 Nov."),
        ([100.0] * 10, 103.0, "not judged."),  # by less than what matters
        ([100.0, 200.0] * 5, 210.0, "not judged."),  # within the scatter of the days
        ([100.0] * 3, 154.0, "not judged."),  # too few days to know the scatter
    ],
)
def test_the_line_of_a_baghouse_shows_only_what_moved(
    before: list[float], today: float, said: str
) -> None:
    report = report_days.report()
    case = next(case for case in report.cases if case.subject == Subject("BH1", *SILENT))
    day = with_pulses(*before, *[today] * 8, today=today)
    only = replace(report, baghouses=(day,), cases=(replace(case, state=State.OPEN),))
    assert write_sums(prepare(only).baghouses[0]).endswith(said)


def test_a_page_of_the_folder_has_landmarks_and_follows_light_and_dark() -> None:
    text = write_pages(report_days.sample(), ())["baghouse-BH1"]
    page = to_page(text, title="x", image_src={})
    assert Page(page).tags.count("main") == Page(page).tags.count("nav") == 1
    assert "prefers-color-scheme:dark" in page
    assert "@media print" in page
    assert re.search(r"<th[^>]*></th>", page) is None
    mail = to_html(text, title="x", image_src={})
    assert Page(mail).links == []
    assert "<style" not in mail
