"""A wide export with the rows of several pieces of equipment, which one column names."""

from __future__ import annotations

import io
from collections.abc import Callable, Sequence
from datetime import datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from helpers.exports import (
    NOW,
    aside,
    counts,
    instants,
    plant_site,
    store_of,
    stored,
    taken,
)
from helpers.long_exports import LITTLE
from helpers.long_exports import taken as taken_by_blocks

from rowcall.draft import draft_site
from rowcall.look import look_at, shown
from rowcall.site import TakeIn
from rowcall.take_in import Outcome, take_in
from rowcall.take_in.load.entries import NO_EQUIPMENT
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.outcome import UNKNOWN_TAG

START = datetime(2026, 3, 14)
HEADER = "time,filter,dp,temp"
TAGS = ["BH1.dp", "BH1.temp", "BH2.dp", "BH2.temp"]


def rows(
    count: int, pieces: Sequence[str] = ("BH1", "BH2"), start: datetime = START, step_s: int = 60
) -> list[str]:
    """Lines of a minute each, with a value that says of which piece and minute it is."""
    return [
        f"{start + timedelta(seconds=step_s * n):%Y-%m-%d %H:%M:%S},{piece},{n}.{at},{140 + at}"
        for n in range(count)
        for at, piece in enumerate(pieces)
    ]


def text_of(lines: Sequence[str], header: str = HEADER) -> str:
    return "\n".join([header, *lines, ""])


def tags_in(folder: Path) -> list[str]:
    return sorted({row[0] for row in stored(folder)})


ORDERS: dict[str, Callable[[list[str]], list[str]]] = {
    "by time": list,
    "by equipment": lambda lines: sorted(lines, key=lambda line: line.split(",")[1]),
    "newest first": lambda lines: lines[::-1],
}


@pytest.mark.parametrize("order", ORDERS)
@pytest.mark.parametrize("memory", [None, LITTLE])
def test_each_piece_of_equipment_has_a_tag_a_column(
    tmp_path: Path, order: str, memory: Memory | None
) -> None:
    path = tmp_path / "day.csv"
    path.write_text(text_of(ORDERS[order](rows(200))), encoding="utf-8")
    result, found, out = taken_by_blocks(tmp_path, path, memory)
    assert counts(result) == (800, 800, 0, 0, 0)
    assert out == []
    values = {tag: [row[2] for row in found if row[0] == tag] for tag in TAGS}
    assert values["BH1.dp"] == [f"{n}.0" for n in range(200)]
    assert values["BH2.dp"] == [f"{n}.1" for n in range(200)]
    assert set(values["BH2.temp"]) == {"141.0"}


@pytest.mark.parametrize("pieces", [("1", "2"), ("North", "South"), ("BH 1", " BH 2 ")])
def test_any_text_or_small_whole_number_names_equipment(
    tmp_path: Path, pieces: tuple[str, ...]
) -> None:
    lines = [line.replace(",140", f",{n}.5") for n, line in enumerate(rows(5, pieces))]
    taken(tmp_path, text_of(lines))
    names = [piece.strip() for piece in pieces]
    assert tags_in(tmp_path) == sorted(f"{one}.{tag}" for one in names for tag in ("dp", "temp"))


@pytest.mark.parametrize("kind", [pl.String, pl.Int64, pl.Float64, pl.Categorical])
def test_parquet_is_read_alike(tmp_path: Path, kind: type[pl.DataType]) -> None:
    numbers = pl.Series([None, "2"] + ["1", "2"] * 20, dtype=pl.String)
    frame = pl.DataFrame(
        {
            "time": [START + timedelta(minutes=n // 2) for n in range(42)],
            "filter": numbers.cast(kind),
            "dp": [n / 8 for n in range(42)],
            "temp": [140 + n % 2 for n in range(42)],
        }
    )
    raw = io.BytesIO()
    frame.write_parquet(raw)
    result = taken(tmp_path, raw.getvalue(), "day.parquet", pins=TakeIn(equipment_column="filter"))
    assert tags_in(tmp_path) == ["1.dp", "1.temp", "2.dp", "2.temp"]
    assert counts(result) == (83, 82, 0, 0, 1)


def test_a_row_without_a_name_is_set_aside_whole(tmp_path: Path) -> None:
    lines = rows(30)
    lines[4] = lines[4].replace("BH1", " ")
    lines[7] = lines[7].replace("BH2,3.1", "BH2,")
    result = taken(tmp_path, text_of(lines))
    assert counts(result) == (118, 117, 0, 0, 1)
    assert aside(tmp_path) == [(6, "filter", lines[4], NO_EQUIPMENT)]


def test_a_row_that_comes_twice_is_shown_with_its_equipment(tmp_path: Path) -> None:
    lines = rows(40)
    result = taken(tmp_path, text_of([*lines, lines[-1]]))
    assert counts(result) == (162, 160, 0, 0, 2)
    assert aside(tmp_path) == [
        (81, "dp", "2026-03-14 00:39:00,BH2,39.1", "same instant again"),
        (81, "temp", "2026-03-14 00:39:00,BH2,141", "same instant again"),
    ]


def test_qualities_belong_to_their_column_of_each_piece(tmp_path: Path) -> None:
    lines = [line.replace(",14", ",Bad,14") + ",Good" for line in rows(5)]
    taken(tmp_path, text_of(lines, "time,filter,dp,dp quality,temp,temp quality"))
    found = {(row[0], row[3]) for row in stored(tmp_path)}
    assert found == {(tag, 2 if tag.endswith("dp") else 0) for tag in TAGS}


@pytest.mark.parametrize("memory", [None, LITTLE])
def test_unknown_tags_are_those_of_a_piece(tmp_path: Path, memory: Memory | None) -> None:
    path = tmp_path / "day.csv"
    path.write_text(text_of(rows(30)), encoding="utf-8")
    pins = TakeIn().storing_only(["BH2.dp"])
    result, found, out = taken_by_blocks(tmp_path, path, memory, pins)
    assert counts(result) == (120, 30, 0, 0, 90)
    assert {row[0] for row in found} == {"BH2.dp"}
    assert {row[-1] for row in out} == {UNKNOWN_TAG}


def test_the_doubled_hour_is_resolved_for_each_piece(tmp_path: Path) -> None:
    utc = datetime(2026, 10, 24, 22)
    local = [utc + timedelta(hours=2 if n < 18 else 1, minutes=10 * n) for n in range(36)]
    lines = [f"{time},{piece},{n},1.5" for n, time in enumerate(local) for piece in ("A", "B")]
    result = taken(tmp_path, text_of(lines))
    assert not result.message, (result, aside(tmp_path)[:3])
    found = [instant.replace(tzinfo=None) for instant in instants(tmp_path, "B.dp")]
    assert found == [utc + timedelta(minutes=10 * n) for n in range(36)]


def test_a_short_export_of_the_doubled_hour_is_resolved_for_each_piece(tmp_path: Path) -> None:
    """Two of five instants come once more, with each piece."""
    local = ["01:00", "01:30", "02:00", "02:30", "02:00", "02:30", "03:00"]
    lines = [
        f"2026-10-25 {at}:00,{piece},{n},1.5" for n, at in enumerate(local) for piece in ("A", "B")
    ]
    taken(tmp_path, text_of(lines))
    utc = [datetime(2026, 10, 24, 23) + timedelta(minutes=30 * n) for n in range(7)]
    for tag in ("A.dp", "B.dp"):
        assert [instant.replace(tzinfo=None) for instant in instants(tmp_path, tag)] == utc


@pytest.mark.parametrize(
    "damaged", ["2026-03-14 00:00:00,'''''''''''',0.5,140", ",1,,o"], ids=["no name", "no time"]
)
def test_one_damaged_line_hides_no_equipment(tmp_path: Path, damaged: str) -> None:
    taken(tmp_path, text_of([*rows(4)[:7], damaged]))
    assert {"BH1.dp", "BH2.dp"} <= set(tags_in(tmp_path))


@pytest.mark.parametrize(
    ("header", "lines"),
    [
        (
            "time,state,dp",
            [f"2026-03-14 00:{n // 2:02d},{('RUN', 'stop')[n % 2]},{n}.5" for n in range(60)],
        ),
        ("time,state,dp", [f"{line.split(',')[0]},RUN,{n}.5" for n, line in enumerate(rows(30))]),
        ("time,bit,dp", [f"2026-03-14 00:{n:02d}:00,{n % 2},{n}.5" for n in range(50)]),
        ("time,bit,dp", [f"2026-03-14 00:{n // 2:02d}:00,{n // 7 % 2},{n}.5" for n in range(99)]),
        ("time,second,dp", [f"2026-03-14 00:{n // 6:02d},{n % 6 * 10},{n}.5" for n in range(99)]),
    ],
)
def test_what_does_not_tell_equipment_apart_is_none(
    tmp_path: Path, header: str, lines: list[str]
) -> None:
    taken(tmp_path, text_of(lines, header), pins=TakeIn(layout="wide"))
    assert "dp" in tags_in(tmp_path)


@pytest.mark.parametrize(
    "lines",
    [ORDERS["by equipment"](rows(60))[:75], rows(60) + rows(60)],
    ids=["cut off", "twice"],
)
def test_where_it_is_not_certain_it_is_asked_for(tmp_path: Path, lines: list[str]) -> None:
    refused = taken(tmp_path, text_of(lines))
    assert refused.outcome is Outcome.REFUSED
    assert 'take_in.equipment_column = "filter"' in refused.message
    result = taken(tmp_path, text_of(lines), pins=TakeIn(equipment_column="filter"))
    assert result.outcome is Outcome.STORED
    assert tags_in(tmp_path) == TAGS


def test_a_later_row_may_show_that_it_is_none(tmp_path: Path) -> None:
    """Blocks of the beginning and all of the file say different things."""
    later = [f"2026-03-15 {n // 60:02d}:{n % 60:02d}:00,BH1,{n}.0,1" for n in range(1400)]
    path = tmp_path / "day.csv"
    path.write_text(text_of([*rows(60), *later]), encoding="utf-8")
    for block_bytes in (3_500, 2**20):
        folder = tmp_path / f"{block_bytes}"
        _, found, _ = taken_by_blocks(folder, path, Memory(block_bytes=block_bytes))
        assert {row[0] for row in found} == {"dp", "temp"}


def test_of_several_columns_the_right_one_is_asked_for(tmp_path: Path) -> None:
    lines = [line.replace("BH1,", "BH1,north,").replace("BH2,", "BH2,south,") for line in rows(5)]
    text = text_of(lines, "time,filter,line,dp,temp")
    refused = taken(tmp_path, text)
    assert refused.outcome is Outcome.REFUSED
    assert "'filter', 'line'" in refused.message
    assert 'take_in.equipment_column = "filter"' in refused.message
    taken(tmp_path, text, pins=TakeIn(equipment_column="line"))
    assert {"north.dp", "south.temp"} <= set(tags_in(tmp_path))


def test_the_site_file_may_say_that_there_is_none(tmp_path: Path) -> None:
    taken(tmp_path, text_of(rows(5)), pins=TakeIn(equipment_column=""))
    assert tags_in(tmp_path) == ["dp", "temp"]


def test_a_named_column_needs_no_proof(tmp_path: Path) -> None:
    result = taken(tmp_path, text_of(rows(1, ["7"])), pins=TakeIn(equipment_column="Filter"))
    assert counts(result) == (2, 2, 0, 0, 0)
    assert tags_in(tmp_path) == ["7.dp", "7.temp"]


def test_names_that_meet_are_refused(tmp_path: Path) -> None:
    lines = [f"{START:%Y-%m-%d %H}:{n:02d}:00,{one},1,2" for n in range(3) for one in ("A", "A.b")]
    refused = taken(tmp_path, text_of(lines, "time,filter,b.c,c"))
    assert refused.outcome is Outcome.REFUSED
    assert "'A.b.c' come out more than once" in refused.message


def test_look_shows_tags_units_and_the_key_that_reads_it_again(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text(text_of([",,mbar,Cel", *rows(30)]), encoding="utf-8")
    (one,) = look_at(path, TakeIn(), None, NOW)
    assert [(tag.name, tag.unit) for tag in one.tags] == [
        (tag, "mbar" if tag.endswith("dp") else "Cel") for tag in TAGS
    ]
    assert 'equipment_column = "filter"' in shown(one)
    assert "for each piece of equipment that column 'filter' names" in shown(one)
    (again,) = look_at(path, TakeIn.model_validate(dict(one.overrides)), None, NOW)
    assert again == one


def test_a_site_file_is_drafted_for_each_piece(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    lines = [line.replace("BH1,", "BH1,north,").replace("BH2,", "BH2,south,") for line in rows(30)]
    path.write_text(text_of([",,,mbar,Cel", *lines], "time,filter,line,dp,temp"), encoding="utf-8")
    text = draft_site(path)
    assert 'equipment_column = "filter"  # CHECK' in text
    assert 'tag = "BH2.temp"\nunit = "Cel"' in text
    assert text.count("[[baghouse]]") == 2


@pytest.mark.parametrize("pieces", [("1", "2"), ("north", "south")])
def test_a_piece_of_any_name_is_a_baghouse_of_the_draft(
    tmp_path: Path, pieces: tuple[str, str]
) -> None:
    path = tmp_path / "day.csv"
    lines = [line.replace(",14", f",{n % 7}.5") for n, line in enumerate(rows(60, pieces))]
    path.write_text(text_of(lines), encoding="utf-8")
    text = draft_site(path)
    for piece in pieces:
        assert f'id = "{piece.upper()}"' in text
        assert f'role = "inlet_temperature"\ntag = "{piece}.temp"' in text


def test_an_export_taken_in_before_is_known(tmp_path: Path) -> None:
    path = tmp_path / "day.csv"
    path.write_text(text_of(rows(30)), encoding="utf-8")
    with store_of(tmp_path) as store:
        for outcome in (Outcome.STORED, Outcome.KNOWN):
            (result,) = take_in(store, plant_site(), [path], now=NOW, progress=lambda text: None)
            assert result.outcome is outcome
