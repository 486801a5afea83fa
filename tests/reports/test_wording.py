"""Words of the reports: safe for Markdown, units and times as people write them."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import pytest
from markdown_it import MarkdownIt

from rowcall.site import UnitsTable
from rowcall_reports import wording

START = datetime(2026, 3, 28, 23, tzinfo=UTC)  # midnight in Vienna, a day of 23 hours


@pytest.mark.parametrize(
    "name",
    ["a|b<script>", "`x`", "[a](b)", "*a*", "_a_", "# a", "1. a", "- a", "+ a", "> a", "&amp;",
     "a\\", "a\nb", "~~a~~", "<b>", "![x](y)", "http://x.y", "= a", "$a$"],
)  # fmt: skip
def test_escaped_text_comes_out_as_it_went_in(name: str) -> None:
    parser = MarkdownIt("commonmark", {"html": True}).enable(["table", "strikethrough"])
    for markdown in (wording.escape(name), wording.table([wording.escape(name), "b"], [])):
        tokens = parser.parse(markdown)
        shown = next(token for token in tokens if token.type == "inline")
        children = shown.children or []
        assert {child.type for child in children} <= {"text"}
        assert "".join(child.content for child in children) == " ".join(name.split())


def test_tag_names_stay_readable_in_plain_text() -> None:
    assert wording.escape("LK.BH1.PT_01") == "LK.BH1.PT_01"


@pytest.mark.parametrize(
    ("pairs", "words"),
    [
        ([(0, 0)], "whole baghouse"),
        ([(1, 0), (2, 0)], "compartments 1, 2"),
        ([(1, 4)], "compartment 1, row 4"),
        ([(c, r) for c in (1, 2, 3) for r in range(1, 9)], "compartments 1-3, rows 1-8"),
        ([(1, 1), (2, 3)], "compartment 1, row 1; compartment 2, row 3"),
    ],
)
def test_places_in_words(pairs: list[tuple[int, int]], words: str) -> None:
    assert wording.places(pairs) == words


def test_number_at_the_start_of_a_sentence_stays_bare() -> None:
    assert wording.escape("0.1") == "0.1"
    assert wording.escape("1. First") == "1\\. First"


@pytest.mark.parametrize(
    ("hours", "words"),
    [
        (1, "2026-03-29 00:00 to 01:00"),
        (3, "2026-03-29 00:00 to 04:00"),
        (23, "2026-03-29 00:00 to 24:00"),
        (24, "2026-03-29 00:00 to 2026-03-30 01:00"),
    ],
)
def test_period_is_plant_local(hours: int, words: str) -> None:
    zone = ZoneInfo("Europe/Vienna")
    assert wording.period(START, START + timedelta(hours=hours), zone) == words


def test_period_may_be_open() -> None:
    zone = ZoneInfo("Europe/Vienna")
    assert wording.period(None, None, zone) == ""
    assert wording.period(START, None, zone) == "2026-03-29 00:00"


@pytest.mark.parametrize(
    ("now", "before", "words"),
    [(110.0, 100.0, "+10 %"), (99.9, 100.0, "0 %"), (90.0, 100.0, "-10 %"), (1.0, None, "-")],
)
def test_change_in_whole_percent(now: float, before: float | None, words: str) -> None:
    assert wording.change(now, before) == words


def test_duration_in_the_unit_that_reads_best() -> None:
    shown = [wording.duration(seconds) for seconds in (0.5, 60.0, 467.0, 86400.0)]
    assert shown == ["0.5 s", "60 s", "7.78 min", "24 h"]


def test_numbers_have_thousands_separated_and_no_exponent() -> None:
    shown = [wording.significant(value, 2) for value in (43_812.0, 199.0, 5.13, 0.0312)]
    assert shown == ["44,000", "200", "5.1", "0.031"]
    assert wording.duration(4e7) == "11,100 h"
    assert wording.number(-0.001, 2) == "0.00"
    assert wording.number(2_073_600) == "2,073,600"


def test_days_in_sentences_are_short() -> None:
    today = date(2026, 1, 5)
    assert wording.day_in_sentence(date(2026, 1, 3), today) == "3 Jan"
    assert wording.day_in_sentence(date(2025, 12, 30), today) == "30 Dec 2025"


def test_values_that_are_missing_are_a_dash() -> None:
    units = UnitsTable().scales
    assert wording.quantity(float("nan"), units.temperature) == wording.number(None) == "-"
    assert wording.quantity(1234.0, units.dp) == "1.23 kPa"
    assert wording.quantity(6.02e5, units.gauge) == "6.02 bar gauge"
