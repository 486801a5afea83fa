"""Lost scans of a thinned pressure are no missed pulses, and missed pulses are no lost scans."""

from __future__ import annotations

from collections import Counter
from dataclasses import replace

import pytest
from trials.conditions import condition_of
from trials.judging import judge_trial
from trials.rows import Kind, RowPlan
from trials.trial import make_trial

from rowcall.model import Verdict

SOUND = RowPlan(Kind.HEALTHY)
MISSES = RowPlan(Kind.INTERMITTENT, one_in=8)


def verdicts(name: str, seed: int, plan: RowPlan, **changed: float) -> Counter[Verdict]:
    """Verdicts of `row_silent` on ten rows alike."""
    condition = replace(condition_of(name), **changed)  # type: ignore[arg-type]
    outcome = judge_trial(make_trial(condition, "plant", seed, rows=(plan,) * 10))
    return Counter(
        verdict for (rule, row), verdict in outcome.verdicts.items() if rule == "row_silent" and row
    )


@pytest.mark.parametrize("name", ["5 s dead-band missing", "5 s swinging door missing"])
def test_lost_scans_are_no_missed_pulses(name: str) -> None:
    assert verdicts(name, 1, SOUND)[Verdict.FOUND] == 0


@pytest.mark.parametrize(
    ("name", "seed"), [("5 s dead-band missing", 2), ("5 s swinging door missing", 1)]
)
def test_rows_that_all_miss_pulses_are_not_excused_where_no_scan_is_lost(
    name: str, seed: int
) -> None:
    assert verdicts(name, seed, MISSES, missing=0.0)[Verdict.FOUND] == 10


def test_drops_that_show_in_time_speak_against_lost_scans() -> None:
    """Without noise nothing is recorded at rest; refills that last show that no scan is lost."""
    told = verdicts("1 s dead-band", 2, MISSES, noise=0.0005)
    assert told[Verdict.FOUND] >= 7
    assert told[Verdict.CANNOT_TELL] == 0


def test_where_nothing_shows_which_it_is_rows_are_not_judged() -> None:
    told = verdicts("5 s dead-band missing", 2, MISSES, missing=0.0, noise=0.0005)
    assert told == {Verdict.CANNOT_TELL: 10}


def test_a_silent_row_stays_silent_among_lost_scans() -> None:
    condition = condition_of("5 s dead-band missing")
    rows = (RowPlan(Kind.SILENT, drop_share=0.0), *(SOUND,) * 9)
    outcome = judge_trial(make_trial(condition, "plant", 1, rows=rows))
    assert outcome.verdicts["row_silent", 1] is Verdict.FOUND
