"""Helpers of the take-in and store tests: a plant, a store in memory of a folder, and exports."""

from __future__ import annotations

import tempfile
from collections.abc import Iterable, Iterator, Sequence
from contextlib import contextmanager
from datetime import UTC, datetime, timedelta
from functools import cache
from pathlib import Path

from rowcall.site import Baghouse, Cleaning, Plant, Site, TakeIn
from rowcall.store import Store
from rowcall.take_in import Outcome, TakenIn, take_in

NOW = datetime(2030, 1, 1, tzinfo=UTC)
ZONE = "Europe/Vienna"
START = datetime(2026, 3, 2, 5, 0, tzinfo=UTC)
STORE = "store.duckdb"

Sample = tuple[str, datetime, float, str]


def plant_site(pins: TakeIn | None = None, zone: str = ZONE) -> Site:
    """Return the site of an invented plant."""
    house = Baghouse(
        id="BH1",
        name="Kiln filter",
        compartments=1,
        rows_per_compartment=(2,),
        cleaning=Cleaning(mode="on_time"),
    )
    plant = Plant(name="Ondravel Lime", time_zone=zone)
    return Site(plant=plant, take_in=pins or TakeIn(), baghouse=(house,))


@cache
def _empty_store() -> bytes:
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / STORE
        with Store.open(path):
            pass
        return path.read_bytes()


def open_store(path: Path) -> Store:
    """Open a store, a new one as a copy: making its tables anew takes longer than most tests."""
    if not path.exists():
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(_empty_store())
    return Store.open(path)


_MAX_SPARE = 3  # stores that one test may fill side by side; chosen
_spare: dict[Path, tuple[Store, tempfile.TemporaryDirectory[str]]] = {}


@contextmanager
def store_of(folder: Path) -> Iterator[Store]:
    """The store of a test's folder; without a file there, one of a few that serve all tests.

    It stays open and is emptied for the next folder: opening one takes longer than most tests.
    """
    if (folder / STORE).exists():
        with Store.open(folder / STORE) as store:
            yield store
        return
    if folder in _spare:
        spare = _spare.pop(folder)
    elif len(_spare) == _MAX_SPARE:
        spare = _spare.pop(next(iter(_spare)))  # that was used longest ago
        _empty(spare[0])
    else:
        place = tempfile.TemporaryDirectory()
        spare = open_store(Path(place.name) / STORE), place
        plan_little(spare[0])
    _spare[folder] = spare
    yield spare[0]


def plan_little(store: Store) -> None:
    """Keep an open store from planning much: of few rows that takes longer than to run."""
    store.connection.execute("SET threads = 1; PRAGMA disable_optimizer")


def _empty(store: Store) -> None:
    filled = (
        "SELECT table_name FROM duckdb_tables() "
        "WHERE table_name <> 'rowcall_schema' AND estimated_size > 0"
    )
    names = store.connection.execute(filled).fetchall()
    deleted = "".join(f"DELETE FROM {name};" for (name,) in names)
    store.connection.execute(f"BEGIN; {deleted} COMMIT")


def take(store: Store, *paths: Path, pins: TakeIn | None = None, zone: str = ZONE) -> list[TakenIn]:
    """Take files into a store as a nightly run would, long after they were written."""
    return take_in(store, plant_site(pins, zone), paths, now=NOW, progress=lambda text: None)


def taken(
    folder: Path,
    content: bytes | str,
    name: str = "day.csv",
    *,
    pins: TakeIn | None = None,
    zone: str = ZONE,
) -> TakenIn:
    """Write one export, take it into the store of `folder`, and return what became of it."""
    path = folder / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    with store_of(folder) as store:
        (result,) = take(store, path, pins=pins, zone=zone)
    return result


def stored(folder: Path) -> list[tuple[str, datetime, float, int]]:
    """Return every stored sample as (tag, UTC instant, value, quality), by tag and time."""
    with store_of(folder) as store:
        rows = store.connection.execute(
            "SELECT name, time, value, quality FROM samples JOIN tags USING (tag_id) "
            "ORDER BY name, time"
        ).fetchall()
    return [(name, time.replace(tzinfo=UTC), value, code) for name, time, value, code in rows]


def instants(folder: Path, tag: str) -> list[datetime]:
    """Return the stored UTC instants of one tag."""
    return [time for name, time, _, _ in stored(folder) if name == tag]


def aside(folder: Path) -> list[tuple[int, str, str, str]]:
    """Return everything set aside as (line, column, raw text, reason), by line."""
    with store_of(folder) as store:
        return store.connection.execute(
            "SELECT line, column_name, raw, reason FROM set_aside ORDER BY line, column_name"
        ).fetchall()


def take_times(
    folder: Path, *times: str, pins: TakeIn | None = None, zone: str = ZONE
) -> list[datetime]:
    """Take in a wide export with these times, and return the stored instants."""
    lines = [f"{time};{number}\n" for number, time in enumerate(times)]
    result = taken(folder, "time;DP\n" + "".join(lines), pins=pins, zone=zone)
    assert result.outcome is Outcome.STORED, result.message
    return instants(folder, "DP")


def counts(result: TakenIn) -> tuple[int, int, int, int, int]:
    """Return rows read, stored, replaced, unchanged and set aside of a stored file."""
    note = result.note
    assert note is not None, result.message
    return note.rows_read, note.stored, note.replaced, note.unchanged, note.set_aside


def samples(count: int, tags: Sequence[str] = ("DP", "PT")) -> list[Sample]:
    """Return good samples of some tags, ten seconds apart, rows in time order."""
    return [
        (tag, START + timedelta(seconds=10 * number), round(10.5 + number + 100 * place, 3), "Good")
        for number in range(count)
        for place, tag in enumerate(tags)
    ]


def long_csv(
    rows: Iterable[Sample],
    *,
    delimiter: str = ",",
    decimal: str = ".",
    header: str = "tag,time,value,quality",
) -> str:
    """Return a long-layout export with times in UTC."""
    lines = [header.replace(",", delimiter)]
    for tag, time, value, quality in rows:
        number = repr(value).replace(".", decimal)
        lines.append(delimiter.join((tag, f"{time:%Y-%m-%dT%H:%M:%SZ}", number, quality)))
    return "\n".join(lines) + "\n"


def wide_csv(rows: Iterable[Sample], *, delimiter: str = ",", decimal: str = ".") -> str:
    """Return a wide-layout export with times in UTC."""
    by_time: dict[datetime, dict[str, str]] = {}
    for tag, time, value, _ in rows:
        by_time.setdefault(time, {})[tag] = repr(value).replace(".", decimal)
    tags = list(dict.fromkeys(tag for cells in by_time.values() for tag in cells))
    lines = [delimiter.join(("Time", *tags))]
    for time, cells in by_time.items():
        shown = [f"{time:%Y-%m-%d %H:%M:%S}Z", *(cells.get(tag, "") for tag in tags)]
        lines.append(delimiter.join(shown))
    return "\n".join(lines) + "\n"


def expected(rows: Iterable[Sample]) -> list[tuple[str, datetime, float, int]]:
    """Return good samples as `stored` returns them."""
    return sorted((tag, time, value, 0) for tag, time, value, _ in rows)
