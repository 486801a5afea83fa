"""The nightly run of one baghouse-day, as ratios within one run.

    python tests/benchmarks/nightly.py [--runs 5] [--year]

Floor: a bare process in which DuckDB alone reads the same CSV into a table of a file. The tool: the
whole process `python -m rowcall nightly` on that file, report and pictures included. Goals: at most
5 times the floor; at most 1 GiB of memory; with --year, on a store that already holds a year, at
most 1.2 times an empty store.
"""

from __future__ import annotations

import argparse
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.benchmark_day import benchmark_day

from rowcall.store import Store

FLOOR = (
    "import duckdb, sys; duckdb.connect(sys.argv[2]).execute("
    "f\"CREATE TABLE t AS SELECT * FROM read_csv('{sys.argv[1]}')\")"
)
YEAR_DAYS = 365


def timed(command: list[str], cwd: Path, allowed: tuple[int, ...] = (0,)) -> float:
    """Run a command and return its wall time [s]."""
    begin = time.perf_counter()
    done = subprocess.run(command, cwd=cwd, check=False, capture_output=True, text=True)
    seconds = time.perf_counter() - begin
    if done.returncode not in allowed:
        sys.exit(f"{command} ended with {done.returncode}:\n{done.stderr}")
    return seconds


def floor_run(export: Path, folder: Path) -> float:
    """One bare DuckDB load into a new file."""
    target = folder / "floor.duckdb"
    target.unlink(missing_ok=True)
    return timed([sys.executable, "-c", FLOOR, str(export), str(target)], folder)


def nightly_run(plant: Path, store: Path | None) -> float:
    """One nightly run from the given store (None: an empty one)."""
    for path in plant.glob("rowcall.duckdb*"):
        path.unlink()
    shutil.rmtree(plant / "reports", ignore_errors=True)
    if store is not None:
        shutil.copyfile(store, plant / "rowcall.duckdb")
    command = [sys.executable, "-m", "rowcall", "nightly", "--settle", "0"]
    # 3: the benchmark's day lies in the past, which the run remarks upon.
    seconds = timed(command, plant, (0, 3))
    assert len(list((plant / "reports").glob("*/rowcall-*.md"))) == 1
    return seconds


def make_year(plant: Path, year: Path) -> None:
    """Fill a store with a year before the benchmark's day: its samples and facts, day by day."""
    nightly_run(plant, None)
    with Store.open(plant / "rowcall.duckdb") as store:
        run = store.connection.execute
        run("CREATE TABLE day_samples AS SELECT * FROM samples ORDER BY tag_id, time")
        run("CREATE TABLE day_facts AS SELECT * FROM facts")
        for table in ("samples", "facts", "pulses", "cycles", "findings", "judged", "files"):
            run(f"DELETE FROM {table}")
        run("DELETE FROM file_days")
        run("DELETE FROM file_tags")
        for back in range(YEAR_DAYS, 0, -1):
            with store.transaction():
                _earlier_day(store, back)
        run("DROP TABLE day_samples")
        run("DROP TABLE day_facts")
    shutil.copyfile(plant / "rowcall.duckdb", year)


def _earlier_day(store: Store, back: int) -> None:
    """Add the benchmark's day as it might have been `back` days before, facts with 1 % noise."""
    run = store.connection.execute
    run(
        f"INSERT INTO samples SELECT tag_id, time - INTERVAL {back} DAY, value, quality "
        "FROM day_samples"
    )
    run(
        f'INSERT INTO facts SELECT day - {back}, baghouse, compartment, "row", name, '
        f"value * (1 + 0.01 * sin({back} * 12.9898) * cos({back} * 78.233)) FROM day_facts"
    )
    days = f"(SELECT DISTINCT day - {back} AS day FROM day_facts)"
    run(f"INSERT INTO judged SELECT day, {back}, '', now()::TIMESTAMP, 1 FROM {days}")
    run(f"INSERT INTO file_days SELECT {back}, day FROM {days}")


def alternate(runs: int, first: Callable[[], float], second: Callable[[], float]) -> list[float]:
    """Run two things in turn after one warm-up each; print medians, return the pairs' ratios."""
    first(), second()
    pairs = [(first(), second()) for _ in range(runs)]
    for name, values in zip(("A", "B"), zip(*pairs, strict=True), strict=True):
        print(
            f"  {name}: median {statistics.median(values):.3f} s, "
            f"least {min(values):.3f}, most {max(values):.3f}"
        )
    return [a / b for a, b in pairs]


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--year", action="store_true", help="also on a store that holds a year")
    parser.add_argument("--make-year", nargs=2, type=Path, help=argparse.SUPPRESS)
    options = parser.parse_args()
    if options.make_year:
        make_year(*options.make_year)
        return
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plant = folder / "plant"
        day = benchmark_day(plant)
        print(f"{day.n_rows:,} rows, {day.n_pulses:,} pulses, {day.export_file.stat().st_size:,} B")
        print("A: rowcall nightly, empty store; B: bare DuckDB read_csv")
        ratios = alternate(
            options.runs,
            lambda: nightly_run(plant, None),
            lambda: floor_run(day.export_file, folder),
        )
        print(f"  ratio A/B: median {statistics.median(ratios):.2f} (goal: at most 5)")
        print(f"  peak memory of any process so far: {peak_mib():.0f} MiB (goal: at most 1024)")
        if options.year:
            year = folder / "year.duckdb"
            # In a process of its own: a child starts out with its parent's memory on its account.
            timed([sys.executable, __file__, "--make-year", str(plant), str(year)], folder)
            print(f"A: on a year ({year.stat().st_size / 1e6:.0f} MB); B: on an empty store")
            ratios = alternate(
                options.runs, lambda: nightly_run(plant, year), lambda: nightly_run(plant, None)
            )
            print(f"  ratio A/B: median {statistics.median(ratios):.2f} (goal: at most 1.2)")
            print(f"  peak memory of any process so far: {peak_mib():.0f} MiB")


def peak_mib() -> float:
    """Return the largest memory that any finished child process had [MiB]; nan on Windows."""
    if sys.platform == "win32":
        return float("nan")
    import resource

    return resource.getrusage(resource.RUSAGE_CHILDREN).ru_maxrss / 1024


if __name__ == "__main__":
    main()
