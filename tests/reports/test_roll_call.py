"""The roll call's marks: a letter of its own for each fault, in print and for every eye."""

from __future__ import annotations

import itertools
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers import report_days
from helpers.day_pages import page_of
from helpers.light import contrast, luminance
from helpers.report_answers import rules
from helpers.report_facts import CLOSES_LATE, DAY, fact_table, past_facts

from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import (
    Answer,
    BaghouseDay,
    Fact,
    Finding,
    History,
    Lack,
    RowMark,
    Subject,
    Urgency,
    Verdict,
)
from rowcall.runs.judge import verdict_table
from rowcall_reports.chapters.roll_call import write_roll_call
from rowcall_reports.chapters.row_numbers import write_numbers
from rowcall_reports.figures.all_pictures import draw
from rowcall_reports.figures.picture import Picture
from rowcall_reports.figures.row_panels import panels
from rowcall_reports.figures.row_sheet import courses
from rowcall_reports.figures.row_styles import FULL_DROP, LOOKS, Look
from rowcall_reports.figures.rows import draw_rows
from rowcall_reports.prepared import PreparedDay, prepare
from rowcall_reports.row_marks import OTHER, UNKNOWN, marks_before, marks_of, marks_today

LETTERS = [mark.letter for mark in marks_of(load_rules())]
FOUND = [LOOKS[letter] for letter in LETTERS]
LATE = next(mark for mark in marks_of(rules()) if mark.shows_lateness)


def found(rule: str, urgency: Urgency = Urgency.NEXT_OUTAGE, row: int = 3) -> Finding:
    subject = Subject("BH2", 1, row)
    return Finding(
        DAY, rule, Answer(subject=subject, verdict=Verdict.FOUND, text="", urgency=urgency)
    )


def said(rule: str, verdict: Verdict, row: int = 3) -> Finding:
    return Finding(DAY, rule, Answer(subject=Subject("BH2", 1, row), verdict=verdict, text=""))


def mill() -> BaghouseDay:
    return report_days.report().baghouses[1]


def prepared(day: BaghouseDay, findings: list[Finding]) -> PreparedDay:
    report = replace(report_days.report(), baghouses=(day,), findings=tuple(findings))
    return prepare(report).baghouses[0]


def drawn(day: BaghouseDay, findings: list[Finding]) -> Picture:
    picture = draw_rows(prepared(day, findings))
    assert picture is not None
    return picture


def darkest(look: Look) -> float:
    return min(luminance(color) for color in (look.ground, look.block) if color is not None)


@pytest.mark.parametrize(
    ("findings", "mark", "letter"),
    [
        ([found("row_silent")], "SILENT", "S"),
        ([found("row_silent", Urgency.NOW)], "SILENT", "S"),
        ([found("row_silent", Urgency.WATCH)], "MISSES PULSES", "M"),
        ([found("row_weak")], "WEAK", "W"),
        ([found("row_weak", Urgency.WATCH)], "WEAK", "W"),
        ([found("row_closes_late")], "CLOSES LATE", "L"),
        ([found("row_not_pulsed", Urgency.WATCH)], "NOT PULSED", "N"),
        ([said("row_silent", Verdict.CANNOT_TELL), found("row_not_pulsed")], "NOT PULSED", "N"),
        ([found("row_silent", Urgency.WATCH), found("row_weak")], "MISSES PULSES", "M"),
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
    shown = marks_today(mill(), findings, rules())[1, 3]
    assert (shown.word, shown.letter) == (mark, letter)
    assert f"`{mark}`: " in write_roll_call(prepared(mill(), findings))


def test_every_mark_of_the_rules_has_a_look_of_its_own() -> None:
    assert set(LOOKS) == {*LETTERS, UNKNOWN.letter}
    assert len(set(LETTERS)) == len(LETTERS)
    words = [mark.words for mark in marks_of(load_rules())]
    assert len(set(words)) == len(words)


@pytest.mark.usefixtures("unpainted")
def test_a_rule_that_is_not_known_here_has_its_mark_and_findings_shown() -> None:
    mark = RowMark("X", "odd", "is odd", 0, shows_lateness=True)
    odd = replace(rules()[0], name="row_odd", title="Row is odd", marks=(mark,))
    first = report_days.report()
    finding = Finding(DAY, "row_odd", _odd_answer())
    report = replace(first, rules=(*first.rules, odd), findings=(*first.findings, finding))
    pictures = draw(report)
    kiln = page_of(report, "BH1", pictures)
    assert "### Row is odd: compartment 1, row 9\n\n**Watch.**" in kiln
    assert "| **ODD** | 240 | 240 / 240 |" in kiln
    assert "X odd, N not pulsed" not in kiln  # explains only what is shown
    assert "Letters: X odd, S silent" in kiln
    (panel,) = (p for p in panels(prepare(report).baghouses[0]) if (p.compartment, p.row) == (1, 9))
    assert np.isfinite(panel.late_s)


def _odd_answer() -> Answer:
    return Answer(
        subject=Subject("BH1", 1, 9),
        verdict=Verdict.FOUND,
        text="It is odd.",
        urgency=Urgency.WATCH,
    )


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
    assert contrast(LOOKS[UNKNOWN.letter].ground, FULL_DROP) >= 1.3


def test_a_silent_cell_is_the_darkest_and_an_unknown_one_the_palest() -> None:
    def light(look: Look) -> float:
        share = look.across * look.down if look.block is not None else 0.0
        block = luminance(look.block) if look.block is not None else 0.0
        return share * block + (1 - share) * luminance(look.ground)

    by_letter = {letter: light(look) for letter, look in LOOKS.items()}
    assert by_letter["S"] == min(by_letter.values())
    assert by_letter[UNKNOWN.letter] == max(by_letter.values())
    assert by_letter["L"] < by_letter["W"]


def test_days_before_keep_the_letter_of_what_was_found() -> None:
    yesterday = DAY - timedelta(days=1)
    said_then = [found("row_silent", Urgency.WATCH, 3), found("row_silent", row=4)]
    said_then += [found("row_weak", row=5), found("row_not_pulsed", row=6)]
    said_then += [said("row_silent", Verdict.CANNOT_TELL, 7), said("row_silent", Verdict.CLEAR, 8)]
    table = verdict_table("BH2", [replace(one, day=yesterday) for one in said_then])
    day = replace(mill(), history=History(verdicts=table))
    past = marks_before(day, rules())
    assert list(past) == [yesterday]
    letters = {row: mark.letter for (_, row), mark in past[yesterday].items() if mark.letter}
    assert letters == {3: "M", 4: "S", 5: "W", 6: "N", 7: "?"}


def test_days_before_are_marked_as_they_were_on_their_day() -> None:
    """A check of the whole baghouse counts for its rows, then as now."""
    yesterday = DAY - timedelta(days=1)
    answer = Answer.cannot_tell(Subject("BH2"), "no tag", Lack.TAG)
    table = verdict_table("BH2", [Finding(yesterday, "row_silent", answer)])
    day = replace(mill(), history=History(verdicts=table))
    now = marks_today(day, [Finding(DAY, "row_silent", answer)], rules())
    assert marks_before(day, rules())[yesterday] == now
    assert set(now.values()) == {UNKNOWN}


def test_picture_explains_only_the_letters_it_shows() -> None:
    picture = drawn(mill(), [found("row_weak"), found("row_silent", Urgency.WATCH, 5)])
    assert "Letters: M misses pulses, W weak." in picture.caption
    assert "weak: compartment 1 row 3" in picture.alt
    assert "misses pulses: compartment 1 row 5" in picture.alt
    assert "Letters:" not in drawn(replace(mill(), history=History()), []).caption


def test_a_row_found_by_a_check_without_marks_is_not_ok() -> None:
    house = prepared(mill(), [found("slow_header_recovery"), said("row_silent", Verdict.CLEAR)])
    assert house.found_rows == {(1, 3): OTHER}
    assert "| **SEE FOUND** |" in write_roll_call(house)
    picture = draw_rows(house)
    assert picture is not None
    assert "other finding: compartment 1 row 3" in picture.alt
    assert "Letters: F other finding" in picture.caption


def test_numbers_of_a_row_that_changed_are_said_to_be_of_the_whole_time() -> None:
    facts = {Fact.N_SENT: 432.0, Fact.N_JUDGED: 432.0, Fact.N_ANSWERED: 419.0, Fact.N_AFTER: 130.0}
    change = {
        Fact.ONSET_S: 49_500.0,
        Fact.DROP_RATIO: 0.5,
        Fact.DROP_RATIO_BEFORE: 0.98,
        Fact.DROP_RATIO_AFTER: 0.01,
        Fact.DROP_RATIO_AFTER_ERROR: 0.004,
    }
    for extra in ({}, change):
        frame = fact_table([(*CLOSES_LATE, f, value) for f, value in {**facts, **extra}.items()])
        text = write_numbers(replace(mill(), facts=frame), {CLOSES_LATE: LATE})
        assert ("of the whole time judged" in text) == bool(extra)


def test_caption_says_since_when_and_that_it_began_before_it_was_found() -> None:
    report = report_days.report()
    picture = draw_rows(prepare(report).baghouses[0])
    assert picture is not None
    assert "Compartment 1, row 4 silent since 16 Nov" in picture.caption
    assert "compartment 2, row 9 closes late since 23 Nov" in picture.caption


def fading(first_ago: int, a_day: float) -> BaghouseDay:
    """The mill's row 3 loses a share of its drop every day; found weak on the last four."""
    facts, verdicts = [], []
    for ago in range(29, 0, -1):
        ratio = 1.0 - a_day * max(0, first_ago - ago) + 0.01 * (-1) ** ago
        when = DAY - timedelta(days=ago)
        facts.append((when, (1, 3, Fact.DROP_RATIO, ratio)))
        one = found("row_weak") if ago <= 3 else said("row_weak", Verdict.CLEAR)
        verdicts.append(replace(one, day=when))
    history = History(past_facts(facts), verdict_table("BH2", verdicts))
    today = fact_table([(1, 3, Fact.DROP_RATIO, 1.0 - a_day * first_ago)])
    return replace(mill(), facts=today, history=history)


def test_a_fault_that_grew_for_weeks_is_followed_from_its_beginning() -> None:
    day = fading(first_ago=20, a_day=0.025)
    days, made = prepared(day, [found("row_weak")]).sheet
    (course,) = courses(days, made)
    assert course.since == DAY - timedelta(days=3)
    assert course.moved == DAY - timedelta(days=15)  # the first day on which it lost over 10 %
    assert course.usual == pytest.approx(1.0, abs=0.02)
    shown = made[0].ratio[2]
    assert np.all(np.diff(shown[12:]) < 0.02)
    words = "row 3 weak since 21 Nov, its drop away from its usual 99 % since 9 Nov"
    assert words in drawn(day, [found("row_weak")]).caption


def test_a_fault_that_came_at_once_has_no_longer_course() -> None:
    day = fading(first_ago=0, a_day=0.0)
    (course,) = courses(*prepared(day, [found("row_weak")]).sheet)
    assert course.moved is None


def numbers(facts: dict[Fact, float]) -> list[str]:
    frame = fact_table([(*CLOSES_LATE, fact, value) for fact, value in facts.items()])
    day = replace(report_days.report().baghouses[0], facts=frame)
    table = write_numbers(day, {CLOSES_LATE: LATE})
    head, _, line, *_ = table.splitlines()
    assert head.count("|") == line.count("|")
    return [cell.strip() for cell in line.strip("|").split(" | ")]


def test_numbers_carry_their_errors() -> None:
    line = numbers(
        {
            Fact.N_SENT: 240.0,
            Fact.N_JUDGED: 200.0,
            Fact.N_ANSWERED: 150.0,
            Fact.DROP_PA: 1.6e5,
            Fact.DROP_RATIO: 1.583,
            Fact.DROP_RATIO_ERROR: 0.021,
            Fact.LATE_S: 0.62,
            Fact.LATE_S_ERROR: 0.052,
        }
    )
    assert line[3:] == [
        "240",
        "150 / 200",
        "75 % (69-80 %)",
        "1.60 bar",
        "158 ± 2 %",
        "0.62 ± 0.05 s",
    ]


def test_share_of_answers_comes_from_the_spread_where_single_pulses_are_not_judged() -> None:
    line = numbers(
        {
            Fact.N_SENT: 240.0,
            Fact.N_JUDGED: 0.0,
            Fact.N_ANSWERED: 0.0,
            Fact.INTERMITTENT_GAIN: 30.0,
            Fact.ANSWER_RATE: 0.52,
            Fact.ANSWER_RATE_LOW: 0.41,
            Fact.ANSWER_RATE_HIGH: 0.64,
        }
    )
    assert line[5:] == ["52 % (41-64 %)", "-", "-", "-"]


def test_a_row_that_opens_no_more_has_no_closing_and_its_onset_is_shown() -> None:
    line = numbers(
        {
            Fact.N_SENT: 240.0,
            Fact.N_JUDGED: 240.0,
            Fact.N_ANSWERED: 110.0,
            Fact.DROP_RATIO: 0.47,
            Fact.DROP_RATIO_ERROR: 0.02,
            Fact.LATE_S: 0.0,
            Fact.LATE_S_ERROR: 0.1,
            Fact.N_AFTER: 130.0,
            Fact.ONSET_S: 11 * 3600 + 8 * 60,
            Fact.DROP_RATIO_BEFORE: 0.98,
            Fact.DROP_RATIO_AFTER: 0.01,
            Fact.DROP_RATIO_AFTER_ERROR: 0.004,
        }
    )
    assert line[8:] == ["-", "since 11:08: 98 % before, 1 % after"]
