"""Values, words in their place, and qualities in words and numbers."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from helpers.exports import aside, stored, taken

from rowcall.site import TakeIn
from rowcall.take_in import Outcome
from rowcall.take_in.load.entries import NO_NUMBER, NO_QUALITY

TIME = "2026-03-02T05:00:0"


def _take_values(
    folder: Path, *values: str, qualities: tuple[str, ...] = (), pins: TakeIn | None = None
) -> list[tuple[float, int]]:
    words = qualities or ("Good",) * len(values)
    lines = [
        f"DP;{TIME}{number}Z;{value};{word}"
        for number, (value, word) in enumerate(zip(values, words, strict=True))
    ]
    text = "\n".join(["tag;time;value;quality", *lines, ""])
    result = taken(folder, text, pins=pins)
    assert result.outcome is Outcome.STORED, result.message
    return [(value, code) for _, _, value, code in stored(folder)]


@pytest.mark.parametrize(
    ("text", "value"),
    [
        ("1.5", 1.5),
        (" -1.5 ", -1.5),
        ("+.5", 0.5),
        ("1e-3", 0.001),
        ("1,234.5", 1234.5),
        ("1 234 567.5", 1_234_567.5),
        ("12'000.5", 12_000.5),
        ("12\u2019000.5", 12_000.5),
        ("12\u2009000.5", 12_000.5),
        ("12\u00a0000", 12_000.0),
        ("1\u202f234\u202f567.5", 1_234_567.5),
        ("\u00a01.5\t", 1.5),
        ("-1.5E+03", -1500.0),
        ("True", 1.0),
        ("OFF", 0.0),
        ("OPEN", 1.0),
        ("Closed", 0.0),
        ("RUN", 1.0),
        ("stopped", 0.0),
    ],
)
def test_numbers(tmp_path: Path, text: str, value: float) -> None:
    assert _take_values(tmp_path, text) == [(value, 0)]


@pytest.mark.parametrize(
    ("texts", "values"),
    [
        (("1,5", "2"), (1.5, 2.0)),
        (("0,125", "1.234,5"), (0.125, 1234.5)),
        (("1.234.567,25", "1,0"), (1_234_567.25, 1.0)),
        (("1,234.5", "1,234"), (1234.5, 1234.0)),
        (("1,234,567", "1"), (1_234_567.0, 1.0)),
        (("1.234.567", "1.234"), (1_234_567.0, 1234.0)),
        (("1,5E+03", "2"), (1500.0, 2.0)),
        (("1\u2009234,5", "1\u2009234"), (1234.5, 1234.0)),
        (("12,5 %", "7%"), (12.5, 7.0)),
        (("12.5 %", "Bad", ""), (12.5, math.nan)),
    ],
)
def test_the_decimal_sign_is_decided_by_the_whole_file(
    tmp_path: Path, texts: tuple[str, ...], values: tuple[float, ...]
) -> None:
    found = [value for value, _ in _take_values(tmp_path, *texts)]
    assert found == pytest.approx(list(values), rel=0, nan_ok=True)


@pytest.mark.parametrize(
    "texts",
    [
        ("1,234", "5"),
        ("1,5", "1,234,567"),
        ("1.234.567", "1,234.5"),
        ("0.611", "1,5"),
        ("12.5", "1,5"),
        ("1,5", "1.234", "-0.611"),
        ("12.5 %", "1,5 %"),
    ],
)
def test_an_open_decimal_sign_is_asked_for(tmp_path: Path, texts: tuple[str, ...]) -> None:
    lines = "\n".join(f"DP;{TIME}{number}Z;{text}" for number, text in enumerate(texts))
    result = taken(tmp_path, "tag;time;value\n" + lines + "\n")
    assert result.outcome is Outcome.REFUSED
    assert "take_in.decimal" in result.message


@pytest.mark.parametrize(("decimal", "value"), [(".", 0.611), (",", 1.5)])
def test_a_contradiction_of_decimal_signs_is_settled_by_the_site_file(
    tmp_path: Path, decimal: str, value: float
) -> None:
    """No group of thousands begins with 0, so neither cell fits the other's reading."""
    pins = TakeIn.model_validate({"decimal": decimal})
    assert _take_values(tmp_path, "0.611", "1,5", pins=pins) == [(value, 0)]
    assert [row[3] for row in aside(tmp_path)] == [NO_NUMBER]


@pytest.mark.parametrize(("decimal", "value"), [(",", 1.234), (".", 1234.0)])
def test_the_site_file_settles_the_decimal_sign(tmp_path: Path, decimal: str, value: float) -> None:
    pins = TakeIn.model_validate({"decimal": decimal})
    assert _take_values(tmp_path, "1,234", pins=pins) == [(value, 0)]


def test_a_pinned_comma_does_not_swallow_points(tmp_path: Path) -> None:
    assert _take_values(tmp_path, "1.5", "2,5", pins=TakeIn(decimal=",")) == [(2.5, 0)]
    assert [row[:3] for row in aside(tmp_path)] == [(2, "value", f"DP;{TIME}0Z;1.5;Good")]


@pytest.mark.parametrize("word", ["Bad", "missing", "timeout", "NaN", "inf", "#N/A", "---"])
def test_words_for_a_bad_sensor_are_samples_without_a_number(tmp_path: Path, word: str) -> None:
    ((value, code),) = _take_values(tmp_path, word)
    assert math.isnan(value)
    assert code == 2


def test_other_words_are_set_aside_with_line_and_raw_text(tmp_path: Path) -> None:
    assert _take_values(tmp_path, "1.5", "twelve", "2.5") == [(1.5, 0), (2.5, 0)]
    ((line, column, raw, reason),) = aside(tmp_path)
    assert (line, column, raw) == (3, "value", f"DP;{TIME}1Z;twelve;Good")
    assert "neither a number" in reason


def test_a_percent_sign_counts_only_where_the_whole_column_has_it(tmp_path: Path) -> None:
    assert _take_values(tmp_path, "12.5", "7 %") == [(12.5, 0)]
    assert [row[0] for row in aside(tmp_path)] == [3]


def test_hexadecimal_is_no_number(tmp_path: Path) -> None:
    assert _take_values(tmp_path, "1", "0x1F") == [(1.0, 0)]
    assert [row[0] for row in aside(tmp_path)] == [3]


@pytest.mark.parametrize("text", ["nan", "inf", "-inf", "1e999"])
def test_what_is_not_finite_is_a_bad_sample(tmp_path: Path, text: str) -> None:
    ((value, code),) = _take_values(tmp_path, text)
    assert (math.isnan(value), code) == (True, 2)


def test_an_empty_value_does_not_replace_what_an_earlier_export_brought(tmp_path: Path) -> None:
    """The reason why it is set aside and not kept as a bad sample."""
    _take_values(tmp_path, "1.5")
    assert _take_values(tmp_path, "", "2.5") == [(1.5, 0), (2.5, 0)]
    assert [row[3] for row in aside(tmp_path)] == ["the value is empty"]


def test_an_empty_value_counts_only_as_bad(tmp_path: Path) -> None:
    found = _take_values(tmp_path, "", "", qualities=("Good", "Bad"))
    assert [(math.isnan(value), code) for value, code in found] == [(True, 2)]
    assert [(line, reason) for line, _, _, reason in aside(tmp_path)] == [(2, "the value is empty")]


def test_quality_words(tmp_path: Path) -> None:
    words = ("Good", "uncertain", "BAD", "Good, not specific", "")
    assert [code for _, code in _take_values(tmp_path, *"12345", qualities=words)] == [
        0,
        1,
        2,
        0,
        0,
    ]


# OPC UA Part 4 (Services), 7.39, and its table of common codes: Good, Uncertain, Bad,
# BadNoData, UncertainLastUsableValue, BadSensorFailure, and Good with the limit bits "high".
@pytest.mark.parametrize(
    ("code", "expected"),
    [
        ("0", 0),
        ("1073741824", 1),
        ("2147483648", 2),
        ("0x809B0000", 2),
        (str(0x40900000), 1),
        (str(0x808C0000 - 2**32), 2),
        (str(0x00000600), 0),
    ],
)
def test_opc_ua_status_codes(tmp_path: Path, code: str, expected: int) -> None:
    found = _take_values(tmp_path, "1", "2", qualities=(code, "2147483648"))
    assert [quality for _, quality in found] == [expected, 2]


# OPC UA Part 4, 7.39: of the two bits of severity, 11 is reserved; a code has 32 bits.
@pytest.mark.parametrize("code", ["3221225472", "0xFFFFFFFF", "4294967296", "-2147483649", "1.5"])
def test_codes_that_mean_nothing_are_set_aside(tmp_path: Path, code: str) -> None:
    assert len(_take_values(tmp_path, "1", "2", qualities=(code, "2147483648"))) == 1
    assert [(row[0], row[1]) for row in aside(tmp_path)] == [(2, "quality")]


def test_all_zero_is_good_as_a_status_code(tmp_path: Path) -> None:
    assert _take_values(tmp_path, "1", "2", qualities=("0", "0")) == [(1.0, 0), (2.0, 0)]


# OPC Data Access 3.00, 6.8: 192 good, 216 local override, 64 uncertain, 24 comm failure, 0 bad.
def test_the_older_quality_numbers(tmp_path: Path) -> None:
    codes = ("192", "216", "64", "24", "0")
    found = _take_values(tmp_path, *"12345", qualities=codes)
    assert [quality for _, quality in found] == [0, 0, 1, 2, 2]


# Sources as above: 10 is a bad sub-status of the older numbers and a good code of OPC UA; 99999 is
# of neither. 0x00960000 is "GoodLocalOverride" of OPC UA.
@pytest.mark.parametrize(
    "codes", [("0", "0", "10"), ("192", "0", "99999"), ("24", "24"), ("192", "2147483648")]
)
def test_numbers_that_leave_the_numbering_open_are_asked_for(
    tmp_path: Path, codes: tuple[str, ...]
) -> None:
    lines = "\n".join(f"DP;{TIME}{number}Z;1;{code}" for number, code in enumerate(codes))
    result = taken(tmp_path, "tag;time;value;quality\n" + lines)
    assert result.outcome is Outcome.REFUSED
    assert 'take_in.quality = "older_numbers"' in result.message
    assert "column 'quality'" in result.message


@pytest.mark.parametrize(
    ("numbering", "codes", "lines"), [("older_numbers", [0, 2], [4]), ("opc_ua", [0, 0, 0], [])]
)
def test_the_site_file_settles_the_numbering(
    tmp_path: Path, numbering: str, codes: list[int], lines: list[int]
) -> None:
    pins = TakeIn.model_validate({"quality": numbering})
    found = _take_values(tmp_path, *"123", qualities=("192", "0", "99999"), pins=pins)
    assert [code for _, code in found] == codes
    assert [(row[0], row[3]) for row in aside(tmp_path)] == [(line, NO_QUALITY) for line in lines]


def test_a_code_above_16_bits_is_of_opc_ua(tmp_path: Path) -> None:
    found = _take_values(tmp_path, *"12", qualities=(str(0x00960000), "0"))
    assert [code for _, code in found] == [0, 0]


def test_what_the_first_rows_leave_open_the_others_settle(tmp_path: Path) -> None:
    times = [f"2026-03-02T05:{n // 60:02d}:{n % 60:02d}Z" for n in range(302)]
    lines = [f"DP;{time};1;{'024'[n % 2 :][0]}" for n, time in enumerate(times[:-1])]
    text = "\n".join(["tag;time;value;quality", *lines, f"DP;{times[-1]};1;192"])
    assert taken(tmp_path, text).outcome is Outcome.STORED
    assert [row[3] for row in stored(tmp_path)] == [2] * 301 + [0]


def test_all_quality_columns_of_a_wide_export_tell_the_numbering(tmp_path: Path) -> None:
    text = f"time,DP,DP quality,PT,PT quality\n{TIME}0Z,1,0,2,192\n{TIME}1Z,1,0,2,192\n"
    taken(tmp_path, text)
    assert [(row[0], row[3]) for row in stored(tmp_path)] == [
        ("DP", 2),
        ("DP", 2),
        ("PT", 0),
        ("PT", 0),
    ]


def test_an_unknown_quality_is_set_aside(tmp_path: Path) -> None:
    assert _take_values(tmp_path, "1", "2", qualities=("Good", "purple")) == [(1.0, 0)]
    assert [(row[0], row[1]) for row in aside(tmp_path)] == [(3, "quality")]


def test_cells_of_a_wide_export(tmp_path: Path) -> None:
    lines = ["time,DP,PT", f"{TIME}0Z,1.5,", f"{TIME}1Z,Bad,6.5", f"{TIME}2Z,x,7"]
    result = taken(tmp_path, "\n".join([*lines, ""]))
    assert [(row[0], row[3]) for row in stored(tmp_path)] == [
        ("DP", 0),
        ("DP", 2),
        ("PT", 0),
        ("PT", 0),
    ]
    assert [row[:3] for row in aside(tmp_path)] == [(4, "DP", f"{TIME}2Z,x")]
    assert result.note is not None
    assert (result.note.rows_read, result.note.stored, result.note.set_aside) == (5, 4, 1)
