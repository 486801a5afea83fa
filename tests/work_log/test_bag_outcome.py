"""Results of bags: which first words are understood, and which are named."""

from __future__ import annotations

from dataclasses import replace
from datetime import date

import pytest
from helpers.work_logs import only

from rowcall.model import Work
from rowcall.work_log.bag_outcome import Outcome, outcome_of, unusable_results

DAY = date(2026, 3, 12)


@pytest.mark.parametrize(
    ("work", "result", "position", "outcome"),
    [
        (Work.DYE_TEST, "glows at the seat", 5, Outcome.GLOWS),
        (Work.DYE_TEST, "Glowing", 5, Outcome.GLOWS),
        (Work.DYE_TEST, "passed", 0, Outcome.PASSES),
        (Work.DYE_TEST, "no leak", 5, Outcome.PASSES),  # as old logs have it
        (Work.DYE_TEST, "", 5, Outcome.GLOWS),
        (Work.DYE_TEST, "3 bags", 0, None),
        (Work.BAGS_CHANGED, "failed: torn at the cage", 5, Outcome.FAILED),
        (Work.BAGS_CHANGED, "plugged", 5, Outcome.PLUGGED),
        (Work.BAGS_CHANGED, "HEALTHY, whole row", 0, Outcome.HEALTHY),
        (Work.BAGS_CHANGED, "tight", 5, None),  # of the new one
        (Work.INSPECTED, "ok", 5, Outcome.HEALTHY),
        (Work.INSPECTED, "stiff", 5, None),
        (Work.NOTE, "failed", 5, None),
    ],
)
def test_the_first_word_of_a_result_is_an_outcome(
    work: Work, result: str, position: int, outcome: Outcome | None
) -> None:
    entry = replace(only(work, DAY, 1, 2, position=position), result=result)
    assert outcome_of(entry) is outcome
    assert list(unusable_results([entry])) == []


@pytest.mark.parametrize(
    ("work", "result", "position", "said"),
    [
        (Work.BAGS_CHANGED, "faild at the seam", 5, 'is "failed" meant? Allowed as'),
        (Work.BAGS_CHANGED, "glows", 5, '"glows" is no result of the work "bags changed". Allow'),
        (Work.DYE_TEST, "plugged", 5, "Allowed as the first word are glows, passes; other text"),
        (Work.DYE_TEST, "glovws", 5, 'is "glows" meant?'),
        (Work.BAGS_CHANGED, "failed", 0, 'which bag is meant by "failed"? Add its position'),
        (Work.INSPECTED, "helthy", 0, "failed, plugged, healthy; other text names no outcome"),
    ],
)
def test_what_is_nearly_an_outcome_is_named_once_a_line(
    work: Work, result: str, position: int, said: str
) -> None:
    entry = replace(only(work, DAY, 1, 2, position=position, line=7), result=result)
    (problem,) = unusable_results([entry, entry])
    assert problem.said("log.csv").startswith(f'log.csv, line 7, column result: "{result}": ')
    assert said in problem.text
