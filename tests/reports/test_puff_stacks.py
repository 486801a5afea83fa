"""The picture of puffs, and what the chapter on dust says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from helpers import report_days
from helpers.day_pages import page_of
from helpers.report_facts import DAY

from rowcall.day_report import DayReport
from rowcall.model import PUFF_COLUMNS, Answer, Fact, Finding, Subject, Urgency, Verdict
from rowcall_reports.figures.puff_stacks import draw_puffs, leaking_rows
from rowcall_reports.prepared import prepare
from rowcall_rules.dust.leaking_row import RULE

LEAK = (1, 7)


def leaking(*, has_stack: bool = True) -> DayReport:
    report = report_days.report()
    since = np.arange(1.0, 41.0, 2.0)
    puff = 0.02 * np.exp(-(((since - 15) / 5) ** 2))
    stack = pl.DataFrame(
        {"compartment": 1, "row": 7, "since_s": since, "mean": puff, "error": 1e-3, "usual": 0.0},
        schema=PUFF_COLUMNS,
    )
    lines = [(1, 7, "puff", 0.02), (0, 0, "puff", 0.004), (0, 0, "puff_delay_s", 10.0)]
    kiln = report.baghouses[0]
    facts = pl.concat([kiln.facts, pl.DataFrame(lines, schema=kiln.facts.schema, orient="row")])
    day = replace(kiln, facts=facts, puffs=stack if has_stack else kiln.puffs)
    answer = Answer(
        subject=Subject("BH1", *LEAK),
        verdict=Verdict.FOUND,
        urgency=Urgency.NEXT_OUTAGE,
        text="Leaks after each pulse.",
        action="Look.",
    )
    findings = (*report.findings, Finding(DAY, "leaking_row", answer))
    return replace(
        report,
        baghouses=(day, *report.baghouses[1:]),
        findings=findings,
        rules=(*report.rules, RULE),
    )


def test_only_rows_that_leak_are_drawn() -> None:
    assert draw_puffs(prepare(report_days.report()).baghouses[0]) is None
    assert draw_puffs(prepare(leaking(has_stack=False)).baghouses[0]) is None
    prepared = prepare(leaking()).baghouses[0]
    assert list(leaking_rows(prepared)) == [LEAK]


@pytest.mark.real_pictures
def test_the_picture_says_in_words_what_it_shows() -> None:
    picture = draw_puffs(prepare(leaking()).baghouses[0])
    assert picture is not None
    assert picture.png.startswith(b"\x89PNG")
    assert "compartment 1, row 7: 2 %; the median row 0.4 %" in picture.alt
    assert "Dashed: the median of the other rows" in picture.caption


def test_the_chapter_gives_base_puff_and_delay() -> None:
    page = page_of(leaking(), "BH1")
    assert "Opacity between pulses: 3.1 % (standard error 0.04 %)" in page
    assert "Puff after a pulse, median row: 0.4 %, 10 s after it" in page
    assert "no compliance record" in page
    assert Fact.PUFF.value.unit == "1"
