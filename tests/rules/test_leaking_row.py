"""The row that leaks: found, its look-alikes not named, thin data cannot tell, invariance."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from typing import Any

import numpy as np
import pytest
from helpers.dust_days import dust_day, dust_house
from helpers.scene_answers import ask
from helpers.scenes import exports, kiln, local, study
from helpers.work_logs import log, only

from rowcall.model import Answer, BaghouseDay, Fact, Subject, Urgency, Verdict, Work, WorkLog
from rowcall_plant import RowLeaking

N_ROWS, LEAK = 12, 7
USUAL, BASE = 2e-7, 2e-6  # kg/m3
WHOLE = Subject("BH1")


def day_of(
    height: float = 6 * USUAL,
    p: Sequence[float] = (1e-6, 1e-6),
    *,
    error: float = 0.05 * USUAL,
    rivals: Sequence[int] = (),
    rival_p: Sequence[float] = (0.9,),
    median: Sequence[float] = (USUAL,) * 10,
    usual: float = USUAL,
    row: int = LEAK,
) -> BaghouseDay:
    """Rows alike but one; p: of that row by day, today last."""
    series: dict[tuple[Fact, tuple[int, int]], Sequence[float]] = {
        (Fact.DUST_BASE, (0, 0)): [BASE],
        (Fact.PUFF, (0, 0)): median,
        (Fact.PUFF_DELAY_S, (0, 0)): [12.0],
    }
    for n in range(1, N_ROWS + 1):
        is_it = n == row
        own = height if is_it else usual * (1 + 0.1 * np.sin(n))
        series[Fact.PUFF, (1, n)] = [own]
        series[Fact.PUFF_ERROR, (1, n)] = [error]
        series[Fact.PUFF_P, (1, n)] = p if is_it else [0.9]
        if n in rivals:
            series[Fact.PUFF_RIVAL, (1, n)], series[Fact.PUFF_P, (1, n)] = [1.0], rival_p
    return dust_day(series, baghouse=dust_house(rows_per_compartment=N_ROWS))


def answers(day: BaghouseDay, work: WorkLog | None = None) -> dict[int, Answer]:
    return {one.row: answer for one, answer in ask("leaking_row", day, work=work).items()}


def test_the_leaking_row_is_named_alone() -> None:
    found = answers(day_of())
    assert found[LEAK].verdict is Verdict.FOUND
    assert found[LEAK].urgency is Urgency.NEXT_OUTAGE
    assert "1.2 mg/m" in found[LEAK].text
    assert "12 s after its pulse" in found[LEAK].text
    assert {a.verdict for row, a in found.items() if row != LEAK} == {Verdict.CLEAR}


@pytest.mark.parametrize("row", [1, 12])
def test_any_row_may_be_the_one(row: int) -> None:
    assert answers(day_of(row=row))[row].verdict is Verdict.FOUND


def test_one_day_is_enough_only_by_a_wide_margin() -> None:
    assert answers(day_of(p=(1e-6,)))[LEAK].verdict is Verdict.FOUND
    near: dict[str, Any] = {"height": 2.6 * USUAL, "error": 0.2 * USUAL}
    alone = answers(day_of(p=(1e-3,), **near))[LEAK]
    assert alone.verdict is Verdict.CANNOT_TELL
    assert "two days" in alone.text
    assert answers(day_of(p=(5e-3, 1.0, 1e-3), **near))[LEAK].verdict is Verdict.FOUND
    long_ago = (5e-3, *(1.0,) * 9, 1e-3)
    assert answers(day_of(p=long_ago, **near))[LEAK].verdict is Verdict.CANNOT_TELL


@pytest.mark.parametrize(
    "why",
    [
        {"p": (0.2, 0.2)},
        {"height": 1.5 * USUAL},
        {"height": 0.04 * BASE, "usual": 0.005 * BASE, "error": 1e-4 * BASE},
    ],
)
def test_chance_a_usual_puff_and_a_tiny_one_are_no_leak(why: dict[str, Any]) -> None:
    assert answers(day_of(**why))[LEAK].verdict is Verdict.CLEAR


def test_candidates_are_named_where_the_delay_is_uncertain() -> None:
    found = answers(day_of(rivals=(8,)))
    assert found[LEAK].text.startswith("Row 7 or row 8 leaks")
    assert found[8].verdict is Verdict.CANNOT_TELL
    assert "delay" in found[8].text
    assert answers(day_of(height=USUAL, p=(0.9,), rivals=(8,)))[8].verdict is Verdict.CLEAR


def test_where_the_delay_is_uncertain_a_leak_keeps_the_row_under_which_it_was_found() -> None:
    """Its puff fits two rows as well, so that on some days the other one fits best."""
    found = answers(day_of(p=(0.9, 0.9, 1e-6), rivals=(8,), rival_p=(1e-6, 1e-6, 0.9)))
    assert found[8].verdict is Verdict.FOUND
    assert found[8].text.startswith("Row 7 or row 8 leaks")
    assert "1.2 mg/m" in found[8].text
    assert found[LEAK].verdict is Verdict.CANNOT_TELL
    assert "delay" in found[LEAK].text


def test_every_row_a_little_is_no_leaking_row() -> None:
    more = day_of(height=3 * USUAL, p=(0.9,), usual=3 * USUAL, median=(*(USUAL,) * 9, 3 * USUAL))
    found = answers(more)
    assert found[0].verdict is Verdict.FOUND
    assert "Every row puffs more" in found[0].text
    assert {a.verdict for row, a in found.items() if row} == {Verdict.CLEAR}
    new = answers(more, log(only(Work.BAGS_CHANGED, date(2026, 11, 20))))
    assert new[0].verdict is Verdict.CLEAR
    assert "20 Nov" in new[0].text


def test_new_bags_of_one_row_are_excused_unless_one_is_off_its_seat() -> None:
    work = log(only(Work.BAGS_CHANGED, date(2026, 11, 20), 1, LEAK))
    assert answers(day_of(3 * USUAL), work)[LEAK].verdict is Verdict.CLEAR
    seated = answers(day_of(8 * USUAL), work)[LEAK]
    assert seated.verdict is Verdict.FOUND
    assert "badly seated" in seated.text
    old = log(only(Work.BAGS_CHANGED, date(2026, 10, 20), 1, LEAK))
    assert answers(day_of(3 * USUAL), old)[LEAK].verdict is Verdict.FOUND


def test_without_puffs_it_cannot_tell() -> None:
    (answer,) = answers(dust_day({(Fact.DUST_BASE, (0, 0)): [BASE]})).values()
    assert answer.verdict is Verdict.CANNOT_TELL


def test_other_units_of_the_signal_change_nothing() -> None:
    day = day_of()
    scaled = dust_day(
        {
            (fact, (c, r)): [value * (1000.0 if fact not in KEPT else 1.0)]
            for c, r, fact, value in (
                (c, r, Fact[name.upper()], v) for c, r, name, v in day.facts.iter_rows()
            )
        }
    )
    assert answers(scaled)[LEAK].verdict is Verdict.FOUND


KEPT = {Fact.PUFF_P, Fact.PUFF_DELAY_S}


def test_a_leak_of_the_plant_is_named_on_its_first_day() -> None:
    """Through the whole pipeline: tags of the historian, pulses, puffs of a plant's physics."""
    leak = RowLeaking(start=local(0), compartment=1, row=4, puff_times=4.0)
    day = study(exports(kiln(), (leak,), seed=7, hours=12, step_s=5, dust=True)[0]).day
    found = {one for one, a in ask("leaking_row", day).items() if a.verdict is Verdict.FOUND}
    assert found == {Subject("BH1", 1, 4)}
    shown = day.puffs.filter(compartment=1, row=4).sort("mean", nulls_last=True)
    assert shown["mean"].max() > 2 * day.puffs["usual"].max()  # type: ignore[operator]
