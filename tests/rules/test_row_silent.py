"""A silent row: found, and not confused with what only looks like it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import datetime, timedelta
from typing import Any

import numpy as np
import polars as pl
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import in_unit, reordered, shifted, with_values
from helpers.scenes import Export, exports, kiln, local, on_time, sample_tag, study

from rowcall.model import Floats, Subject, Urgency, Verdict
from rowcall.site import Role
from rowcall.store.samples import BAD, TagSamples
from rowcall_plant import PlannedStop, RowSilent

RULE = "row_silent"
PLACES = [(1, 3), (2, 6)]
PLAN = kiln(cleaning=on_time(6))


def silent(places: list[tuple[int, int]], start: datetime | None = None, **how: Any) -> Export:
    faults = [RowSilent(start=start or local(0), compartment=c, row=r) for c, r in places]
    return exports(PLAN, faults, seed=4, **{"hours": 3} | how)[0]


@pytest.fixture(scope="module")
def healthy() -> Export:
    return exports(PLAN, seed=4, hours=3)[0]


# 1. Found, in its place, from when on.


@pytest.mark.parametrize("place", PLACES)
def test_a_silent_row_is_found_in_its_place(place: tuple[int, int]) -> None:
    answers = ask(RULE, study(silent([place])).day)
    assert found(answers) == {place}
    answer = answers[Subject("BH1", *place)]
    assert value_of(answer, "n_answered") == 0
    assert value_of(answer, "answered_share") == 0
    assert answer.urgency is Urgency.NEXT_OUTAGE
    assert answer.action
    assert {a.verdict for s, a in answers.items() if (s.compartment, s.row) != place} == {
        Verdict.CLEAR
    }


@pytest.mark.parametrize(("hour", "minute"), [(19, 0), (20, 20), (22, 45)])
def test_the_start_lies_between_the_last_answer_and_the_first_silence(
    hour: int, minute: int
) -> None:
    start = local(0, hour, minute)
    studied = study(silent([(1, 3)], start, hours=6))
    answer = ask(RULE, studied.day)[Subject("BH1", 1, 3)]
    assert answer.verdict is Verdict.FOUND
    calls = studied.truth.pulses.filter((pl.col("compartment") == 1) & (pl.col("row") == 3))
    before = [t for t, drop in calls.select("time", "drop_pa").iter_rows() if drop > 0]
    assert answer.start is not None
    # The start is the last answered pulse, so it is early by less than one round of pulses.
    assert abs(answer.start - before[-1]) < timedelta(seconds=0.01)
    assert timedelta() <= start - answer.start < timedelta(minutes=3)


def test_many_silent_rows_are_urgent() -> None:
    answers = ask(RULE, study(silent([(1, 2), (1, 5)])).day)
    assert found(answers) == {(1, 2), (1, 5)}
    assert {answers[Subject("BH1", 1, row)].urgency for row in (2, 5)} == {Urgency.NOW}


def test_half_of_the_rows_silent_alike_are_one_finding_and_no_row_is_blamed() -> None:
    answers = ask(RULE, study(silent([(1, 1), (1, 3), (1, 5)])).day)
    assert found(answers) == {(1, 0)}
    one = answers[Subject("BH1", 1, 0)]
    assert one.urgency is Urgency.NOW
    assert "3 of 6 rows are silent alike (1, 3, 5)" in one.text
    for row in range(1, 7):
        said = answers[Subject("BH1", 1, row)].verdict
        assert said is (Verdict.CANNOT_TELL if row % 2 else Verdict.CLEAR)


def test_rows_that_fell_silent_hours_apart_are_found_one_by_one() -> None:
    faults = [
        RowSilent(start=local(0, hour), compartment=1, row=row)
        for row, hour in ((1, 0), (3, 20), (5, 22))
    ]
    assert found(ask(RULE, study(exports(PLAN, faults, seed=4, hours=6)[0]).day)) == {
        (1, 1),
        (1, 3),
        (1, 5),
    }


def test_a_row_that_misses_pulses_is_watched() -> None:
    spells = [
        RowSilent(start=local(0, hour), end=local(0, hour, 30), compartment=1, row=3)
        for hour in range(18, 23)
    ]
    answers = ask(RULE, study(exports(PLAN, spells, seed=4, hours=6)[0]).day)
    assert found(answers) == {(1, 3)}
    answer = answers[Subject("BH1", 1, 3)]
    assert answer.urgency is Urgency.WATCH
    assert 0.3 < value_of(answer, "answered_share") < 0.8


@pytest.mark.parametrize("how", [{"step_s": 2}, {"step_s": 5}, {"rows_by": "counter"}], ids=str)
def test_a_silent_row_is_found_in_other_exports(how: dict[str, Any]) -> None:
    assert found(ask(RULE, study(silent([(1, 3)], **how)).day)) == {(1, 3)}


# 2. Healthy.


def test_a_healthy_day_is_clear(healthy: Export) -> None:
    answers = ask(RULE, study(healthy).day)
    assert len(answers) == 12
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


def test_a_stop_is_not_silence() -> None:
    stop = PlannedStop(start=local(0, 19), end=local(0, 22))
    plan = kiln(cleaning=on_time(6), stops=(stop,))
    answers = ask(RULE, study(exports(plan, seed=4, hours=6)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


# 3. Look-alikes.


def bit_of(export: Export, compartment: int, row: int) -> str:
    return next(
        tag.tag
        for tag in export.baghouse.tag
        if tag.role is Role.ROW_SOLENOID and (tag.compartment, tag.row) == (compartment, row)
    )


def test_a_row_that_is_sent_no_pulses_is_not_silent(healthy: Export) -> None:
    name = bit_of(healthy, 2, 5)
    one = healthy.samples[name]
    uncalled = TagSamples(one.time_us[:1], one.value[:1], one.quality[:1])
    answers = ask(RULE, study(replace(healthy, samples={**healthy.samples, name: uncalled})).day)
    assert found(answers) == set()
    answer = answers[Subject("BH1", 2, 5)]
    assert answer.verdict is Verdict.CANNOT_TELL
    assert "sent this row no pulses" in answer.text


def dead_from(
    hour: float, level_bar: float, noise_bar: float
) -> Callable[[Floats, Floats], Floats]:
    """The transmitter shows a level and noise from an hour on, whatever the header does."""

    def change(time_s: Floats, value: Floats) -> Floats:
        noise = np.random.default_rng(1).standard_normal(value.size)
        return np.where(time_s >= hour * 3600, np.round(level_bar + noise_bar * noise, 3), value)

    return change


@pytest.mark.parametrize(("hour", "level_bar"), [(0, 5.9), (3, 0.0)])
def test_a_header_that_shows_no_row_is_one_finding(hour: int, level_bar: float) -> None:
    whole_day = exports(PLAN, seed=4, hours=6)[0]
    tag = sample_tag(whole_day, "header_pressure", 1)
    dead = with_values(whole_day, tag, dead_from(hour, level_bar, 0.02))
    day = study(dead).day
    answers = ask(RULE, day)
    assert found(answers) == {(1, 0)}
    whole = answers[Subject("BH1", 1)]
    assert whole.urgency is Urgency.NOW
    assert "header transmitter" in whole.text
    assert whole.start is not None
    assert abs(whole.start - (day.start + timedelta(hours=hour))) < timedelta(minutes=45)
    rows = {answers[Subject("BH1", 1, row)].verdict for row in range(1, 7)}
    assert rows == {Verdict.CANNOT_TELL}


def test_a_frozen_header_transmitter_cannot_tell(healthy: Export) -> None:
    name = sample_tag(healthy, "header_pressure", 1)
    frozen = with_values(healthy, name, lambda time_s, value: np.full(value.size, 5.93))
    answers = ask(RULE, study(frozen).day)
    assert found(answers) == set()
    assert {answers[Subject("BH1", 1, row)].verdict for row in range(1, 7)} == {Verdict.CANNOT_TELL}
    assert {answers[Subject("BH1", 2, row)].verdict for row in range(1, 7)} == {Verdict.CLEAR}


def test_bad_quality_is_not_silence(healthy: Export) -> None:
    name = sample_tag(healthy, "header_pressure", 1)
    one = healthy.samples[name]
    bad = replace(one, quality=np.full(one.quality.size, BAD, np.uint8))
    answers = ask(RULE, study(replace(healthy, samples={**healthy.samples, name: bad})).day)
    assert found(answers) == set()


# 4. Thin data.


# Single pulses can hardly be judged, but hundreds of them stacked can.
@pytest.mark.parametrize(
    ("step_s", "interval_s", "hours"),
    [(10, 12.0, 3), (30, 12.0, 8), (60, 17.3, 15), (5, 5.0, 1)],
)
def test_a_silent_row_is_found_in_slow_samples(step_s: int, interval_s: float, hours: int) -> None:
    plan = kiln(cleaning=on_time(6, interval_s))
    fault = RowSilent(start=local(0), compartment=1, row=3)
    export = exports(plan, [fault], seed=4, step_s=step_s, hours=hours)[0]
    answers = ask(RULE, study(export).day)
    assert found(answers) == {(1, 3)}


def test_a_row_that_is_not_observable_is_not_judged() -> None:
    plan = kiln(cleaning=on_time(6, 120.0), noise_scale=20.0)
    fault = RowSilent(start=local(0), compartment=1, row=3)
    answers = ask(RULE, study(exports(plan, [fault], seed=4, step_s=60, hours=8)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}
    assert all("judged" in answer.text for answer in answers.values())


def test_few_pulses_cannot_tell() -> None:
    answers = ask(RULE, study(silent([(1, 3)])).day, {"min_pulses": "500"})
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}
    assert "of its pulses could be judged" in answers[Subject("BH1", 1, 3)].text


# 5. Invariance.


def test_the_unit_of_the_header_does_not_matter() -> None:
    export = silent([(1, 3)], local(0, 22))
    base = ask(RULE, study(export).day)
    for unit in ("[psi]", "kPa"):
        other = ask(RULE, study(in_unit(export, "header_pressure", unit)).day)
        assert {s: a.verdict for s, a in other.items()} == {s: a.verdict for s, a in base.items()}
        assert other[Subject("BH1", 1, 3)].start == base[Subject("BH1", 1, 3)].start


def test_moved_by_whole_days_all_moves_alike() -> None:
    export = silent([(1, 3)], local(0, 22))
    base, later = (ask(RULE, study(one).day) for one in (export, shifted(export, 10)))
    assert found(later) == found(base)
    first, second = (answers[Subject("BH1", 1, 3)] for answers in (base, later))
    assert first.text == second.text
    assert first.start is not None
    assert second.start == first.start + timedelta(days=10)


def test_the_order_of_tags_does_not_matter() -> None:
    export = silent([(1, 3)], local(0, 22))
    assert ask(RULE, study(reordered(export)).day) == ask(RULE, study(export).day)
