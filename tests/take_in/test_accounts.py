"""Every row of an export is stored or set aside, with its line and the reason."""

from __future__ import annotations

from datetime import datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from helpers.exports import START, aside, counts, long_csv, samples, stored, taken
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from rowcall.take_in import Outcome

ROWS = samples(30)


def test_of_one_instant_twice_in_a_file_the_lastcounts(tmp_path: Path) -> None:
    first = [("DP", START, 1.0, "Good"), ("DP", START, 2.0, "Good"), ("DP", START, 3.0, "Good")]
    assert counts(taken(tmp_path, long_csv(first))) == (3, 1, 0, 0, 2)
    assert [row[2] for row in stored(tmp_path)] == [3.0]
    assert [(line, reason) for line, _, _, reason in aside(tmp_path)] == [
        (2, "same instant again"),
        (3, "same instant again"),
    ]


def test_lines_that_are_no_rows_are_kept_with_their_number(tmp_path: Path) -> None:
    good = long_csv(ROWS[:4]).splitlines()
    lines = [*good[:2], "DP,broken", "", good[2], 'DP,"open,1,Good', good[3], "a,b,c,d,e", good[4]]
    result = taken(tmp_path, "\n".join(lines))
    assert counts(result) == (7, 4, 0, 0, 3)
    assert [(line, raw) for line, _, raw, _ in aside(tmp_path)] == [
        (3, "DP,broken"),
        (6, 'DP,"open,1,Good'),
        (8, "a,b,c,d,e"),
    ]


def test_scattered_bad_lines_in_a_large_file_have_their_numbers(tmp_path: Path) -> None:
    lines = long_csv(samples(5_000)).splitlines()
    rng = np.random.default_rng(3)
    broken = sorted(rng.choice(np.arange(1, len(lines)), 200, replace=False).tolist())
    kinds = ("{0},more", "{0}", "DP", "DP,when,1,Good", "DP,2026-03-02T05:00:00Z,one,Good", '"{0}')
    for number, place in enumerate(broken):
        lines[place] = kinds[number % len(kinds)].format(lines[place])
    result = taken(tmp_path, "\r\n".join(lines))
    wanted = [p + 1 for n, p in enumerate(broken) if n % len(kinds) != 1]
    assert [row[0] for row in aside(tmp_path)] == wanted
    assert counts(result) == (10_000, 10_000 - len(wanted), 0, 0, len(wanted))


_CELLS = st.one_of(
    st.floats(allow_nan=False, allow_infinity=False).map(repr),
    st.sampled_from(["Bad", "", "word", "NaN"]),
)
_ROWS = st.lists(st.tuples(st.sampled_from("ABC"), st.integers(0, 20), _CELLS), min_size=1)


@settings(
    max_examples=20, suppress_health_check=[HealthCheck.function_scoped_fixture], deadline=None
)
@given(exports=st.lists(_ROWS, min_size=1, max_size=3))
def test_every_row_is_accounted_for_and_comes_back(
    tmp_path_factory: pytest.TempPathFactory, exports: list[list[tuple[str, int, str]]]
) -> None:
    folder = tmp_path_factory.mktemp("round")
    model: dict[tuple[str, datetime], float] = {}
    for number, rows in enumerate(exports):
        lines = [
            f"{tag};{START + timedelta(seconds=s):%Y-%m-%dT%H:%M:%SZ};{c}" for tag, s, c in rows
        ]
        result = taken(folder, "\n".join(["tag;time;value", *lines, ""]), f"{number}.csv")
        usable = {(t, START + timedelta(seconds=s)): c for t, s, c in rows if c not in ("", "word")}
        assert (result.outcome is Outcome.REFUSED) == (not usable)
        if result.outcome is Outcome.STORED:
            read, new, replaced, unchanged, set_aside = counts(result)
            assert read == len(rows) == new + replaced + unchanged + set_aside
            assert new == len(usable.keys() - model.keys())
            assert replaced + unchanged == len(usable.keys() & model.keys())
        model |= {key: float("nan" if cell == "Bad" else cell) for key, cell in usable.items()}
    back = {(tag, time): value for tag, time, value, _ in stored(folder)}
    assert back.keys() == model.keys()
    np.testing.assert_array_equal([back[key] for key in model], list(model.values()))
