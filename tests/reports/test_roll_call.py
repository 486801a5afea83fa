"""The roll call's marks: a letter of its own for each fault, in print and for every eye."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from helpers import report_days
from helpers.light import contrast, luminance
from helpers.report_facts import DAY, DRAWN_OUT, FACT_SCHEMA, HISTORY_SCHEMA

from rowcall.model import Answer, BaghouseDay, Finding, Subject, Urgency, Verdict
from rowcall.runs.judge import verdict_facts
from rowcall_reports.chapters import roll_call
from rowcall_reports.chapters.row_numbers import write_numbers
from rowcall_reports.figures.row_sheet import blocks, courses
from rowcall_reports.figures.row_styles import FULL_DROP, LOOKS, Look
from rowcall_reports.figures.rows import draw_rows

ZONE = ZoneInfo("Europe/Vienna")
FOUND = [LOOKS[letter] for letter in roll_call.FOUND_LETTERS]


def found(rule: str, urgency: Urgency = Urgency.NEXT_OUTAGE, row: int = 3) -> Finding:
    subject = Subject("BH2", 1, row)
    return Finding(
        DAY, rule, Answer(subject=subject, verdict=Verdict.FOUND, text="", urgency=urgency)
    )


def said(rule: str, verdict: Verdict, row: int = 3) -> Finding:
    return Finding(DAY, rule, Answer(subject=Subject("BH2", 1, row), verdict=verdict, text=""))


def mill() -> BaghouseDay:
    return report_days.report().baghouses[1]


def darkest(look: Look) -> float:
    return min(luminance(color) for color in (look.ground, look.block) if color is not None)


@pytest.mark.parametrize(
    ("findings", "mark", "letter"),
    [
        ([found("row_silent")], "SILENT", "S"),
        ([found("row_silent", Urgency.NOW)], "SILENT", "S"),
        ([found("row_silent", Urgency.WATCH)], "INTERMITTENT", "I"),
        ([found("row_weak")], "FAINT", "F"),
        ([found("row_weak", Urgency.WATCH)], "FAINT", "F"),
        ([found("row_closes_late")], "DRAWN OUT", "D"),
        ([found("row_not_pulsed", Urgency.WATCH)], "NOT CALLED", "N"),
        ([said("row_silent", Verdict.CANNOT_TELL), found("row_not_pulsed")], "NOT CALLED", "N"),
        ([found("row_silent", Urgency.WATCH), found("row_weak")], "INTERMITTENT", "I"),
        (
            [said("row_silent", Verdict.CANNOT_TELL), said("row_not_pulsed", Verdict.CLEAR)],
            "?",
            "?",
        ),
        ([said("row_silent", Verdict.CLEAR), said("row_weak", Verdict.CANNOT_TELL)], "ok?", ""),
        ([said("row_not_pulsed", Verdict.CLEAR)], "-", ""),
    ],
)
def test_each_finding_has_its_own_mark(findings: list[Finding], mark: str, letter: str) -> None:
    assert roll_call.marks(mill(), findings)[1, 3] == mark
    assert roll_call.letter_of(mark) == letter
    sheet = roll_call.write_roll_call(mill(), findings, ZONE)
    assert f"`{mark}`: " in sheet


def test_every_letter_has_a_look_and_words() -> None:
    assert set(LOOKS) == {*roll_call.FOUND_LETTERS, roll_call.UNKNOWN}
    assert len(set(roll_call.FOUND_LETTERS)) == len(roll_call.ROW_MARKS)


def test_findings_differ_in_lightness_or_form_and_stand_out_of_sound_rows() -> None:
    # WCAG 2.x: 3:1 between graphical objects, 4.5:1 for text. Of more than three greys from white
    # to black some must lie closer than 3:1; these differ in form, which no eye and no print loses.
    for look in FOUND:
        dark = look.block if look.block and luminance(look.block) < 0.5 else look.ground
        assert contrast(dark, FULL_DROP) >= 3.0
        if look.block is not None:
            assert contrast(look.block, look.ground) >= 3.0
    for one, other in itertools.combinations(FOUND, 2):
        low, high = sorted((darkest(one), darkest(other)))
        by_form = (one.across, one.down) != (other.across, other.down)
        assert by_form or (high + 0.05) / (low + 0.05) >= 3.0
    for look in LOOKS.values():
        assert contrast(look.block or look.ground, look.ink) >= 4.5
    assert contrast(LOOKS[roll_call.UNKNOWN].ground, FULL_DROP) >= 1.3


def test_a_silent_cell_is_the_darkest_and_an_unknown_one_the_palest() -> None:
    def light(look: Look) -> float:
        share = look.across * look.down if look.block is not None else 0.0
        block = luminance(look.block) if look.block is not None else 0.0
        return share * block + (1 - share) * luminance(look.ground)

    by_letter = {letter: light(look) for letter, look in LOOKS.items()}
    assert by_letter["S"] == min(by_letter.values())
    assert by_letter[roll_call.UNKNOWN] == max(by_letter.values())
    assert by_letter["D"] < by_letter["F"]


def test_days_before_keep_the_letter_of_an_intermittent_row() -> None:
    yesterday = [found("row_silent", Urgency.WATCH, 3), found("row_silent", row=4)]
    yesterday += [found("row_weak", row=5), found("row_not_pulsed", row=6)]
    facts = verdict_facts("BH2", yesterday)
    when = DAY - timedelta(days=1)
    history = facts.with_columns(day=pl.lit(when)).select(list(HISTORY_SCHEMA))
    past = roll_call.past_letters(replace(mill(), history=history))
    assert dict(past.select("row", "letter").iter_rows()) == {3: "I", 4: "S", 5: "F", 6: "N"}


def test_picture_explains_only_the_letters_it_shows() -> None:
    picture = draw_rows(mill(), [found("row_weak"), found("row_silent", Urgency.WATCH, 5)])
    assert picture is not None
    assert "Letters: I answers now and then, F faint." in picture.caption
    assert "faint: compartment 1 row 3" in picture.alt
    assert "answers now and then: compartment 1 row 5" in picture.alt
    plain = draw_rows(replace(mill(), history=mill().history.clear()), [])
    assert plain is not None
    assert "Letters:" not in plain.caption


def test_caption_says_since_when_and_that_it_began_before_it_was_found() -> None:
    report = report_days.report()
    picture = draw_rows(report.baghouses[0], report.findings)
    assert picture is not None
    assert "compartment 1, row 4 silent since 2026-11-16" in picture.caption
    assert "compartment 2, row 9 drawn out since 2026-11-23" in picture.caption


def fading(first_ago: int, a_day: float) -> BaghouseDay:
    """The mill's row 3 loses a share of its drop every day; found faint on the last four."""
    lines = []
    for ago in range(29, 0, -1):
        ratio = 1.0 - a_day * max(0, first_ago - ago) + 0.01 * (-1) ** ago
        when = DAY - timedelta(days=ago)
        lines.append((when, 1, 3, "drop_ratio", ratio))
        lines.append((when, 1, 3, "verdict_faint", float(ago <= 3)))
    today = pl.DataFrame(
        [(1, 3, "drop_ratio", 1.0 - a_day * first_ago)], schema=FACT_SCHEMA, orient="row"
    )
    history = pl.DataFrame(lines, schema=HISTORY_SCHEMA, orient="row")
    return replace(mill(), facts=today, history=history)


def test_a_fault_that_grew_for_weeks_is_told_from_its_beginning() -> None:
    day = fading(first_ago=20, a_day=0.025)
    days, made = blocks(day, [found("row_weak")])
    (course,) = courses(days, made)
    assert course.since == DAY - timedelta(days=3)
    assert course.moved == DAY - timedelta(days=15)  # the first day on which it lost over 10 %
    assert course.usual == pytest.approx(1.0, abs=0.02)
    shown = made[0].ratio[2]
    assert np.all(np.diff(shown[12:]) < 0.02)
    picture = draw_rows(day, [found("row_weak")])
    assert picture is not None
    told = "row 3 faint since 2026-11-21, its drop away from its usual 99 % since 2026-11-09"
    assert told in picture.caption


def test_a_fault_that_came_at_once_has_no_longer_course() -> None:
    day = fading(first_ago=0, a_day=0.0)
    (course,) = courses(*blocks(day, [found("row_weak")]))
    assert course.moved is None


def numbers(facts: dict[str, float]) -> list[str]:
    lines = [(*DRAWN_OUT, name, value) for name, value in facts.items()]
    frame = pl.DataFrame(lines, schema=FACT_SCHEMA, orient="row")
    day = replace(report_days.report().baghouses[0], facts=frame)
    table = write_numbers(day, [DRAWN_OUT], {DRAWN_OUT: "DRAWN OUT"}, ZONE)
    head, _, line, *_ = table.splitlines()
    assert head.count("|") == line.count("|")
    return [cell.strip() for cell in line.strip("|").split(" | ")]


def test_numbers_carry_their_errors() -> None:
    line = numbers(
        {
            "n_called": 240.0, "n_heard": 200.0, "n_answered": 150.0, "drop_pa": 1.6e5,
            "drop_ratio": 1.583, "drop_ratio_error": 0.021, "late_s": 0.62, "late_s_error": 0.052,
        }
    )  # fmt: skip
    assert line[3:] == [
        "240",
        "150 / 200",
        "75 % (69-80 %)",
        "1.60 bar",
        "158 ± 2 %",
        "0.62 ± 0.05 s",
    ]


def test_share_of_answers_comes_from_the_spread_where_single_pulses_are_not_heard() -> None:
    line = numbers(
        {
            "n_called": 240.0, "n_heard": 0.0, "n_answered": 0.0, "coming_gain": 30.0,
            "coming_rate": 0.52, "coming_rate_low": 0.41, "coming_rate_high": 0.64,
        }
    )  # fmt: skip
    assert line[5:] == ["52 % (41-64 %)", "-", "-", "-"]


def test_a_row_that_opens_no_more_has_no_closing_and_its_onset_is_told() -> None:
    line = numbers(
        {
            "n_called": 240.0, "n_heard": 240.0, "n_answered": 110.0, "drop_ratio": 0.47,
            "drop_ratio_error": 0.02, "late_s": 0.0, "late_s_error": 0.1, "n_after": 130.0,
            "onset_s": 11 * 3600 + 8 * 60, "share_before": 0.98, "share_after": 0.01,
            "share_after_error": 0.004,
        }
    )  # fmt: skip
    assert line[8:] == ["-", "since 11:08: 98 % before, 1 % after"]
