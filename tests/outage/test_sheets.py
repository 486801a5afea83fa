"""The sheets of a stop: what stands in them, in an order that is safe."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import replace
from datetime import date

import pytest
from helpers.report_days import site
from helpers.stop_cases import (
    BLINDED,
    COIL,
    DAY,
    WORN,
    case,
    entry,
    full_stop,
    renewed,
    stop,
    unjudged,
)

from rowcall.diagnosis.rule_book import load_families
from rowcall.media import Fibre
from rowcall.model import Caution, Check, State, Subject, Work, WorkLog
from rowcall.site import Site
from rowcall_reports.chapters.cautions import CLOSING, SENTENCES
from rowcall_reports.outage.bag_sheet import write_bag_change
from rowcall_reports.outage.outage_sheet import write_outage
from rowcall_reports.outage.return_sheet import write_return
from rowcall_reports.outage.sheet_files import sheets
from rowcall_reports.outage.stop import BAG, KIT, PARTS, STEP_OF
from rowcall_reports.outage.stop import COIL as COIL_PART
from rowcall_reports.outage.stop_checks import CHECKS, Step

# As tests/rules/test_safety.py has it of rules: not before isolation, and not after it.
UNSAFE = re.compile(
    r"\b(coil|fuse|wir(e|ing)|terminal|voltage|pilot|vent|diaphragm|lid|bolt|seat|spring"
    r"|bleed hole|blowpipe|nozzle|cage|solenoid|open|swap|loosen|tighten|unscrew|remove|replace"
    r"|renew|enter|dismantle|(take|pull|send) a bag)(s|d|ed|ing)?\b",
    re.IGNORECASE,
)
NEEDS_ENERGY = re.compile(
    r"\b(voltage|listen|pulse (it|every)|fan run|under load)\b", re.IGNORECASE
)


def section(text: str, title: str) -> str:
    return text.partition(f"## {title}\n")[2].partition("\n## ")[0]


def ticks(text: str) -> list[str]:
    return re.findall(r"^- \[ \] (.*?)\\?$", text, re.MULTILINE)


def with_bags(n: int) -> Site:
    the_site = site()
    house = the_site.baghouse[0].model_copy(update={"bags_per_row": ((n,),)})
    return the_site.model_copy(update={"baghouse": (house, *the_site.baghouse[1:])})


def test_nothing_that_needs_isolation_stands_before_it() -> None:
    text = write_outage(full_stop())
    before = ticks(section(text, Step.RUNNING.value))
    assert len(before) > len(CHECKS[Step.RUNNING])
    assert {line: found[0] for line in before if (found := UNSAFE.search(line))} == {}


@pytest.mark.parametrize("step", [Step.VALVES, Step.PLENUM, Step.DIRTY])
def test_nothing_that_needs_power_or_air_stands_after_isolation(step: Step) -> None:
    lines = ticks(section(write_outage(full_stop()), step.value))
    assert len(lines) >= len(CHECKS[step])
    assert [line for line in lines if NEEDS_ENERGY.search(line)] == []


def test_isolation_comes_before_whatever_needs_it() -> None:
    text = write_outage(full_stop())
    titles = [line[3:] for line in text.splitlines() if line.startswith("## ")]
    steps = [title for title in titles if title in list(Step)]
    assert steps == list(Step)
    assert titles.index("Before anyone works on it") < titles.index(Step.RUNNING.value)


def test_all_cautions_stand_in_it() -> None:
    text = write_outage(stop())
    assert all(SENTENCES[caution] in text for caution in Caution)
    assert CLOSING in text


def test_what_waits_goes_by_place() -> None:
    waits = section(write_outage(full_stop()), "What waits, by place")
    heads = re.findall(r"^- \*\*(.*?),? (?:next outage|watch)", waits, re.MULTILINE)
    assert heads == [
        "Whole baghouse",
        "Compartment 1, row 7",
        "Compartment 2",
        "Compartment 2, place 3",
    ]
    assert "Silent all day: no pressure drop at any of 240 pulses. Since 2 Mar." in waits


def test_what_is_off_on_purpose_waits_too_until_it_is_on_again() -> None:
    row = Subject("BH1", 1, 3)
    off = entry(Work.OFF, date(2026, 3, 6), row, note="blowpipe loose")
    text = section(write_outage(stop(work=WorkLog((off,)))), "Off on purpose, by the work log")
    assert "**Compartment 1, row 3**, since 6 Mar" in text
    assert "blowpipe loose" in text
    on = entry(Work.ON, date(2026, 3, 9), Subject("BH1", 1))
    assert "Off on purpose" not in write_outage(stop(work=WorkLog((off, on))))


def test_the_number_of_a_case_says_why() -> None:
    text = write_outage(stop(case("valve", 1, 7, number="answers 4 % of its pulses")))
    assert "Valve of a row. Answers 4 % of its pulses. Since 2 Mar." in text


@pytest.mark.parametrize(("days", "said"), [(0, ""), (1, "day"), (3, "3 days")])
def test_a_case_says_on_how_many_days_it_could_not_be_judged(days: int, said: str) -> None:
    text = write_outage(stop(case("valve", 1, 7, unknown_days=days)))
    (line,) = re.findall(r"^- .*Since 2 Mar\.(.*)$", text, re.MULTILINE)
    assert line == (f" Could not be judged on the last {said}." if said else "")


def test_parts_and_steps_are_of_causes_and_families_that_exist() -> None:
    """One of another name would never be taken along."""
    families = load_families()
    causes = [cause.name for family in families for cause in family.causes]
    assert len(causes) == len(set(causes))
    assert PARTS.keys() <= set(causes)
    assert STEP_OF.keys() <= {family.key for family in families}


def test_a_quiet_case_and_one_that_others_explain_are_no_jobs() -> None:
    text = write_outage(full_stop())
    assert "row 9" not in text.replace("rows 1-12", "")
    explained = text.partition("No jobs of their own")[2].partition("##")[0]
    assert "Compartment 1: header, by compartment 1, row 7" in explained


def test_causes_are_named_with_their_checks_where_they_belong() -> None:
    text = write_outage(stop(case("valve", 1, 7, COIL, WORN)))
    assert "listen: does it blow longer" in section(text, Step.RUNNING.value)
    valves = section(text, Step.VALVES.value)
    assert valves.index("coil, plug and wire") < valves.index("both diaphragms and the seat")


def test_a_probability_is_shown_only_where_trials_stand_behind_it() -> None:
    measured = replace(COIL, is_measured=True)
    assert "(70 %)" in write_outage(stop(case("valve", 1, 7, measured)))
    assert "(70 %)" not in write_outage(stop(case("valve", 1, 7, COIL)))


def test_the_same_check_from_outside_is_one_line_for_all_rows() -> None:
    running = section(
        write_outage(stop(case("valve", 1, 7, COIL), case("valve", 1, 9, COIL))),
        Step.RUNNING.value,
    )
    assert "**Compartment 1, rows 7, 9:** pulse it manually" in running


def test_a_case_without_causes_says_what_its_finding_says() -> None:
    text = write_outage(stop(case("header", 2)))
    assert "**Compartment 2:** Read the gauges." in section(text, Step.RUNNING.value)
    assert "**Compartment 2:** filter and regulator." in section(text, Step.VALVES.value)


def test_a_place_in_the_sequence_is_found_first() -> None:
    text = write_outage(stop(case("valve", 2, 3, WORN, is_place=True)))
    first = ticks(section(text, Step.RUNNING.value))[0]
    assert first.startswith("**Compartment 2, place 3:** Find which row this place is")


def test_a_repair_in_vain_is_named_and_its_part_stays_at_home() -> None:
    vain = case("valve", 1, 7, WORN, COIL, repairs=(renewed(Work.DIAPHRAGMS_RENEWED),))
    text = write_outage(stop(vain))
    assert (
        "Diaphragms renewed on 2026-03-12, but still: silent: do not renew them again before coil, "
        "wire and pilot line are checked." in text
    )
    assert stop(vain).parts == {COIL_PART: 1}
    assert stop(replace(vain, causes=(WORN,))).parts == {COIL_PART: 1}  # what is tried next


def test_a_repair_that_waits_is_not_called_vain() -> None:
    waiting = case("valve", 1, 7, WORN, repairs=(renewed(Work.DIAPHRAGMS_RENEWED, Check.WAITING),))
    assert "do not renew" not in write_outage(stop(waiting))
    assert stop(waiting).parts == {KIT: 1}


def test_parts_are_counted_over_rows() -> None:
    text = write_outage(stop(*(case("valve", 1, row, COIL, WORN) for row in (3, 7))))
    take = section(text, "Take along")
    assert f"2 x {KIT}" in take
    assert f"2 x {COIL_PART}" in take


def test_bags_of_known_positions_are_counted_until_they_are_changed() -> None:
    row = Subject("BH1", 1, 2)
    dye = [entry(Work.DYE_TEST, date(2026, 3, 1), row, position=n) for n in (5, 6)]
    sound = entry(Work.DYE_TEST, date(2026, 3, 1), row, position=7, result="no leak")
    changed = entry(Work.BAGS_CHANGED, date(2026, 3, 2), row, position=5)
    tested = stop(work=WorkLog((*dye, sound, changed)))
    assert [one.position for one in tested.leaking] == [6]
    assert tested.parts == {BAG: 1}


def test_what_cannot_be_told_is_grouped_with_what_to_look_at() -> None:
    looks = section(
        write_outage(stop(findings=unjudged())),
        "Isolated: what does not show from outside and is worth a look",
    )
    (line,) = ticks(looks)
    assert "compartment 2, rows 1-12. Look at: both diaphragms" in line


def test_a_place_with_work_is_no_mere_look() -> None:
    looks = write_outage(stop(case("valve", 2, 1, WORN), findings=unjudged()))
    assert "compartment 2, rows 2-12" in looks


def test_the_advice_stands_at_the_end() -> None:
    assert section(write_outage(full_stop()), "What would make it judgeable").count("\n- ") == 1


def test_no_case_makes_a_sheet_of_standard_checks() -> None:
    text = write_outage(stop())
    assert "Nothing waits." in text
    assert all(check in text for check in CHECKS[Step.PLENUM])
    assert "Take along" not in text


@pytest.mark.parametrize(
    ("media", "words"),
    [
        ("polyester", "Bags (polyester by the site file) with a membrane (ePTFE): no pre-coat, "
                      "unless hydrocarbons"),
        ("ptfe", "Bags (PTFE by the site file)"),
        (None, "does not state the media"),
    ],
)  # fmt: skip
def test_pre_coat_follows_the_media(media: str | None, words: str) -> None:
    given = stop()
    house = given.house.model_copy(update={"media": media and Fibre(media)})
    assert words in write_return(replace(given, house=house))


def test_first_pulses_wait_for_the_set_point_of_the_site_file() -> None:
    assert "DP has reached 1.50 kPa, the start set point" in write_return(stop())
    mill = write_return(replace(stop(), house=site().baghouse[1]))
    assert "the bag maker says" in section(mill, "5. First pulses")


def test_locks_come_on_again_before_the_clean_side_is_read() -> None:
    test = section(write_return(stop()), "2. Leak or dye test")
    assert test.index("Stop the fan. Lock out and tag out again") < test.index("UV light")


def test_lines_of_the_work_log_name_what_the_sheets_list() -> None:
    lines = section(write_return(full_stop()), "7. Entries for the work log").splitlines()
    assert "2026-03-20,BH1,1,7,,solenoid renewed,,," in lines
    assert "2026-03-20,BH1,2,?,,diaphragms renewed,,," in lines  # a place: the row is found first
    assert "2026-03-20,BH1,1,2,5,bags changed,failed,batch," in lines
    assert not any("1,7,,diaphragms" in line for line in lines)


def test_lines_of_the_work_log_have_its_columns() -> None:
    table = list(csv.reader(io.StringIO(sheets(full_stop())[f"return-BH1-{DAY}.csv"])))
    assert {len(line) for line in table} == {9}
    assert {line[5] for line in table[1:]} <= set(Work)


def test_no_bag_change_sheet_without_bags_to_change() -> None:
    assert write_bag_change(stop(case("valve", 1, 7, COIL))) == ""
    assert not any(name.startswith("bags") for name in sheets(stop()))


def test_positions_of_rows_with_leaks_are_there_to_fill_in() -> None:
    the_site = with_bags(3)
    dye = entry(Work.DYE_TEST, date(2026, 3, 1), Subject("BH1", 1, 2), position=3, result="glows")
    given = stop(site=the_site, house=the_site.baghouse[0], work=WorkLog((dye,)))
    text = write_bag_change(given)
    assert "**Compartment 1, row 2, position 3:** dye test 1 Mar (glows)" in text
    assert section(text, "Positions").count("Compartment") == 1
    assert "1 [ ]  2 [ ]  3 [ ]" in text
    table = list(csv.reader(io.StringIO(sheets(given)[f"bags-BH1-{DAY}.csv"])))
    assert [line[:4] for line in table[1:]] == [["BH1", "1", "2", str(n)] for n in (1, 2, 3)]


def test_a_rise_of_residual_dp_asks_for_bags() -> None:
    text = write_bag_change(stop(case("cloth", 0, 0, BLINDED)))
    assert "Cages without bent or broken wires and rust" in text
    assert section(text, "Positions").count("Compartment") == 24


def test_tasks_and_parts_stand_in_the_csv() -> None:
    table = list(csv.DictReader(io.StringIO(sheets(full_stop())[f"outage-BH1-{DAY}.csv"])))
    parts = {line["what"]: line["count"] for line in table if line["kind"] == "part"}
    assert parts == {COIL_PART: "1", KIT: "1", BAG: "1"}
    row = next(line for line in table if line["what"].endswith("coil, plug and wire"))
    assert (row["step"], row["compartment"], row["row"]) == (Step.VALVES.value, "1", "7")
    assert row["since"] == "2026-03-02"


def test_foreign_names_stay_text() -> None:
    the_site = site(name="a|b<script>alert(1)</script>")
    page = sheets(replace(full_stop(), site=the_site))[f"outage-BH1-{DAY}.html"]
    assert "<script>" not in page


def test_cases_in_any_order_give_the_same_files() -> None:
    given = full_stop()
    assert sheets(replace(given, cases=given.cases[::-1])) == sheets(given)


def test_what_is_closed_or_of_another_baghouse_is_not_listed() -> None:
    other = case("valve", 1, 4, COIL)
    moved = replace(other, subject=Subject("BH2", 1, 4))
    given = stop(moved, replace(other, state=State.CLOSED))
    assert given.jobs == []
