"""Odd exports: each refusal names the one edit of the site file that gets the file taken in."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import polars as pl
import pytest
from helpers.exports import aside, stored, taken

from rowcall.site import TakeIn
from rowcall.take_in import Outcome

LONG = "tag,time,value,quality\nDP,2026-03-02T05:00:00Z,1.5,Good\nDP,2026-03-02T05:00:10Z,2.5,Bad\n"
SEMI = "tag;time;value\nDP;02.03.2026 06:00:00;1,5\nDP;02.03.2026 06:00:10;2,25\n"
WIDE = "time,DP,PT\n2026-03-02T05:00:00Z,1.5,6\n2026-03-02T05:00:10Z,2.5,7\n"
_EDIT = re.compile(r'take_in\.(\w+) = (\[[^\]]*\]|"(?:[^"\\]|\\.)*"|\d{4}-\d\d-\d\d|\d+|\w+)')


def pins_of(settings: Mapping[str, Any]) -> TakeIn:
    return TakeIn.model_validate(settings)


def edited(message: str, settings: Mapping[str, Any]) -> dict[str, Any]:
    """Return the settings after the first edit that a message names and that is none yet."""
    for key, text in _EDIT.findall(message):
        value = tomllib.loads(f"x = {text}")["x"]
        if settings.get(key) != value:
            return {**settings, key: value}
    raise AssertionError(f"no edit is named: {message}")


ODD: dict[str, tuple[str, dict[str, Any]]] = {
    "another delimiter": (LONG, {"delimiter": ";"}),
    "another decimal sign": (SEMI, {"decimal": "."}),
    "a point for a comma": (LONG, {"decimal": ","}),
    "open thousands": ("tag;time;value\nDP;2026-03-02T05:00:00Z;1,234\n", {}),
    "another time format": (SEMI, {"time_format": "%Y-%m-%d %H:%M:%S"}),
    "epoch instead of text": (
        "time,DP\n1772427600,1\n1772427610,2\n",
        {"time_format": "%Y-%m-%d %H:%M:%S"},
    ),
    "years of two digits": ("time;DP\n02.03.26 06:00:00;1\n22.03.26 06:00:00;2\n", {}),
    "years of two digits, clock apart": ("day;clock;DP\n02.03.26;06:00:00;1\n", {}),
    "seconds before the date": ("time;DP\n06:00:00 02.03.2026;1\n", {}),
    "a time that only a pattern tells": (
        "wann;time;DP\n06:00:00 02.03.2026;06:00:00 02.03.2026;1\n",
        {"time_column": "wann", "delimiter": ";"},
    ),
    "another header line": ("by hand\n" + LONG, {"header_line": 1}),
    "another units line": (WIDE.replace("PT\n", "PT\n,mbar,bar\n"), {"units_line": 7}),
    "no header": (LONG.partition("\n")[2], {}),
    "no header, wide": (WIDE.partition("\n")[2], {}),
    "other columns than named": (LONG.partition("\n")[2], {"column_names": ["time", "x"]}),
    "another tag column": (LONG, {"tag_column": "point"}),
    "another value column": (LONG, {"value_column": "wert"}),
    "another time column": (LONG, {"time_column": "Zeit"}),
    "another clock column": (
        "date,clock,DP\n2026-03-02,05:00:00,1\n",
        {"time_column": "date", "clock_column": "Uhr"},
    ),
    "a value column of its own": (LONG.replace("value", "flow"), {}),
    "a tag column of its own": (LONG.replace("tag", "Messstelle"), {}),
    "two quality columns": ("tag,time,value,quality,status\nA,2026-03-02T05:00Z,1,Good,Good\n", {}),
    "two time columns": ("a,b,x\n2026-03-02T05:00Z,2026-03-02T05:01Z,1\n", {}),
    "two clocks": ("date,start,end,DP\n2026-03-02,05:00:00,06:00:00,1\n", {}),
    "long pinned, wide found": (WIDE, {"layout": "long"}),
    "wide pinned, long found": (LONG, {"layout": "wide"}),
    "day or month first": ("time,DP\n03/02/2026 05:00:00,1\n", {}),
    "month first after all": ("time,DP\n03/22/2026 05:00:00,1\n", {"day_first": True}),
    "day first after all": ("time,DP\n22/03/2026 05:00:00,1\n", {"day_first": False}),
    "quality words of its own": (LONG.replace("Good", "gut").replace("Bad", "schlecht"), {}),
    "quality 0 and 1": (LONG.replace("Good", "1").replace("Bad", "0"), {}),
    "quality numbers of either numbering": (LONG.replace("Good", "0").replace("Bad", "10"), {}),
    "quality numbers for words": (
        LONG.replace("Good", "192").replace("Bad", "0"),
        {"quality": "words"},
    ),
    "quality words for numbers": (LONG, {"quality": "opc_ua"}),
    "a tag twice": (WIDE.replace("PT", "DP"), {}),
    "a column without a name": (WIDE.replace("PT", ""), {}),
    "a tag column that is the time's": (LONG, {"tag_column": "time"}),
    "a quality column that is the value's": (
        LONG,
        {"value_column": "value", "quality_column": "value"},
    ),
    "an equipment column that is the time's": (WIDE, {"equipment_column": "time"}),
    "another equipment column": (WIDE, {"equipment_column": "filter"}),
    "an equipment column of a long export": (
        LONG,
        {"equipment_column": "tag", "tag_column": "tag"},
    ),
    "a units line that is the header": (LONG, {"units_line": 1}),
    "before the earliest": (LONG.replace("2026", "1985"), {}),
    "in the future": (LONG.replace("2026-03-02", "2030-01-01"), {}),
}


@pytest.mark.parametrize("name", ODD)
def test_one_edit_leads_from_refusal_to_running(tmp_path: Path, name: str) -> None:
    text, settings = ODD[name]
    refused = taken(tmp_path, text, pins=pins_of(settings))
    assert refused.outcome is Outcome.REFUSED
    assert refused.message.startswith("day.csv")
    assert stored(tmp_path) == []
    result = taken(tmp_path, text, pins=pins_of(edited(refused.message, settings)))
    assert result.outcome is Outcome.STORED, (refused.message, result.message)
    assert stored(tmp_path)


def test_words_for_a_bad_sensor_that_only_the_site_file_knows(tmp_path: Path) -> None:
    text = "tag;time;value\nDP;2026-03-02T05:00:00Z;Störung\n"
    refused = taken(tmp_path, text)
    assert "take_in.bad_values" in refused.message
    assert "Störung" in refused.message
    assert taken(tmp_path, text, pins=TakeIn(bad_values=("STÖRUNG",))).outcome is Outcome.STORED
    assert [row[3] for row in stored(tmp_path)] == [2]


def test_an_encoding_that_only_the_site_file_knows(tmp_path: Path) -> None:
    text = "tag;time;value\nDruck Zyklon Ž;2026-03-02T05:00:00Z;1\n".encode("cp1250")
    refused = taken(tmp_path, text, pins=TakeIn(encoding="utf-8"))
    assert "take_in.encoding" in refused.message
    taken(tmp_path, text, pins=TakeIn(encoding="cp1250"))
    assert [row[0] for row in stored(tmp_path)] == ["Druck Zyklon Ž"]


ALL_PINNED = {
    "encoding": "utf-8",
    "header_line": 2,
    "units_line": 3,
    "layout": "wide",
    "delimiter": ";",
    "decimal": ",",
    "time_column": "Zeit",
    "time_format": "%d/%m/%Y %H:%M:%S",
    "quality": "opc_ua",
}


def test_with_everything_pinned_what_was_open_is_read_as_pinned(tmp_path: Path) -> None:
    text = "a;b;c\nZeit;DP;DP quality\n;mbar;\n03/02/2026 06:00:00;1,234;0\n"
    result = taken(tmp_path, text, pins=pins_of(ALL_PINNED), zone="UTC")
    assert result.outcome is Outcome.STORED, result.message
    assert stored(tmp_path) == [("DP", datetime(2026, 2, 3, 6, 0, tzinfo=UTC), 1.234, 0)]


@pytest.mark.parametrize(
    ("numbering", "codes"), [("opc_ua", [0, 0]), ("older_numbers", [2, 2]), (None, [0, 0])]
)
def test_all_zero_is_good_or_bad_as_pinned(
    tmp_path: Path, numbering: str | None, codes: list[int]
) -> None:
    text = LONG.replace("Good", "0").replace("Bad", "0")
    taken(tmp_path, text, pins=pins_of({"quality": numbering}))
    assert [row[3] for row in stored(tmp_path)] == codes


def test_numbers_that_the_site_file_names_go_before_both_numberings(tmp_path: Path) -> None:
    text = LONG.replace("Good", "1").replace("Bad", "0")
    taken(tmp_path, text, pins=TakeIn(quality_good=("1",)))
    assert [row[3] for row in stored(tmp_path)] == [0, 2]


def test_a_cell_against_the_pin_is_set_aside_where_others_bear_the_pin_out(tmp_path: Path) -> None:
    text = LONG + "DP,2026-03-02T05:00:20Z,3.5,192\nDP,20260302 050030,4.5,Good\n"
    pins = pins_of({"quality": "words", "time_format": "%Y-%m-%dT%H:%M:%SZ"})
    assert taken(tmp_path, text, pins=pins).outcome is Outcome.STORED
    assert [(line, column) for line, column, _, _ in aside(tmp_path)] == [
        (4, "quality"),
        (5, "time"),
    ]


def test_pins_of_text_do_not_stand_in_the_way_of_typed_columns(tmp_path: Path) -> None:
    path = tmp_path / "written.parquet"
    time = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
    pl.DataFrame({"time": [time], "DP": [1.5]}).write_parquet(path)
    pins = pins_of({"decimal": ",", "delimiter": ";", "time_format": "%d.%m.%Y %H:%M:%S"})
    assert taken(tmp_path, path.read_bytes(), "day.parquet", pins=pins).outcome is Outcome.STORED
    assert stored(tmp_path) == [("DP", time, 1.5, 0)]
