"""The pages of a day: every finding visible, honest gaps, safe names."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from helpers import report_days
from helpers.day_pages import all_pages, first_page, page_of
from helpers.report_answers import rules
from helpers.report_facts import DAY
from markdown_it import MarkdownIt

from rowcall.model import (
    ISOLATED,
    Answer,
    Chapter,
    Fact,
    Finding,
    History,
    Lack,
    RowMark,
    Subject,
    Urgency,
    Verdict,
)
from rowcall.site import Role, Sample, Tag
from rowcall.units import parse_quantity
from rowcall_reports import wording
from rowcall_reports.chapters import cautions
from rowcall_reports.chapters.data_quality import write_health
from rowcall_reports.figures.picture import Picture
from rowcall_reports.first_page.jobs import SINKING
from rowcall_reports.markdown import write_pages
from rowcall_reports.page_links import without_links
from rowcall_reports.row_marks import marks_today


@pytest.fixture(scope="module")
def full() -> str:
    return all_pages(report_days.report(), ())


@pytest.fixture(scope="module")
def first() -> str:
    return first_page(report_days.report())


@pytest.fixture(scope="module")
def kiln() -> str:
    return page_of(report_days.report(), "BH1")


def rows_of(markdown: str, heading: str) -> list[list[str]]:
    """Return the body rows of the first table under a heading."""
    after = markdown.split(f"{heading}\n", 1)[1]
    lines = [line for line in after.splitlines() if line.startswith("|") or line.startswith("#")]
    body = []
    for line in lines[2:]:
        if line.startswith("#"):
            break
        body.append([cell.strip() for cell in line.strip("|").split(" | ")])
    return body


def jobs_under(markdown: str, heading: str) -> list[str]:
    """Return the jobs under a heading of the page of the day, links as plain text."""
    part = without_links(markdown).split(f"\n## {heading}\n\n", 1)[1].split("\n\n", 1)[0]
    return [job.removeprefix("- ") for job in part.splitlines()]


def test_first_page_says_what_to_do_most_pressing_first(first: str) -> None:
    head = first.splitlines()
    assert head[0] == "# Ondravel Lime: baghouse check-up, Tuesday 2026-11-24"
    assert head[2] == "**2 things to do now, 1 to do any day, 1 for the next outage, 1 to watch.**"
    for heading, amount in zip(
        ("Now", "Any day, from outside", "Next outage", "Watch"),
        re.findall(r"\d+", head[2]),
        strict=True,
    ):
        assert len(jobs_under(first, heading)) == int(amount)
    assert head[4] == "- **New:** BH1, gas and cloth (inlet over the limit of the bags)."
    assert "- **BH1 Kiln baghouse:** 2 of 24 rows at fault, 2 not judged.\n" in first
    assert "- **BH2 Mill baghouse:** none of 8 rows at fault.\n" in first
    order = [
        first.index(f"## {head}\n") for head in ("Now", "Any day, from outside", "Next outage")
    ]
    assert order == sorted(order)
    inlet, silent = jobs_under(first, "Now")
    assert inlet == (
        "**BH1: inlet over the limit of the bags.** Inlet 22 min above the continuous limit of "
        "135 °C, highest 148 °C. New. Ask the kiln what happened at 14:00; look for shrunken or "
        "stiff bags."
    )
    assert silent == (
        "**BH1, compartment 1, row 4 (LK.BH1.YS_104): row does not answer.** No pressure drop at "
        "any of 240 pulses; its neighbours drop 1.6 bar. Since 16 Nov. Pulse row 4 manually, "
        "standing clear, and listen. Then isolated: coil, wire, both diaphragms."
    )
    assert first.index("**Before anything is opened:**") < first.index("## Now")


def test_every_finding_and_every_check_not_judged_is_visible(full: str) -> None:
    for found in report_days.report().findings:
        if found.answer.verdict is Verdict.FOUND:
            assert wording.escape(found.answer.text) in full
            for part in filter(None, found.answer.action.partition(ISOLATED)):
                assert wording.escape(part) in full
        if found.answer.verdict is Verdict.CANNOT_TELL:
            assert found.answer.text.removeprefix("Cannot tell: ") in full


def test_alike_checks_not_judged_are_one_line(kiln: str) -> None:
    table = rows_of(kiln, "## Could not be judged")
    assert [row[:2] for row in table] == [
        ["Row does not answer", "compartments 1, 2, row 11"],
        ["Row's valve closes late", "compartments 1, 2, row 11"],
        ["Header refills slowly", "compartment 1"],
    ]


def test_roll_call_has_a_word_for_each_row(kiln: str) -> None:
    table = rows_of(kiln, "## Roll call")
    assert table[0][1:13] == [*["ok"] * 3, "**SILENT**", *["ok"] * 6, "?", "ok"]
    assert table[1][1:13] == [*["ok"] * 8, "**CLOSES LATE**", "ok", "?", "ok"]
    assert table[1][13].startswith("62 % (row 2) to ")
    assert "| **SILENT** | 240 | 0 / 240 | 0 % (0-2 %) |" in kiln


@pytest.mark.parametrize(
    ("silent", "late", "mark"),
    [
        (Verdict.FOUND, Verdict.CANNOT_TELL, "SILENT"),
        (Verdict.FOUND, Verdict.FOUND, "SILENT"),
        (Verdict.CLEAR, Verdict.FOUND, "CLOSES LATE"),
        (Verdict.CLEAR, Verdict.CLEAR, "ok"),
        (Verdict.CLEAR, Verdict.CANNOT_TELL, "ok?"),
        (Verdict.CANNOT_TELL, Verdict.CANNOT_TELL, "?"),
        (None, Verdict.CLEAR, "ok"),
        (None, None, "-"),
    ],
)
def test_mark_of_a_row(silent: Verdict | None, late: Verdict | None, mark: str) -> None:
    day = report_days.report().baghouses[1]
    findings = [
        Finding(day.day, rule, Answer(subject=Subject("BH2", 1, 3), verdict=verdict, text=""))
        for rule, verdict in (("row_silent", silent), ("row_closes_late", late))
        if verdict is not None
    ]
    assert marks_today(day, findings, rules())[1, 3].word == mark


def test_an_answer_on_a_whole_baghouse_counts_for_its_rows() -> None:
    day = report_days.report().baghouses[1]
    answer = Answer.cannot_tell(
        Subject("BH2"), "the site file names no tag for row solenoid", Lack.TAG
    )
    marks = marks_today(day, [Finding(day.day, "row_silent", answer)], rules())
    assert {mark.word for mark in marks.values()} == {"?"}


def test_same_job_on_several_rows_is_one_line() -> None:
    report = report_days.report()
    extra = tuple(
        Finding(
            report.day,
            "row_silent",
            Answer(
                subject=Subject("BH1", 2, row),
                verdict=Verdict.FOUND,
                text=f"No drop after any of {200 + row} pulses.",
                action="Step the rows by hand.",
                urgency=Urgency.NOW,
            ),
        )
        for row in (1, 2, 3, 5)
    )
    more = replace(report, findings=(*report.findings, *extra))
    first, kiln = first_page(more), page_of(more, "BH1")
    assert "**3 things to do now" in first
    (job,) = [one for one in jobs_under(first, "Now") if "Step the rows by hand." in one]
    assert job.startswith("**BH1, compartment 2, rows 1-3, 5: row does not answer.**")
    assert "### Row does not answer: compartment 2, rows 1-3, 5\n" in kiln
    assert all(f"any of {200 + row} pulses" in kiln for row in (1, 2, 3, 5))


def test_a_row_that_leaks_dust_is_no_row_to_mend_before_bags_are_blamed() -> None:
    report = report_days.report()
    mark = RowMark("D", "leaks dust", "leaks dust", 6)
    leaks = replace(report.rules[0], name="leaks", chapter=Chapter.DUST, marks=(mark,))
    answer = Answer(
        subject=Subject("BH1", 2, 11), verdict=Verdict.FOUND, text="", urgency=Urgency.WATCH
    )
    finding = Finding(report.day, "leaks", answer)
    more = replace(report, rules=(*report.rules, leaks), findings=(*report.findings, finding))
    (before, after) = (
        next(line for line in first_page(one).splitlines() if "bags are blamed" in line)
        for one in (report, more)
    )
    assert after == before
    assert "leaks dust" in page_of(more, "BH1")


def test_cautions_follow_the_findings(full: str) -> None:
    report = report_days.report()
    assert cautions.CLOSING in full
    assert "Combustible dust" not in full
    assert all(word in full for word in ("Stored air", "Height", "Hot", "Breathing"))
    hot_only = tuple(f for f in report.findings if f.rule == "temperature_excursion")
    written = all_pages(replace(report, findings=hot_only), ())
    assert "Lock out" in written
    assert "Confined space" in written
    assert "Stored air" not in written


def test_nothing_found_is_said_shortly() -> None:
    report = report_days.report()
    clear = tuple(f for f in report.findings if f.answer.verdict is Verdict.CLEAR)
    drop = pl.col("name") != Fact.DROP_RATIO.column
    days = (replace(day, facts=day.facts.filter(drop)) for day in report.baghouses)
    quiet = replace(report, baghouses=tuple(days), findings=clear, cases=())
    assert "Before any" not in all_pages(quiet)
    assert without_links(first_page(quiet)) == (
        "# Ondravel Lime: baghouse check-up, Tuesday 2026-11-24\n\n"
        "**Nothing was found that needs work.**\n\nNothing new.\n\n"
        "- **BH1 Kiln baghouse:** none of 24 rows at fault.\n"
        "- **BH2 Mill baghouse:** none of 8 rows at fault.\n\n"
        "BH1 Kiln baghouse · BH2 Mill baghouse · How this was judged\n"
    )


def test_no_data_is_said_first() -> None:
    markdown = all_pages(report_days.empty_report(), ())
    assert markdown.splitlines()[2].startswith("**There is no data for this day.**")
    assert "**Nothing was judged.**" in markdown
    assert "needs work" not in markdown
    assert "compartments 1, 2, rows 1-12" in markdown


def test_one_baghouse_without_data_is_named() -> None:
    report, empty = report_days.report(), report_days.empty_report()
    half = replace(report, baghouses=(report.baghouses[0], empty.baghouses[1]))
    assert "no data for this day from BH2 Mill baghouse" in all_pages(half, ())


def test_changed_settings_and_revision_come_first() -> None:
    report = replace(
        report_days.report(), changed_settings={"rules.row_silent.x": "40 %"}, revision=3
    )
    head = first_page(report).split("## ")[0]
    assert "rules.row_silent.x = 40 %" in head
    assert "Revision 3" in head


def test_method_names_limits_files_and_source(full: str) -> None:
    method = write_pages(report_days.report(), ())["method"]
    assert "**40 %** (default 50 %)" in method
    assert "15 s" not in method  # only what differs from its default
    assert "`rowcall rules` prints every limit with its source" in method
    assert "LK_2026-11-24.csv" in method
    assert f"`{'3f5a' * 16}`" in method
    assert "**120**" in method
    assert "common practice, no source" in method
    assert "APTI SI:412A" in full


def test_names_are_data_not_markup() -> None:
    markdown = all_pages(report_days.report(name=report_days.ODD_NAME), ())
    assert markdown.startswith("# a\\|b\\<script>: baghouse")
    html = MarkdownIt("commonmark", {"html": True}).enable("table").render(markdown)
    assert "<script" not in html
    assert "a|b&lt;script&gt;" in html


def test_same_day_gives_same_text() -> None:
    assert all_pages(report_days.report(), ()) == all_pages(report_days.report(), ())


def test_order_of_findings_does_not_matter(full: str) -> None:
    report = report_days.report()
    turned = replace(report, findings=report.findings[::-1])
    assert all_pages(turned, ()).split("## Could")[0] == full.split("## Could", maxsplit=1)[0]


def test_columns_that_a_site_lacks_are_left_out() -> None:
    report = report_days.report()
    bare = tuple(
        replace(
            day,
            signals={},
            minutes=day.minutes.select("minute", "state"),
            facts=day.facts.filter(pl.col("name").str.starts_with("n_")),
            history=History(),
        )
        for day in report.baghouses
    )
    markdown = all_pages(replace(report, baghouses=bare, findings=()), ())
    assert "## Temperature" not in markdown
    assert "## Compressed air" not in markdown
    assert "nan" not in markdown


def test_seven_day_median_ignores_older_days(full: str) -> None:
    days, past = report_days.report().baghouses[0].history.of(Fact.CYCLE_TIME_S)
    week = [value for when, value in zip(days, past, strict=True) if when >= DAY - timedelta(7)]
    assert len(week) == 7
    assert f"{np.median(week) / 60:.1f} min" in full
    assert f"{np.median(past) / 60:.1f} min" not in full


def test_default_limit_reads_as_its_author_wrote_it() -> None:
    rule = next(r for r in report_days.report().rules if r.name == "slow_header_recovery")
    (limit,) = rule.thresholds
    assert parse_quantity(limit.text, limit.dimension) == 15.0
    assert limit.text == "15 s"


def test_findings_refer_to_the_numbers_of_their_chapter(kiln: str) -> None:
    parts = dict(part.split("\n", 1) for part in kiln.split("\n## ")[1:])
    assert list(parts) == [
        *("Before anyone works on it", "Found", SINKING, *(c.value for c in Chapter)),
        *("Data", "Could not be judged", "Cases", "Words"),
    ]
    found = dict(part.split("\n", 1) for part in parts["Found"].split("\n### ")[1:])
    assert "- Numbers: [DP](#dp)" in found["Residual DP rises: whole baghouse"]
    assert (
        "[Temperature](#temperature)" in found["Inlet over the limit of the bags: whole baghouse"]
    )
    assert parts["Found"].count("Rule out: a row that was not pulsed") == 4


def test_every_inlet_temperature_is_shown(full: str) -> None:
    lines = [line for line in full.splitlines() if line.startswith("| LK.BH1.TT_")]
    first, second = ([cell.strip() for cell in line.strip("|").split("|")] for line in lines)
    assert first == ["LK.BH1.TT_01", "1", "126 °C", "0 min", "0 min"]
    assert second[:3] == ["LK.BH1.TT_02", "2", "148 °C"]
    signal = report_days.report().baghouses[0].signals[Role.INLET_TEMPERATURE, 2, 0]
    assert second[3:] == [f"{np.sum(signal.value > 135.0)} min", "0 min"]


def test_the_picture_of_the_temperature_is_referred_to_where_it_is() -> None:
    report = report_days.report()
    words = 'The temperature over the day is in the picture under "Compressed air".'
    recovery = Picture("recovery-BH1.png", b"", "", "")
    assert all_pages(report, (recovery,)).count(words) == 1
    assert words not in all_pages(report, ())


def test_tags_recorded_on_change_have_no_sampling_period() -> None:
    day = report_days.report().baghouses[0]
    sound = replace(day, health=tuple(tag for tag in day.health if not tag.problem))
    assert "22 tags of row solenoid (sampled every 3 min)" in write_health(sound)
    names = [tag.tag for tag in sound.health if tag.role is Role.ROW_SOLENOID]
    tags = [Tag(tag=n, role=Role.ROW_SOLENOID, sample=Sample.ON_CHANGE, unit="1") for n in names]
    house = day.baghouse.model_copy(update={"tag": tuple(tags)})
    assert "22 tags of row solenoid (sampled on change)" in write_health(
        replace(sound, baghouse=house)
    )
