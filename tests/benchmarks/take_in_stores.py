"""What take-in costs in stores of different sizes, and for many small files.

    python tests/benchmarks/take_in_stores.py [--runs 5]

Bytes a sample of a month (goal: at most 2.5) for the simulator's plant and for random numbers of
three and four decimals; the time to replace one day in a store of a year as a ratio to a store of
a month (goal: at most 1.2); and the time a file for 300 exports of one tag each.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import sys
import tempfile
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import polars as pl

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.benchmark_day import benchmark_day

from rowcall.site import Site
from rowcall.site_file import read_site
from rowcall.store import Store
from rowcall.take_in import Outcome, find_exports, take_in

_NOW = datetime(2031, 1, 1, tzinfo=UTC)
_MONTH, _YEAR, _TAGS, _FILES = 30, 365, 20, 300


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--runs", type=int, default=5)
    runs = parser.parse_args().runs
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        day = benchmark_day(folder / "plant")
        site = read_site(day.site_file)
        print("bytes a sample in a month")
        month = filled(folder / "month.duckdb", site, day.export_file, _MONTH)
        for title, draw in DRAWN.items():
            export = write_random(folder / "random.csv", draw)
            store = filled(folder / "random.duckdb", site, export, _MONTH)
            print(f"  {title}: {per_sample(store):.2f}")
        print(f"  the simulator's plant: {per_sample(month):.2f}")
        year = filled(folder / "year.duckdb", site, day.export_file, _YEAR)
        print(f"  the same in a year: {per_sample(year):.2f}")
        replace_a_day(folder, site, day.export_file, month, year, runs)
        small_files(folder, site, runs)


DRAWN: dict[str, Callable[[np.random.Generator], np.ndarray[tuple[int], np.dtype[np.float64]]]] = {
    "noise of 100 +- 5, 3 decimals": lambda rng: rng.normal(100, 5, 86_400).round(3),
    "uniform from 0 to 10, 3 decimals": lambda rng: rng.uniform(0, 10, 86_400).round(3),
    "uniform from 0 to 1, 4 decimals": lambda rng: rng.uniform(0, 1, 86_400).round(4),
}


def taken(store: Path, site: Site, *exports: Path) -> float:
    """Take exports in and return how long it took [s]."""
    begin = time.perf_counter()
    with Store.open(store) as opened:
        results = take_in(opened, site, exports, now=_NOW, progress=lambda text: None, settle_s=0.0)
    seconds = time.perf_counter() - begin
    wrong = [result.message for result in results if result.outcome is not Outcome.STORED]
    if wrong:
        sys.exit(wrong[0])
    return seconds


def filled(path: Path, site: Site, export: Path, days: int) -> Path:
    """Make a store that holds the export's day and as many days before it, shifted."""
    path.unlink(missing_ok=True)
    taken(path, site, export)
    with Store.open(path) as store:
        run = store.connection.execute
        run("CREATE TEMP TABLE day AS SELECT * FROM samples ORDER BY tag_id, time")
        for back in range(1, days):
            run(
                f"INSERT INTO samples SELECT tag_id, time - INTERVAL {back} DAY, value, quality "
                "FROM day"
            )
            run(
                f"INSERT INTO file_tags SELECT {back + 1}, tag_id, first_time - INTERVAL {back} "
                f"DAY, last_time - INTERVAL {back} DAY FROM file_tags WHERE file_id = 1"
            )
        run("DROP TABLE day")
    return path


def per_sample(path: Path) -> float:
    """Return the bytes that a sample takes in a store."""
    with Store.open(path, read_only=True) as store:
        ((count,),) = store.connection.execute("SELECT count(*) FROM samples").fetchall()
    return path.stat().st_size / float(count)


def write_random(
    path: Path, draw: Callable[[np.random.Generator], np.ndarray[tuple[int], np.dtype[np.float64]]]
) -> Path:
    """Write one wide day of random numbers."""
    rng = np.random.default_rng(1)
    start = datetime(2026, 3, 2)
    times = pl.datetime_range(start, start + timedelta(seconds=86_399), "1s", eager=True)
    columns = {f"BH1.TAG-{number:03d}": draw(rng) for number in range(_TAGS)}
    pl.DataFrame({"time": times, **columns}).write_csv(path, datetime_format="%Y-%m-%dT%H:%M:%SZ")
    return path


def replace_a_day(
    folder: Path, site: Site, export: Path, month: Path, year: Path, runs: int
) -> None:
    """Replace the last day of either store with one in which every value has changed."""
    changed = folder / "changed.csv"
    rows = pl.read_csv(export).with_columns(pl.col("value") + 0.01)
    rows.write_csv(changed)
    target, times = folder / "target.duckdb", {"month": [0.0], "year": [0.0]}
    for number in range(runs + 1):
        for name, store in (("month", month), ("year", year)):
            shutil.copyfile(store, target)
            seconds = taken(target, site, changed)
            if number:
                times[name].append(seconds)
    middle = {name: statistics.median(found[1:]) for name, found in times.items()}
    print("replace one day, opening and closing the store included")
    for name, seconds in middle.items():
        print(f"  in a store of a {name}: {seconds:.3f} s")
    print(f"  ratio: {middle['year'] / middle['month']:.2f} (goal: at most 1.2)")


def small_files(folder: Path, site: Site, runs: int) -> None:
    """Take in many files of one tag and 1,440 minutes each."""
    inbox = folder / "small"
    inbox.mkdir()
    start = datetime(2026, 3, 2)
    stamps = [f"{start + timedelta(minutes=minute):%Y-%m-%dT%H:%M:%SZ}" for minute in range(1_440)]
    for number in range(_FILES):
        text = "\n".join(f"T{number:03d},{stamp},{number}.5,Good" for stamp in stamps)
        (inbox / f"{number:03d}.csv").write_text(f"tag,time,value,quality\n{text}\n", "utf-8")
    store, found = folder / "small.duckdb", []
    for _ in range(runs):
        store.unlink(missing_ok=True)
        found.append(taken(store, site, *find_exports(inbox)))
    seconds = statistics.median(found)
    print(
        f"{_FILES} files of one tag each: {seconds:.2f} s, {1e3 * seconds / _FILES:.1f} ms a file"
    )


if __name__ == "__main__":
    main()
