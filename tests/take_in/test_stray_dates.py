"""Dates far from all others of a file: set aside where the others are a few days, else honest."""

from __future__ import annotations

from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from helpers.exports import NOW, START, aside, counts, plant_site, store_of, stored, taken

from rowcall.take_in import take_in
from rowcall.take_in.load.entries import STRAY
from rowcall.take_in.load.memory import Memory

LITTLE = Memory(whole_bytes=0, block_bytes=2_500, slice_rows=50)
NIGHT = [START + timedelta(minutes=number) for number in range(300)]
DAY = timedelta(days=1)


def long_lines(times: list[datetime], tag: str = "DP") -> list[str]:
    return [f"{tag},{time:%Y-%m-%dT%H:%M:%SZ},1.5,Good" for time in times]


def text(lines: list[str]) -> str:
    return "\n".join(["tag,time,value,quality", *lines, ""])


@pytest.mark.parametrize("stray", ["2000-01-01T00:00:00Z", "2027-03-02T05:00:00Z"])
@pytest.mark.parametrize("place", [0, 150, 300])
@pytest.mark.parametrize("memory", [None, LITTLE])
def test_a_stray_date_is_set_aside(
    tmp_path: Path, stray: str, place: int, memory: Memory | None
) -> None:
    lines = long_lines(NIGHT)
    lines.insert(place, f"DP,{stray},9,Good")
    (tmp_path / "day.csv").write_text(text(lines), encoding="utf-8")
    with store_of(tmp_path) as store:
        (result,) = take_in(
            store,
            plant_site(),
            [tmp_path / "day.csv"],
            now=NOW,
            progress=lambda text: None,
            memory=memory,
        )
    assert counts(result) == (301, 300, 0, 0, 1)
    assert aside(tmp_path) == [(place + 2, "time", f"DP,{stray},9,Good", STRAY)]


def test_of_a_wide_file_each_cell_is_set_aside(tmp_path: Path) -> None:
    lines = [f"{time:%Y-%m-%dT%H:%M:%SZ},1,2" for time in NIGHT]
    lines.insert(7, "2000-01-01T00:00:00Z,1,2")
    result = taken(tmp_path, "\n".join(["time,DP,PT", *lines, ""]))
    assert counts(result) == (602, 600, 0, 0, 2)
    assert [(line, column) for line, column, *_ in aside(tmp_path)] == [(9, "DP"), (9, "PT")]


def test_a_repeated_row_and_a_stray_one_get_their_own_reasons(tmp_path: Path) -> None:
    lines = [*long_lines([START - 100 * DAY]), *long_lines([START - 90 * DAY, *NIGHT, NIGHT[-1]])]
    taken(tmp_path, text(lines))
    assert [(line, reason) for line, *_, reason in aside(tmp_path)] == [
        (2, STRAY),
        (3, STRAY),
        (303, "same instant again"),
    ]


@pytest.mark.parametrize(
    "times",
    [
        [START + 20 * DAY * number for number in range(60)],  # years, row by row
        [*NIGHT, *(time + 200 * DAY for time in NIGHT)],  # two nights put together
        [*(START + DAY * number for number in range(300)), START + 400 * DAY],  # after a stop
        [START - 900 * DAY, *NIGHT[:10]],  # of few rows nothing is a bulk
        [START - 20 * DAY, *NIGHT],  # near
    ],
    ids=["history", "two nights", "stop", "few rows", "near"],
)
def test_honest_files_are_stored_whole(tmp_path: Path, times: list[datetime]) -> None:
    assert counts(taken(tmp_path, text(long_lines(times))))[1:] == (len(times), 0, 0, 0)


def test_the_last_value_of_a_tag_before_the_span_is_kept(tmp_path: Path) -> None:
    """A set point recorded on change comes with the row that held when the export begins."""
    lines = long_lines([START - 100 * DAY, START + DAY / 24], "SP") + long_lines(NIGHT)
    taken(tmp_path, text(lines))
    assert aside(tmp_path) == []
    assert stored(tmp_path)[-2][1] == datetime(2025, 11, 22, 5, tzinfo=UTC)


def test_a_tag_all_of_whose_rows_lie_elsewhere_is_kept(tmp_path: Path) -> None:
    lines = long_lines([START - 90 * DAY, START - 89 * DAY], "SP")
    taken(tmp_path, text([*long_lines(NIGHT), *lines]))
    assert aside(tmp_path) == []
