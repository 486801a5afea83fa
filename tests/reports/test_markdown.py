"""The Markdown of a day: first screen, every finding visible, honest gaps, safe names."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import polars as pl
import pytest
from helpers import report_days
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
from rowcall_reports.markdown import write_markdown
from rowcall_reports.row_marks import marks_today


@pytest.fixture(scope="module")
def full() -> str:
    return write_markdown(report_days.report(), ())


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
    """Return the jobs under a heading of "What to do", each with its lines."""
    part = markdown.split(f"\n### {heading}\n\n", 1)[1].split("\n\n", 1)[0]
    return [job.strip("- ") for job in part.split("\n- ")]


def test_first_screen_says_what_to_do_most_pressing_first(full: str) -> None:
    head = full.splitlines()
    assert head[0] == "# Ondravel Lime: baghouse check-up, Tuesday 2026-11-24"
    assert head[2] == "**2 things to do now, 1 for the next outage, 1 to watch.**"
    assert head[4] == "- **New:** BH1, gas and cloth (inlet over the limit of the bags)."
    assert "All clear: BH2 Mill baghouse." in full
    order = [full.index(f"### {head}\n") for head in ("Now", "Next outage", "Watch")]
    assert order == sorted(order)
    now = jobs_under(full, "Now")
    assert now[0].startswith("**BH1 Kiln baghouse: inlet over the limit of the bags.**")
    assert now[0].splitlines()[0].endswith(" New.")
    assert now[1].startswith("**BH1 Kiln baghouse, compartment 1, row 4: row does not answer.**")
    assert "Since 16 Nov (day 9)." in now[1]
    assert "Since 23 Nov (day 2)." in jobs_under(full, "Next outage")[0]
    assert "Since 10 Nov (day 15)." in jobs_under(full, "Watch")[0]
    assert full.index("## What to do") < 600


def test_first_screen_holds_no_table_that_a_telephone_would_cut(full: str) -> None:
    assert "|" not in full.split("\n## BH1", maxsplit=1)[0]


def test_every_finding_and_every_check_not_judged_is_visible(full: str) -> None:
    for found in report_days.report().findings:
        if found.answer.verdict is Verdict.FOUND:
            assert wording.escape(found.answer.text) in full
            for part in filter(None, found.answer.action.partition(ISOLATED)):
                assert wording.escape(part) in full
        if found.answer.verdict is Verdict.CANNOT_TELL:
            assert found.answer.text.removeprefix("Cannot tell: ") in full


def test_alike_checks_not_judged_are_one_line(full: str) -> None:
    table = rows_of(full, "### Could not be judged")
    assert [row[:2] for row in table] == [
        ["Row does not answer", "compartments 1, 2, row 11"],
        ["Row's valve closes late", "compartments 1, 2, row 11"],
        ["Header refills slowly", "compartment 1"],
    ]


def test_roll_call_has_a_word_for_each_row(full: str) -> None:
    table = rows_of(full, "### Roll call")
    assert table[0][1:13] == [*["ok"] * 3, "**SILENT**", *["ok"] * 6, "?", "ok"]
    assert table[1][1:13] == [*["ok"] * 8, "**CLOSES LATE**", "ok", "?", "ok"]
    assert table[1][13].startswith("62 % (row 2) to ")
    assert "| **SILENT** | 240 | 0 / 240 | 0 % (0-2 %) |" in full


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
    markdown = write_markdown(replace(report, findings=(*report.findings, *extra)), ())
    assert "**3 things to do now" in markdown
    (job,) = [one for one in jobs_under(markdown, "Now") if "Step the rows by hand." in one]
    assert job.startswith("**BH1 Kiln baghouse, compartment 2, rows 1-3, 5: row does not answer.**")
    assert "Row 1: No drop after any of 201 pulses. Rows 2, 3, 5 likewise." in job
    assert all(f"any of {200 + row} pulses" in markdown for row in (1, 2, 3, 5))


def test_cautions_follow_the_findings(full: str) -> None:
    report = report_days.report()
    assert cautions.CLOSING in full
    assert "Combustible dust" not in full
    assert all(word in full for word in ("Stored air", "Height", "Hot", "Breathing"))
    hot_only = tuple(f for f in report.findings if f.rule == "temperature_excursion")
    written = write_markdown(replace(report, findings=hot_only), ())
    assert "Lock out" in written
    assert "Confined space" in written
    assert "Stored air" not in written


def test_nothing_found_is_said_shortly() -> None:
    report = report_days.report()
    clear = tuple(f for f in report.findings if f.answer.verdict is Verdict.CLEAR)
    markdown = write_markdown(replace(report, findings=clear, cases=()), ())
    assert markdown.splitlines()[2] == "**Nothing was found that needs work.**"
    assert markdown.splitlines()[4] == "All checks were clear on 2 baghouses."
    assert "## What to do" not in markdown
    assert "Before anyone works" not in markdown


def test_no_data_is_said_first() -> None:
    markdown = write_markdown(report_days.empty_report(), ())
    assert markdown.splitlines()[2].startswith("**There is no data for this day.**")
    assert "**Nothing was judged.**" in markdown
    assert "needs work" not in markdown
    assert "compartments 1, 2, rows 1-12" in markdown


def test_one_baghouse_without_data_is_named() -> None:
    report, empty = report_days.report(), report_days.empty_report()
    half = replace(report, baghouses=(report.baghouses[0], empty.baghouses[1]))
    assert "no data for this day from BH2 Mill baghouse" in write_markdown(half, ())


def test_changed_settings_and_revision_come_first() -> None:
    report = replace(
        report_days.report(), changed_settings={"rules.row_silent.x": "40 %"}, revision=3
    )
    head = write_markdown(report, ()).split("## ")[0]
    assert "rules.row_silent.x = 40 %" in head
    assert "Revision 3" in head


def test_method_names_limits_files_and_source(full: str) -> None:
    method = full.split("## How this was judged")[1]
    assert "**40 %** (default 50 %)" in method
    assert "15 s" not in method  # only what differs from its default
    assert "`rowcall rules` prints every limit with its source" in method
    assert "LK_2026-11-24.csv" in method
    assert "3f5a3f5a3f5a" in method
    assert "**120**" in method
    assert "common practice, no source" in method
    assert "APTI SI:412A" in full


def test_names_are_data_not_markup() -> None:
    markdown = write_markdown(report_days.report(name=report_days.ODD_NAME), ())
    assert markdown.startswith("# a\\|b\\<script>: baghouse")
    html = MarkdownIt("commonmark", {"html": True}).enable("table").render(markdown)
    assert "<script" not in html
    assert "a|b&lt;script&gt;" in html


def test_same_day_gives_same_text() -> None:
    assert write_markdown(report_days.report(), ()) == write_markdown(report_days.report(), ())


def test_order_of_findings_does_not_matter(full: str) -> None:
    report = report_days.report()
    turned = replace(report, findings=report.findings[::-1])
    assert (
        write_markdown(turned, ()).split("### Could")[0] == full.split("### Could", maxsplit=1)[0]
    )


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
    markdown = write_markdown(replace(report, baghouses=bare, findings=()), ())
    assert "### Temperature" not in markdown
    assert "### Compressed air" not in markdown
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


def test_findings_stand_with_the_numbers_of_their_chapter(full: str) -> None:
    kiln = full.split("\n## BH1")[1].split("\n## BH2", maxsplit=1)[0]
    parts = dict(part.split("\n", 1) for part in kiln.split("\n### ")[1:])
    assert list(parts) == [*(c.value for c in Chapter), "Could not be judged", "Data"]
    assert "**Residual DP rises: whole baghouse** (watch)" in parts["DP"]
    assert "**Inlet over the limit of the bags: " in parts["Temperature"]
    assert parts["Roll call"].count("Rule out: a row that was not pulsed") == 2
    assert "Rule out" not in parts["Compressed air"]


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
    assert write_markdown(report, (recovery,)).count(words) == 1
    assert words not in write_markdown(report, ())


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
