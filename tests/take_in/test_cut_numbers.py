"""Numbers that a decimal comma or the end of the file cuts in two: never stored in part."""

from __future__ import annotations

from pathlib import Path

import pytest
from helpers.exports import aside, stored, taken

from rowcall.take_in import Outcome
from rowcall.take_in.read.last_line import is_cut_off
from rowcall.take_in.read.text_tables import CUT_OFF

TIME = "2026-03-02T05:00:0"


@pytest.mark.parametrize(
    ("head", "end"),
    [("tag,time,value", ""), ("tag,time,value,", ""), ("tag,time,value,quality", ",Good")],
)
def test_a_decimal_comma_in_a_comma_separated_file(tmp_path: Path, head: str, end: str) -> None:
    rows = "".join(f"DP,{TIME}{n}Z,12,3{n}{end}\n" for n in range(5))
    result = taken(tmp_path, f"{head}\n{rows}")
    assert result.outcome is Outcome.REFUSED
    assert "line 2" in result.message
    assert "decimal commas cut numbers in two" in result.message
    assert "decimal point" in result.message


@pytest.mark.parametrize("n_whole", [2, 20])
def test_rows_with_a_decimal_comma_beside_whole_numbers(tmp_path: Path, n_whole: int) -> None:
    """Whether the rows with a field too many are more or fewer than the others."""
    whole = [f"DP,2026-03-02T06:00:{n:02d}Z,7" + "," * (n_whole == 2) for n in range(n_whole)]
    cut = [f"DP,{TIME}{n}Z,12,38" for n in range(6)]
    taken(tmp_path, "\n".join(["tag,time,value", *whole, *cut, ""]))
    assert {value for _, _, value, _ in stored(tmp_path)} == {7.0}
    assert [line for line, *_ in aside(tmp_path)] == list(range(n_whole + 2, n_whole + 8))
    assert all("decimal commas" in reason for *_, reason in aside(tmp_path))


@pytest.mark.parametrize(
    ("head", "begin"), [("tag,time,value,quality", "DP,"), ("time,DP,DP quality", "")]
)
@pytest.mark.parametrize("goods", [[], ["7.5,192"], ["7.5,Good", "7,Bad"]])
def test_decimals_are_no_quality(tmp_path: Path, head: str, begin: str, goods: list[str]) -> None:
    """With 75 they are of the older numbers, but 38 or 05 is none of theirs."""
    values = [*goods, "12,38", "12,75", "12,05"]
    lines = [f"{begin}{TIME}{n}Z,{value}," for n, value in enumerate(values)]
    result = taken(tmp_path, "\n".join([head, *lines, ""]))
    if not goods:
        assert result.outcome is Outcome.REFUSED
        assert "decimal commas cut numbers in two" in result.message
        return
    assert [row[2] for row in stored(tmp_path)] == [float(good.split(",")[0]) for good in goods]
    assert [line for line, *_ in aside(tmp_path)] == [len(goods) + n for n in (2, 3, 4)]
    assert all("decimal commas" in reason for *_, reason in aside(tmp_path))


@pytest.mark.parametrize("values", [["12,192", "12,28"], ["12.5,38", "12,38", "12,192"]])
def test_qualities_with_an_empty_field_behind_stay(tmp_path: Path, values: list[str]) -> None:
    """Either the numbering knows them all, or an odd one stands where nothing can be cut."""
    lines = [f"DP,{TIME}{n}Z,{value}," for n, value in enumerate(values)]
    taken(tmp_path, "\n".join(["tag,time,value,quality", *lines, ""]))
    assert len(stored(tmp_path)) == len(values)


def test_a_field_behind_the_named_columns_of_a_wide_file(tmp_path: Path) -> None:
    rows = [f"2026-03-02T05:{n // 60:02d}:{n % 60:02d}Z,{n}," for n in range(300)]
    taken(tmp_path, "\n".join(["time,DP", *rows, "2026-03-02T06:00:00Z,12,38", ""]))
    assert len(stored(tmp_path)) == 300
    assert [line for line, *_ in aside(tmp_path)] == [302]


def test_a_number_cut_off_at_the_end_of_the_file(tmp_path: Path) -> None:
    rows = [f"DP,{TIME}{n}Z,12.3{n}" for n in range(9)]
    taken(tmp_path, "\n".join(["tag,time,value", *rows])[:-1])
    assert len(stored(tmp_path)) == 8
    assert [(line, reason) for line, *_, reason in aside(tmp_path)] == [(10, CUT_OFF)]


@pytest.mark.parametrize(
    ("cell", "others", "expected"),
    [
        ("12.5", ("12.25", "12.75"), True),
        ("12.50", ("12.25", "12.75"), False),
        ("12", ("12.25", "13"), True),
        ("12,50", ("12,25", "9,75"), False),
        ("10", ("101", "102"), True),
        ("1", ("0", "1"), False),
        ("1,234", ("1,234.5", "2.5"), True),
        ("Good", ("Good", "Bad"), False),
        ("", ("Good", "Bad"), True),
        ("", ("", "1"), False),
        ("2026-03-02T05:00", ("2026-03-02T05:00:01",), True),
        ("1.5", (), True),
    ],
)
def test_what_may_go_on(cell: str, others: tuple[str, ...], expected: bool) -> None:
    assert is_cut_off(cell, others) is expected
