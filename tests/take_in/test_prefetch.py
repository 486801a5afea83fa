"""Rows that lay ahead of the clock are taken in once their time has come, and counted once."""

from __future__ import annotations

import io
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from helpers.exports import NOW, aside, plant_site, store_of, stored
from helpers.long_exports import LITTLE

from rowcall.store.ledger import days_touched
from rowcall.take_in import Outcome, TakenIn, take_in
from rowcall.take_in.load.memory import Memory
from rowcall.take_in.outcome import FUTURE

# Of ten rows an hour apart the first four are past, with an hour's tolerance.
TIMES = [NOW + timedelta(hours=number - 2) for number in range(10)]
LEDGER = ("rows_read", "stored", "replaced", "unchanged", "set_aside")
MEMORIES = pytest.mark.parametrize("memory", [None, LITTLE])


def take(folder: Path, name: str, now: datetime, memory: Memory | None = None) -> TakenIn:
    with store_of(folder) as store:
        (result,) = take_in(
            store,
            plant_site(),
            [folder / name],
            now=now,
            settle_s=0.0,
            progress=lambda text: None,
            memory=memory,
        )
    return result


def ledger(folder: Path) -> list[tuple[int, ...]]:
    """Return the counts of each line of the ledger, and see that they and the rows agree."""
    with store_of(folder) as store:
        lines = store.connection.execute(
            f"SELECT {', '.join(LEDGER)} FROM files ORDER BY file_id"
        ).fetchall()
        rows = store.connection.execute(
            "SELECT files.file_id, count(line) FROM files LEFT JOIN set_aside USING (file_id) "
            "GROUP BY ALL ORDER BY files.file_id"
        ).fetchall()
    for read, kept, replaced, unchanged, put_aside in lines:
        assert read == kept + replaced + unchanged + put_aside
    assert [count for _, count in rows] == [line[-1] for line in lines]
    return lines


def long_csv(times: list[datetime], factor: float = 1.0) -> bytes:
    lines = [f"DP,{time:%Y-%m-%dT%H:%M:%SZ},{n * factor:g}" for n, time in enumerate(times)]
    return "\n".join(["tag,time,value", *lines]).encode()


def wide_csv(times: list[datetime]) -> bytes:
    lines = [f"{time:%Y-%m-%dT%H:%M:%SZ},{n},{n + 100}" for n, time in enumerate(times)]
    return "\n".join(["time,DP,PT", *lines]).encode()


def parquet(times: list[datetime]) -> bytes:
    raw = io.BytesIO()
    values = [float(number) for number in range(len(times))]
    frame = pl.DataFrame({"tag": ["DP"] * len(times), "time": times, "value": values})
    frame.write_parquet(raw, row_group_size=3)
    return raw.getvalue()


@MEMORIES
@pytest.mark.parametrize(
    ("write", "name"), [(long_csv, "a.csv"), (wide_csv, "a.csv"), (parquet, "a.parquet")]
)
def test_rows_whose_time_has_come_are_taken_in(
    tmp_path: Path, memory: Memory | None, write: Callable[..., bytes], name: str
) -> None:
    """In three nights everything is stored, just as by a clock that was right at once."""
    (tmp_path / "own").mkdir()
    for folder in (tmp_path, tmp_path / "own"):
        (folder / name).write_bytes(write(TIMES))
    late = NOW + timedelta(days=1)
    take(tmp_path / "own", name, late, memory)
    whole = stored(tmp_path / "own")
    tags = len({tag for tag, *_ in whole})
    for hours, rows in ((0, 4), (3, 7), (24, 10)):
        result = take(tmp_path, name, NOW + timedelta(hours=hours), memory)
        assert result.outcome is Outcome.STORED
        assert len(stored(tmp_path)) == rows * tags
        assert {reason for *_, reason in aside(tmp_path)} == ({FUTURE} if rows < 10 else set())
        assert sum(line[0] for line in ledger(tmp_path)) == rows * tags + (10 - rows)
    assert stored(tmp_path) == whole
    assert take(tmp_path, name, late, memory).outcome is Outcome.KNOWN


@MEMORIES
def test_a_file_is_not_read_again_before_a_row_of_it_is_due(
    tmp_path: Path, memory: Memory | None
) -> None:
    (tmp_path / "a.csv").write_bytes(long_csv([*TIMES[:3], NOW + timedelta(days=400)]))
    take(tmp_path, "a.csv", NOW, memory)
    for days in (1, 399):
        assert take(tmp_path, "a.csv", NOW + timedelta(days=days), memory).outcome is Outcome.KNOWN
    assert ledger(tmp_path) == [(4, 3, 0, 0, 1)]
    assert take(tmp_path, "a.csv", NOW + timedelta(days=401), memory).outcome is Outcome.STORED
    assert ledger(tmp_path) == [(3, 3, 0, 0, 0), (1, 1, 0, 0, 0)]


@MEMORIES
def test_what_later_exports_brought_meanwhile_stays(tmp_path: Path, memory: Memory | None) -> None:
    """Both what they corrected of the past, and what they brought of the future."""
    (tmp_path / "a.csv").write_bytes(long_csv(TIMES))
    (tmp_path / "b.csv").write_bytes(long_csv(TIMES[:6], factor=7.0))
    take(tmp_path, "a.csv", NOW, memory)
    late = NOW + timedelta(days=1)
    take(tmp_path, "b.csv", late, memory)
    take(tmp_path, "a.csv", late, memory)
    assert [value for _, _, value, _ in stored(tmp_path)] == [
        *(7.0 * number for number in range(6)),
        *range(6, 10),
    ]
    assert ledger(tmp_path) == [(4, 4, 0, 0, 0), (6, 2, 3, 1, 0), (6, 4, 0, 2, 0)]


@MEMORIES
def test_rows_that_are_no_samples_get_their_own_reason(
    tmp_path: Path, memory: Memory | None
) -> None:
    """And what was set aside of the past is not told twice."""
    text = long_csv([*TIMES, TIMES[-1]]).decode() + f"\nDP,{TIMES[9]:%Y-%m-%dT%H:%M:%SZ},twelve"
    (tmp_path / "a.csv").write_text(text + "\nDP,soon,1\nDP,2029-01-01T00:00:00Z,many\n")
    take(tmp_path, "a.csv", NOW, memory)
    take(tmp_path, "a.csv", NOW + timedelta(days=1), memory)
    assert [(line, reason.split()[-1]) for line, _, _, reason in aside(tmp_path)] == [
        (11, "again"),
        (13, "sensor"),
        (14, "uses"),
        (15, "sensor"),
    ]
    assert [line[0] for line in ledger(tmp_path)] == [6, 8]


def test_the_days_of_such_rows_are_judged_again(tmp_path: Path) -> None:
    """Their day may have been judged meanwhile: without the file, or on another's samples."""
    (tmp_path / "a.csv").write_bytes(long_csv(TIMES))
    take(tmp_path, "a.csv", NOW)
    (tmp_path / "b.csv").write_bytes(long_csv([NOW + timedelta(minutes=90)]) + b"\n")
    take(tmp_path, "b.csv", NOW + timedelta(days=1))
    take(tmp_path, "a.csv", NOW + timedelta(days=1))
    with store_of(tmp_path) as store:
        assert days_touched(store)[NOW.date()] == 3


def test_rows_set_aside_by_an_earlier_version_come_due_too(tmp_path: Path) -> None:
    """It noted nothing of what lies ahead; nor does a run that is killed before it can."""
    (tmp_path / "a.csv").write_bytes(long_csv(TIMES))
    take(tmp_path, "a.csv", NOW)
    with store_of(tmp_path) as store:
        store.connection.execute("DELETE FROM ahead")
    assert take(tmp_path, "a.csv", NOW).outcome is Outcome.KNOWN
    take(tmp_path, "a.csv", NOW + timedelta(days=1))
    assert ledger(tmp_path) == [(4, 4, 0, 0, 0), (6, 6, 0, 0, 0)]
    assert [time for _, time, _, _ in stored(tmp_path)] == [time.astimezone(UTC) for time in TIMES]
