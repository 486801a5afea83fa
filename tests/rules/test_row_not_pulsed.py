"""A row that is sent no pulses: found, and not confused with what only looks like it."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from helpers.scene_answers import ask, found, value_of
from helpers.scene_edits import reordered, shifted
from helpers.scenes import Export, RowsBy, exports, kiln, local, on_time, sample_tag, study

from rowcall.model import Floats, Subject, Urgency, Verdict
from rowcall.site import Role, Sample, Tag
from rowcall.store.samples import GOOD, TagSamples
from rowcall_plant import PlannedStop, RowIntermittent, RowNotCalled, RowSilent

RULE = "row_not_pulsed"
PLAN = kiln(cleaning=on_time(6, 20.0))
ONE_HEADER = kiln(rows=(6,), cleaning=on_time(6, 20.0))


def passed_over(compartment: int = 1, row: int = 3, hour: int = 0) -> list[RowNotCalled]:
    return [RowNotCalled(start=local(0, hour), compartment=compartment, row=row)]


@pytest.mark.parametrize(("rows_by", "place"), [("solenoid", (1, 3)), ("counter", (2, 6))])
def test_a_row_that_is_sent_no_pulses_is_found(rows_by: RowsBy, place: tuple[int, int]) -> None:
    day = study(exports(PLAN, passed_over(*place), rows_by=rows_by, hours=3)[0]).day
    answers = ask(RULE, day)
    assert found(answers) == {place}
    answer = answers[Subject("BH1", *place)]
    assert answer.urgency is Urgency.WATCH
    assert value_of(answer, "n_sent") == 0
    assert "The valve may be fine" in answer.text
    assert len(answers) == 12
    # The row rules leave its valve open.
    for rule in ("row_silent", "row_weak", "row_closes_late"):
        assert ask(rule, day)[Subject("BH1", *place)].verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize(("hour", "is_found"), [(2, True), (6, False)])
def test_half_of_the_usual_pulses_is_the_limit(hour: int, is_found: bool) -> None:
    export = exports(ONE_HEADER, passed_over(hour=16 + hour), hours=8)[0]
    answers = ask(RULE, study(export).day)
    assert found(answers) == ({(1, 3)} if is_found else set())
    share = value_of(answers[Subject("BH1", 1, 3)], "sent_share")
    # Passed over, it makes a round of five: the others are pulsed 6 / 5 times as often.
    assert share == pytest.approx(hour / (hour + (8 - hour) * 6 / 5), abs=0.01)


def test_rows_that_are_pulsed_and_do_not_answer_are_pulsed() -> None:
    faults = [
        RowSilent(start=local(0), compartment=1, row=2),
        RowIntermittent(start=local(0), compartment=2, row=5, one_in=2),
    ]
    answers = ask(RULE, study(exports(PLAN, faults, hours=3)[0]).day)
    assert {answer.verdict for answer in answers.values()} == {Verdict.CLEAR}


def test_a_bit_by_change_without_any_point_is_a_row_not_pulsed() -> None:
    export = exports(PLAN, passed_over(), hours=3)[0]
    samples = {name: one for name, one in export.samples.items() if name != "BH1.YS-103"}
    assert found(ask(RULE, study(replace(export, samples=samples)).day)) == {(1, 3)}


@pytest.mark.parametrize("hours", [13, 38, None])
def test_a_bit_that_held_its_value_for_days_is_a_row_not_pulsed(hours: int | None) -> None:
    """Switched off, its bit is recorded no more: the last point lies before the day, or nowhere."""
    export, tag = exports(PLAN, passed_over(), hours=3)[0], "BH1.YS-103"
    last_us = int((local(0) - timedelta(hours=hours or 0)).timestamp() * 1e6)
    samples = {name: one for name, one in export.samples.items() if name != tag}
    before = {} if hours is None else {tag: (last_us, 0.0, GOOD)}
    day = study(replace(export, samples=samples, before=before)).day
    assert found(ask(RULE, day)) == {(1, 3)}


def test_bits_on_change_hold_while_nothing_is_pulsed() -> None:
    """After a weekend stop, the first point of every bit is the first pulse of the afternoon."""
    stop = PlannedStop(start=local(0), end=local(0, 20))
    plan = kiln(rows=(6,), cleaning=on_time(6, 20.0), stops=(stop,))
    export = exports(plan, [RowSilent(start=local(0), compartment=1, row=3)], hours=8)[0]
    samples = {
        name: TagSamples(one.time_us[1:], one.value[1:], one.quality[1:])
        if name.startswith("BH1.YS-1")
        else one
        for name, one in export.samples.items()
    }
    day = study(replace(export, samples=samples)).day
    assert not day.inferred
    assert {answer.verdict for answer in ask(RULE, day).values()} == {Verdict.CLEAR}
    assert found(ask("row_silent", day)) == {(1, 3)}


def renumbered(export: Export, number: Callable[[int, Floats], Floats], stated: bool) -> Export:
    """Return the export with counters that show other numbers for rows 1 to 6; 0 is none."""
    tags, samples = list[Tag](), dict(export.samples)
    for tag in export.baghouse.tag:
        if tag.role is not Role.STEP_COUNTER:
            tags.append(tag)
            continue
        one, place = samples[tag.tag], tag.compartment or 0
        value = np.asarray(number(place, one.value), np.float64)
        samples[tag.tag] = replace(one, value=value)
        numbers = tuple(number(place, np.arange(1.0, 7.0)).astype(int).tolist())
        tags.append(tag.model_copy(update={"numbers": numbers if stated else None}))
    baghouse = export.baghouse.model_copy(update={"tag": tuple(tags)})
    return replace(export, baghouse=baghouse, samples=samples)


def by_hundreds(compartment: int, number: Floats) -> Floats:
    return np.where(number == 0, 0, 100 * compartment + number)


def from_zero(_: int, number: Floats) -> Floats:
    return number - 1.0


@pytest.mark.parametrize("number", [by_hundreds, from_zero])
def test_a_counter_may_number_rows_as_the_site_file_states(
    number: Callable[[int, Floats], Floats],
) -> None:
    export = exports(PLAN, passed_over(2, 5), rows_by="counter", hours=3)[0]
    assert found(ask(RULE, study(renumbered(export, number, stated=True)).day)) == {(2, 5)}


@pytest.mark.parametrize(
    ("number", "words"),
    [
        (by_hundreds, "6 numbers that the site file does not map to rows: 101, 102, 103"),
        (from_zero, "a number that the site file does not map to rows: 0"),
    ],
)
def test_numbers_that_the_site_file_does_not_map_are_named(
    number: Callable[[int, Floats], Floats], words: str
) -> None:
    """And no row is said to get no pulses, or judged under another row's number."""
    fault = RowSilent(start=local(0), compartment=1, row=2)
    export = exports(PLAN, [fault], rows_by="counter", hours=3)[0]
    day = study(renumbered(export, number, stated=False)).day
    (answer,) = ask(RULE, day).values()
    assert answer.verdict is Verdict.CANNOT_TELL
    assert words in answer.text
    assert all(one.is_place for one in ask("row_silent", day) if one.row)


def test_a_row_that_a_stated_counter_may_number_otherwise_is_left_open() -> None:
    """It shows 60 where the site file has 6: a row, or a step that is none."""
    export = exports(PLAN, rows_by="counter", hours=3)[0]
    samples, tags = dict(export.samples), list[Tag]()
    for tag in export.baghouse.tag:
        if tag.role is Role.STEP_COUNTER:
            value = samples[tag.tag].value
            changed = np.where(value == 6, 60.0, value)
            samples[tag.tag] = replace(samples[tag.tag], value=changed)
            tags.append(tag.model_copy(update={"numbers": (1, 2, 3, 4, 5, 6)}))
        else:
            tags.append(tag)
    baghouse = export.baghouse.model_copy(update={"tag": tuple(tags)})
    answers = ask(RULE, study(replace(export, baghouse=baghouse, samples=samples)).day)
    left_open = {s.row for s, one in answers.items() if one.verdict is Verdict.CANNOT_TELL}
    assert (found(answers), left_open) == (set(), {6})
    assert "does not map to rows: 60" in answers[Subject("BH1", 1, 6)].text


def test_without_bits_or_counter_cannot_tell() -> None:
    day = study(exports(ONE_HEADER, passed_over(), drop=("row_solenoid",), hours=3)[0]).day
    assert {answer.verdict for answer in ask(RULE, day).values()} == {Verdict.CANNOT_TELL}


def scanned(export: Export) -> Export:
    """Return the export with its bits read once a second, which catches one pulse in ten."""
    grid = export.samples[sample_tag(export, "dp")].time_us
    tags, samples = [], dict(export.samples)
    for tag in export.baghouse.tag:
        if tag.role.value != "row_solenoid":
            tags.append(tag)
            continue
        tags.append(tag.model_copy(update={"sample": Sample.AT_INTERVALS}))
        one = samples[tag.tag]
        at = np.searchsorted(one.time_us, grid, side="right") - 1
        held = np.where(at >= 0, one.value[np.maximum(at, 0)], 0.0)
        samples[tag.tag] = TagSamples(grid, held, np.zeros(grid.size, np.uint8))
    baghouse = export.baghouse.model_copy(update={"tag": tuple(tags)})
    return replace(export, baghouse=baghouse, samples=samples)


def test_scanned_bits_cannot_tell() -> None:
    day = study(scanned(exports(ONE_HEADER, passed_over(), hours=3)[0])).day
    assert {answer.verdict for answer in ask(RULE, day).values()} == {Verdict.CANNOT_TELL}


def test_pulses_inferred_from_header_pressure_cannot_tell() -> None:
    """Bits that are listed, but not usable: the cadence counts every beat as a pulse."""
    export = exports(ONE_HEADER, hours=8)[0]
    bits = {tag.tag for tag in export.baghouse.tag if tag.role.value == "row_solenoid"}
    samples = {
        name: replace(one, quality=one.quality + 2) if name in bits else one
        for name, one in export.samples.items()
    }
    day = study(replace(export, samples=samples)).day
    assert day.inferred
    assert {answer.verdict for answer in ask(RULE, day).values()} == {Verdict.CANNOT_TELL}


def test_a_row_whose_bit_is_bad_is_left_open() -> None:
    export = exports(ONE_HEADER, hours=3)[0]
    one = export.samples["BH1.YS-104"]
    samples = {**export.samples, "BH1.YS-104": replace(one, quality=one.quality + 2)}
    answers = ask(RULE, study(replace(export, samples=samples)).day)
    assert answers[Subject("BH1", 1, 4)].verdict is Verdict.CANNOT_TELL
    assert found(answers) == set()


def test_a_compartment_that_is_hardly_pulsed_is_left_open() -> None:
    day = study(exports(ONE_HEADER, passed_over(), hours=3)[0]).day
    answers = ask(RULE, day, {"min_pulses": "10000"})
    assert {answer.verdict for answer in answers.values()} == {Verdict.CANNOT_TELL}


def test_order_of_tags_and_date_do_not_matter() -> None:
    export = exports(PLAN, passed_over(), hours=3)[0]
    for other in (reordered(export), shifted(export, 40)):
        assert found(ask(RULE, study(other).day)) == {(1, 3)}
