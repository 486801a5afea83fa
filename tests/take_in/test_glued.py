"""Exports put together in one file: nothing of either vanishes, nothing lands under a wrong tag."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.exports import aside, counts, stored, taken

from rowcall.take_in import Outcome, TakenIn
from rowcall.take_in.read.text_tables import ABOVE_DATA, BELOW_OTHER, HEADER_AGAIN, OTHER_HEADER

LONG = "tag;time;value\nA;2026-03-02T04:00:00Z;1.5\nA;2026-03-02T04:00:01Z;2.5\n"


def wide(names: str, count: int, hour: int) -> str:
    width = names.count(";") + 1
    lines = [
        f"2026-03-02T{hour:02d}:00:{number:02d}Z;" + ";".join([f"{number}.5"] * width)
        for number in range(count)
    ]
    return f"time;{names}\n" + "\n".join(lines) + "\n"


def held(folder: Path) -> dict[str, set[int]]:
    """Return of each stored tag the hours in which it has samples."""
    found: dict[str, set[int]] = {}
    for tag, time, _, _ in stored(folder):
        found.setdefault(tag, set()).add(time.hour)
    return found


def accounted(result: TakenIn) -> bool:
    read, new, replaced, unchanged, out = counts(result)
    return result.outcome is Outcome.STORED and read == new + replaced + unchanged + out


@pytest.mark.parametrize(
    "first",
    [
        LONG,
        wide("A", 2, 4),
        wide("A;B;C", 2, 4),
        wide("A", 1, 4),
        wide("A;B", 2, 4).replace(";", ","),
        "Ondravel Lime;02.03.2026 04:00:00;\n\n" + LONG,
        LONG + wide("A", 2, 4),
    ],
)
def test_a_shorter_export_above_is_set_aside_and_counted(tmp_path: Path, first: str) -> None:
    result = taken(tmp_path, first + wide("DP;PT", 10, 6))
    assert accounted(result)
    assert held(tmp_path) == {"DP": {6}, "PT": {6}}
    rows = {n for n, line in enumerate(first.split("\n"), 1) if "T04:00" in line}
    told = {line: reason for line, _, _, reason in aside(tmp_path)}
    assert rows <= told.keys()
    assert {told[line] for line in rows} == {ABOVE_DATA}


@pytest.mark.parametrize("second", [LONG, wide("A", 2, 8), wide("A;B;C", 2, 8)])
def test_a_shorter_export_of_another_form_below_is_set_aside(tmp_path: Path, second: str) -> None:
    result = taken(tmp_path, wide("DP;PT", 10, 6) + second)
    assert accounted(result)
    assert held(tmp_path) == {"DP": {6}, "PT": {6}}
    assert [row[0] for row in aside(tmp_path)] == [12, 13, 14]


@pytest.mark.parametrize("names", ["PT;DP", "A;B", "DP;A"])
def test_rows_below_other_columns_are_not_stored_under_the_first_ones(
    tmp_path: Path, names: str
) -> None:
    text = wide("DP;PT", 3, 6) + wide(names, 2, 8) + wide("DP;PT", 3, 10)
    result = taken(tmp_path, text)
    assert accounted(result)
    assert held(tmp_path) == {"DP": {6, 10}, "PT": {6, 10}}
    assert [(row[0], row[3]) for row in aside(tmp_path)] == [
        (5, OTHER_HEADER),
        (6, BELOW_OTHER),
        (7, BELOW_OTHER),
        (8, HEADER_AGAIN),
    ]


def test_other_columns_under_another_word_for_the_time(tmp_path: Path) -> None:
    other = wide("PT;DP", 2, 8).replace("time", "Zeitpunkt")
    taken(tmp_path, wide("DP;PT", 3, 6) + other)
    assert held(tmp_path) == {"DP": {6}, "PT": {6}}


def test_the_same_header_again_is_set_aside_alone(tmp_path: Path) -> None:
    result = taken(tmp_path, wide("DP;PT", 3, 6) + "\n" + wide("DP;PT", 3, 8))
    assert counts(result) == (13, 12, 0, 0, 1)
    assert [(row[0], row[2], row[3]) for row in aside(tmp_path)] == [
        (6, "time;DP;PT", HEADER_AGAIN)
    ]


def test_a_long_export_twice(tmp_path: Path) -> None:
    result = taken(tmp_path, LONG + LONG.replace("T04", "T05"))
    assert counts(result) == (5, 4, 0, 0, 1)


def test_a_first_row_that_is_damaged_is_no_units_line(tmp_path: Path) -> None:
    result = taken(tmp_path, wide("DP;PT", 3, 6).replace("2026-03-02T06:00:00Z", "x", 1))
    assert counts(result) == (5, 4, 0, 0, 1)
    assert [row[0] for row in aside(tmp_path)] == [2]


def test_a_damaged_row_that_holds_a_name_of_a_column_is_no_header(tmp_path: Path) -> None:
    text = LONG + "value;;3.5\n" + "value;2026-03-02T04:00:02Z;4.5\n"
    assert counts(taken(tmp_path, text)) == (4, 3, 0, 0, 1)


def test_titles_with_a_time_are_no_rows(tmp_path: Path) -> None:
    title = "Ondravel Lime;02.03.2026 04:00:00;500\n\n"
    assert counts(taken(tmp_path, title + wide("DP;PT", 3, 6))) == (6, 6, 0, 0, 0)
