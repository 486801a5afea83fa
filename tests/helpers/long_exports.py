"""Long exports of a few tags, and what a store holds after one was taken in by blocks."""

from __future__ import annotations

import random
from collections.abc import Sequence
from datetime import UTC, datetime, timedelta
from pathlib import Path
from zoneinfo import ZoneInfo

from helpers.exports import NOW, ZONE, plant_site, store_of

from rowcall.site import TakeIn
from rowcall.store import Store
from rowcall.take_in import TakenIn, take_in
from rowcall.take_in.load.memory import Memory

# So little that every export here comes in dozens of blocks and several slices.
LITTLE = Memory(whole_bytes=100, block_bytes=2_500, slice_rows=1_000)

Taken = tuple[TakenIn, list[tuple[object, ...]], list[tuple[object, ...]]]


def long_rows(
    count: int,
    form: str = "%Y-%m-%d %H:%M:%S",
    *,
    start: datetime = datetime(2026, 10, 24, 20, tzinfo=UTC),
    step_s: int = 60,
    tags: str = "AB",
    zone: str = ZONE,
    quality: str = "192",
) -> list[str]:
    """Return lines of a long export, in plant time unless `zone` says otherwise."""
    rng = random.Random(4)
    times = (start + timedelta(seconds=step_s * number) for number in range(count))
    return [
        f"{tag};{time.astimezone(ZoneInfo(zone)).strftime(form)};{rng.random():.3f};{quality}"
        for time in times
        for tag in tags
    ]


def long_text(rows: Sequence[str]) -> str:
    return "\n".join(["tag;time;value;quality", *rows])


PLAIN = "%Y-%m-%dT%H:%M:%SZ"


def taken(folder: Path, path: Path, memory: Memory | None, pins: TakeIn | None = None) -> Taken:
    """Take an export into a folder's store; return the outcome, samples and rows set aside."""
    with store_of(folder) as store:
        return taken_into(store, path, memory, pins)


def taken_into(
    store: Store, path: Path, memory: Memory | None, pins: TakeIn | None = None
) -> Taken:
    """Take an export into a store; return the outcome, all samples and all rows set aside."""
    (result,) = take_in(
        store, plant_site(pins), [path], now=NOW, progress=lambda text: None, memory=memory
    )
    return (
        result,
        rows_of(
            store,
            "SELECT name, time, value::VARCHAR, quality FROM samples JOIN tags USING (tag_id) "
            "ORDER BY name, time",
        ),
        rows_of(store, "SELECT line, column_name, raw, reason FROM set_aside ORDER BY ALL"),
    )


def rows_of(store: Store, query: str) -> list[tuple[object, ...]]:
    return store.connection.execute(query).fetchall()
