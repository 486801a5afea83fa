"""Rules and reports where header pressure alone tells the fires: places are never called rows."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import polars as pl
import pytest
from helpers.cadence.trains import DAY_S, Line, Sampling, nearest, train
from helpers.report_days import report
from helpers.scene_answers import ask, found, value_of
from helpers.scenes import Export, Studied, exports, fact, kiln, local, on_time, study
from trials.keeping import dead_band

from rowcall.diagnosis.diagnose import with_place
from rowcall.events.firing.inferred import infer_fires
from rowcall.model import Answer, BaghouseDay, Fact, Finding, Inferred, Subject, Urgency, Verdict
from rowcall.site import Baghouse, Cleaning, Role, Sample
from rowcall.store.samples import TagSamples
from rowcall_plant import RowDrawnOut, RowSilent
from rowcall_reports import actions
from rowcall_reports.chapters.roll_call import write_roll_call
from rowcall_reports.prepared import prepare

RULE = "row_silent"
ORDER = (1, 4, 2, 5, 3, 6)
FAULT = RowSilent(start=local(0), compartment=1, row=3)


def blind(
    fault: RowSilent | RowDrawnOut | None = FAULT, step_s: int = 1, hours: int = 12
) -> Export:
    faults = [fault] if fault else []
    return exports(kiln(), faults, seed=4, drop=["row_solenoid"], step_s=step_s, hours=hours)[0]


@pytest.fixture(scope="module")
def silent() -> Studied:
    return study(blind(hours=24))


def test_every_fire_is_counted_the_silent_ones_too(silent: Studied) -> None:
    day, truth = silent.day, silent.truth.pulses
    assert day.fires_known
    assert day.pulses.height == truth.height
    for compartment in (1, 2):
        n_true = truth.filter(pl.col("compartment") == compartment).height
        called = [fact(day, Fact.N_SENT, compartment, row) for row in range(1, 7)]
        assert sum(n for n in called if n is not None) == n_true
    assert day.cycles.height > 50


def test_a_silent_place_is_found_and_called_a_place(silent: Studied) -> None:
    answers = ask(RULE, silent.day)
    places = found(answers)
    assert len(places) == 1
    subject, answer = next((s, a) for s, a in answers.items() if a.verdict is Verdict.FOUND)
    assert subject.compartment == 1
    assert subject.is_place
    assert value_of(answer, "n_answered") == 0
    assert f"Place {subject.row} of 6" in answer.text
    assert "does not show which row" in answer.text
    assert "carries on after a rest" in answer.text
    assert answer.action.startswith("First find which row")
    others = {a.verdict for s, a in answers.items() if s != subject}
    assert others == {Verdict.CLEAR}


def compressed(export: Export, band: float) -> Export:
    """The export as of a historian that keeps header pressure by exception."""
    tags = [
        tag.model_copy(update={"sample": Sample.THINNED})
        if tag.role is Role.HEADER_PRESSURE
        else tag
        for tag in export.baghouse.tag
    ]
    samples = dict(export.samples)
    for tag in tags:
        if tag.role is Role.HEADER_PRESSURE:
            one = samples[tag.tag]
            kept = dead_band(one.time_us / 1e6, one.value, band)
            samples[tag.tag] = TagSamples(one.time_us[kept], one.value[kept], one.quality[kept])
    return replace(
        export, baghouse=export.baghouse.model_copy(update={"tag": tags}), samples=samples
    )


def test_a_silent_place_is_found_in_pressure_kept_by_exception() -> None:
    """Most falls then follow a gap of many scans; one in six beats leaves no point at all."""
    day = study(compressed(blind(), 0.05)).day
    assert day.fires_known
    assert [compartment for compartment, _ in found(ask(RULE, day))] == [1]


@pytest.mark.parametrize("step_s", [2, 5])
def test_a_silent_place_is_found_in_slower_samples(step_s: int) -> None:
    day = study(blind(step_s=step_s)).day
    assert len(found(ask(RULE, day))) == 1
    assert day.fires_known is (step_s == 2)
    # Whole bouts may go unheard at 5 s, so the calls are not counted.
    assert (fact(day, Fact.N_SENT, 1, 1) is None) is (step_s == 5)


@pytest.mark.parametrize("step_s", [1, 2, 5, 10])
def test_a_healthy_day_has_no_finding(step_s: int) -> None:
    for plan, hours in ((kiln(), 12), (kiln(cleaning=on_time(6)), 8)):
        day = study(exports(plan, seed=6, drop=["row_solenoid"], step_s=step_s, hours=hours)[0]).day
        for name in (RULE, "row_closes_late"):
            answers = ask(name, day)
            assert found(answers) == set()
            assert len(answers) == 12


def test_a_row_that_closes_late_is_found_as_a_place() -> None:
    fault = RowDrawnOut(start=local(0), compartment=2, row=5, late_s=1.0)
    answers = ask("row_closes_late", study(blind(fault)).day)
    assert {compartment for compartment, _ in found(answers)} == {2}
    assert len(found(answers)) == 1


def test_samples_too_far_apart_say_so() -> None:
    answers = ask(RULE, study(blind(step_s=10)).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}
    assert "too far apart" in answers[Subject("BH1", 1, 1)].text


def test_a_compartment_without_a_header_leaves_the_count_open() -> None:
    export = blind(None)
    tags = tuple(
        tag
        for tag in export.baghouse.tag
        if (tag.role.value, tag.compartment) != ("header_pressure", 2)
    )
    alone = replace(export, baghouse=export.baghouse.model_copy(update={"tag": tags}))
    day = study(alone).day
    assert not day.fires_known
    assert fact(day, Fact.N_SENT, 2, 1) is None
    assert ask(RULE, day)[Subject("BH1", 2, 1)].verdict is Verdict.CANNOT_TELL


def house(rows: tuple[int, ...], order: tuple[int, ...] | None) -> Baghouse:
    return Baghouse(
        id="BH1",
        name="Kiln filter",
        compartments=len(rows),
        rows_per_compartment=rows,
        firing_order=order,
        cleaning=Cleaning(mode="on_demand"),
    )


ANEW = Line(n_rows=6, silent=(4,), after_rest="first")


def test_an_anchored_train_names_rows() -> None:
    day = train(ANEW, Sampling(), 2)
    told = infer_fires(house((6,), ORDER), day.header, 1, [1], DAY_S)
    assert told.inferred[1].is_row
    assert told.fires.is_complete
    middle = (told.fires.low_s + told.fires.high_s) / 2
    near = nearest(day.fire_s, middle)
    assert (told.fires.row == np.array(ORDER)[day.place[near] - 1]).mean() > 0.99


def test_fires_are_complete_only_where_the_header_was_heard() -> None:
    endless = replace(ANEW, after_rest="none")
    long = train(endless, Sampling(gaps=2, gap_s=3600.0), 2)
    assert not infer_fires(house((6,), None), long.header, 1, [1], DAY_S).fires.is_complete
    short = train(endless, Sampling(gaps=4, gap_s=300.0), 2)
    assert infer_fires(house((6,), None), short.header, 1, [1], DAY_S).fires.is_complete
    assert not infer_fires(house((6,), None), short.header, 1, [1], 2 * DAY_S).fires.is_complete


def test_a_shared_header_names_neither_compartment_nor_row() -> None:
    day = train(replace(ANEW, n_rows=12), Sampling(), 2)
    told = infer_fires(house((6, 6), ORDER), day.header, 0, [1, 2], DAY_S)
    assert not told.fires.is_complete
    assert not told.fires.row.any()
    assert "neither compartment nor row" in told.inferred[2].text
    assert "of the 12 beats of a round, 10 s apart, number 4 has no drop" in told.inferred[2].text


def test_a_shorter_round_leaves_the_higher_places_untold(silent: Studied) -> None:
    short = replace(silent.day, inferred={1: Inferred(5, is_row=False, text="counted so")})
    answer = with_place(short, Answer.clear(Subject("BH1", 1, 6), "Fine."))
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "only 5 places" in answer.text


def test_the_report_says_place(silent: Studied) -> None:
    day = silent.day
    subject = next(s for s, a in ask(RULE, day).items() if a.verdict is Verdict.FOUND)
    told = replace(report(), baghouses=(day,), findings=_findings(day))
    job = actions.jobs(told)[0]
    assert job.urgency == Urgency.NEXT_OUTAGE.value
    assert job.place == f"compartment 1, place {subject.row}"
    sheet = write_roll_call(prepare(told).baghouses[0])
    assert "Comp. 1, places" in sheet
    assert "the numbers are places in the firing sequence, not rows" in sheet
    assert f"(row {subject.row})" not in sheet


def _findings(day: BaghouseDay) -> tuple[Finding, ...]:
    return tuple(Finding(day.day, RULE, answer) for answer in ask(RULE, day).values())
