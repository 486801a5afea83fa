"""Findings on rows that are compared with each other."""

from __future__ import annotations

import polars as pl
import pytest

from rowcall.diagnosis.row_evidence import row_evidence, unless_most_differ
from rowcall.model import FACT_COLUMNS, Answer, Fact, FactBook, Subject, Urgency, Verdict


def answers(n_found: int, n_rows: int = 6) -> list[Answer]:
    """Findings on the first rows of a compartment, the others clear."""
    found = {"verdict": Verdict.FOUND, "urgency": Urgency.WATCH, "text": "Deep."}
    clear = {"verdict": Verdict.CLEAR, "text": "Sound."}
    return [
        Answer(subject=Subject("BH1", 1, row), **(found if row <= n_found else clear))  # type: ignore[arg-type]
        for row in range(1, n_rows + 1)
    ]


@pytest.mark.parametrize("n_found", [0, 1, 2])
def test_a_few_rows_that_differ_are_found(n_found: int) -> None:
    assert list(unless_most_differ(answers(n_found), 0.35)) == answers(n_found)


@pytest.mark.parametrize("n_found", [3, 6])
def test_where_many_rows_differ_alike_the_peers_are_in_doubt(n_found: int) -> None:
    judged = list(unless_most_differ(answers(n_found), 0.35))
    assert [answer.verdict for answer in judged[:n_found]] == [Verdict.CANNOT_TELL] * n_found
    assert f"{n_found} of 6 rows differ alike" in judged[0].text
    assert judged[n_found:] == answers(n_found)[n_found:]


def test_exactly_the_share_that_may_be_found_is_left_alone() -> None:
    assert list(unless_most_differ(answers(3), 0.5)) == answers(3)


def test_compartments_are_counted_apart() -> None:
    two = answers(3)
    other = [Answer.clear(Subject("BH1", 2, row), "Sound.") for row in range(1, 7)]
    judged = list(unless_most_differ([*two, *other], 0.35))
    assert judged[6:] == other
    assert judged[0].verdict is Verdict.CANNOT_TELL


def test_shares_of_a_drop_are_of_what_the_row_s_build_makes() -> None:
    lines = [(1, 2, fact.column, 0.34) for fact in (Fact.DROP_RATIO, Fact.DROP_RATIO_ERROR)]
    facts = FactBook(pl.DataFrame(lines, schema=FACT_COLUMNS, orient="row"))
    row = row_evidence(facts, 1, 2, expected=0.68)
    assert [row.ratio, row.ratio_error] == pytest.approx([0.5, 0.5])
