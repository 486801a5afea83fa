"""Which pass of the doubled hour a wall time belongs to, by the instants it was made of."""

from __future__ import annotations

import random
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest

from rowcall.take_in.cells.ambiguous_hour import AmbiguousHour
from rowcall.take_in.cells.timestamps import Bounds, Parsed

ZONE = ZoneInfo("Europe/Vienna")
BACK = datetime(2026, 10, 25, 1, tzinfo=UTC)  # clocks go from 03:00 to 02:00
HOUR = timedelta(hours=1)

Row = tuple[datetime, int]  # instant, tag


def wall_us(instant: datetime) -> int:
    local = instant.astimezone(ZONE).replace(tzinfo=UTC)
    return round(local.timestamp()) * 1_000_000


def instants(rows: list[Row], size: int, *, has_tags: bool = True) -> list[datetime | None]:
    """Read the wall times of `rows` in tables of `size` rows, twice where that is asked for."""
    known = None
    for _ in range(2):
        hour = AmbiguousHour("day.csv", ZONE, Bounds(), known)
        out: list[datetime | None] = []
        for start in range(0, len(rows), size):
            part = rows[start : start + size]
            parsed = Parsed(pl.Series([wall_us(at) for at, _ in part]), is_utc=False)
            tags = np.array([tag for _, tag in part], np.uint32) if has_tags else None
            lines = np.arange(start, start + len(part)) + 2
            times = hour.in_utc(parsed, tags, lines)
            out += [
                None if reason else datetime.fromtimestamp(us / 1e6, UTC)
                for us, reason in zip(times.time_us.tolist(), times.reason.tolist(), strict=True)
            ]
        known = hour.passes()
        if not hour.is_open:
            return out
    return out


def recorded(seed: int) -> list[Row]:
    """Draw points of a few tags, from before the hour or its second pass on; the last far off."""
    draw = random.Random(seed)
    n_tags = draw.randint(1, 3)
    at = BACK + timedelta(minutes=draw.choice([draw.randint(-150, -65), draw.randint(2, 50)]))
    rows = []
    while at < BACK + 3 * HOUR:
        rows.append((at, draw.randrange(n_tags)))
        at += timedelta(minutes=draw.randint(3, 15))
    return [*rows, *((BACK + draw.uniform(10, 20) * HOUR, tag) for tag in range(n_tags))]


@pytest.mark.parametrize(("size", "n_seeds"), [(1, 20), (3, 40), (1000, 60)])
def test_points_in_order_get_the_instants_they_were_recorded_at(size: int, n_seeds: int) -> None:
    """Or none, where what there is leaves it open; never the wrong one."""
    n_known = n_all = 0
    for seed in range(n_seeds):
        rows = recorded(seed)
        found = instants(rows, size)
        for (true, _), one in zip(rows, found, strict=True):
            n_all += 1
            n_known += one is not None
            assert one is None or abs(one - true) < timedelta(seconds=2), seed
    assert n_known > 0.9 * n_all


FAR = [(BACK + timedelta(minutes=m), 1) for m in (-505, -474, -451, -413, -399, -366, -357)]


@pytest.mark.parametrize("size", [1, 1000])
@pytest.mark.parametrize(
    ("minutes", "others"),
    [
        ((52, 69), FAR),  # sorted by tag: the first and the last row of each show its order
        ((51, 76, 141, 205, 281), FAR[1:2]),  # the row after it, not only the last one of its tag
    ],
    ids=["first and last", "after"],
)
def test_a_tag_that_begins_in_the_second_pass_goes_by_what_follows(
    minutes: tuple[int, ...], others: list[Row], size: int
) -> None:
    rows = [*((BACK + timedelta(minutes=m), 0) for m in minutes), *others]
    assert instants(rows, size) == [at for at, _ in rows]
