"""Time the take-in of one long CSV day, and of a month in Parquet, against DuckDB's bare load.

Run it as `python tests/benchmarks/take_in.py [runs [days]]`; without `days`, only the CSV day is
taken in. Both are whole processes, started in turn; reported are medians of the work alone (after
imports) and of the whole process, and the peak memory where the platform tells it.
"""

from __future__ import annotations

import json
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    import polars as pl

_TAGS, _SECONDS, _BROKEN = 20, 86_400, 500
_DAY = datetime(2026, 3, 2, tzinfo=UTC)


def main() -> None:
    """Make the file, run both in turn, print medians and ratios."""
    modes = {"bare": _bare, "take_in": _take_in, "write": _write_both}
    if sys.argv[1:] and sys.argv[1] in modes:
        modes[sys.argv[1]](Path(sys.argv[2]))
        return
    runs, days = (int(text) for text in [*sys.argv[1:], "5", "0"][:2])
    with tempfile.TemporaryDirectory() as folder:
        export, broken = Path(folder) / "day.csv", Path(folder) / "broken.csv"
        # In a process of its own: a child starts out with its parent's memory on its account.
        subprocess.run([sys.executable, __file__, "write", folder], check=True)
        for path, title in ((export, "a clean day"), (broken, f"with {_BROKEN} bad lines")):
            print(title)
            _compare(path, runs)
        if days:
            month = Path(folder) / "month"
            month.mkdir()
            subprocess.run([sys.executable, __file__, "write", str(month), str(days)], check=True)
            print(f"{days} days in Parquet")
            _compare(month, runs)


def _compare(export: Path, runs: int) -> None:
    times: dict[str, list[tuple[float, float, float]]] = {"bare": [], "take_in": []}
    for _ in range(runs):
        for kind, found in times.items():
            found.append(_run(kind, export))
    for place, what in enumerate(("work alone, s", "whole process, s", "peak memory, MB")):
        bare, ours = (statistics.median(run[place] for run in found) for found in times.values())
        print(f"  {what:18} bare {bare:8.3f}   take-in {ours:8.3f}   ratio {ours / bare:5.2f}")


def _write_both(folder: Path) -> None:
    import polars as pl

    if len(sys.argv) > 3:
        in_utc = pl.col("time").dt.replace_time_zone("UTC")
        for day in range(int(sys.argv[3])):
            _long(day).with_columns(in_utc).write_parquet(folder / f"{day:02d}.parquet")
        return
    _long(0).write_csv(folder / "day.csv", datetime_format="%Y-%m-%dT%H:%M:%SZ")
    _write_broken(folder / "day.csv", folder / "broken.csv")


def _long(day: int) -> pl.DataFrame:
    import numpy as np
    import polars as pl

    rng = np.random.default_rng(1 + day)
    columns = {
        f"BH1.TAG-{number:03d}": (rng.random(_SECONDS) < 0.1).astype(float)
        if number < 6
        else np.round(1000 + np.cumsum(rng.normal(0, 1, _SECONDS)), 3)
        for number in range(_TAGS)
    }
    first = _DAY.replace(tzinfo=None) + timedelta(days=day)
    last = first + timedelta(seconds=_SECONDS - 1)
    stamps = pl.datetime_range(first, last, "1s", eager=True).alias("time")
    wide = pl.DataFrame([stamps, *(pl.Series(name, cells) for name, cells in columns.items())])
    long = wide.unpivot(index="time", variable_name="tag").sort("time", maintain_order=True)
    return long.select("tag", "time", "value", pl.lit("Good").alias("quality"))


def _write_broken(export: Path, broken: Path) -> None:
    lines = export.read_text(encoding="utf-8").split("\n")
    kinds = ("{0},more", "TAG", "TAG,when,1.5,Good", "TAG,2026-03-02T00:00:00Z,one,Good")
    step = len(lines) // (_BROKEN + 1)
    for number in range(_BROKEN):
        place = step * (number + 1)
        lines[place] = kinds[number % len(kinds)].format(lines[place])
    broken.write_text("\n".join(lines), encoding="utf-8", newline="\n")


def _run(kind: str, export: Path) -> tuple[float, float, float]:
    begin = time.perf_counter()
    done = subprocess.run(
        [sys.executable, __file__, kind, str(export)], check=True, capture_output=True, text=True
    )
    whole = time.perf_counter() - begin
    work, memory = json.loads(done.stdout.splitlines()[-1])
    return work, whole, memory


def _bare(export: Path) -> None:
    import duckdb

    store = _fresh(export, "bare.duckdb")
    begin = time.perf_counter()
    connection = duckdb.connect(str(store))
    source, given = "read_parquet(?)", str(export / "*.parquet")
    if export.is_file():
        source, given = (
            "read_csv(?, header = true, delim = ',', columns = "
            "{tag: 'VARCHAR', time: 'TIMESTAMP', value: 'DOUBLE', quality: 'VARCHAR'}, "
            "store_rejects = true)",
            str(export),
        )
    connection.execute(f"CREATE TABLE samples AS SELECT * FROM {source}", [given])
    connection.close()
    _report(begin)


def _take_in(export: Path) -> None:
    from rowcall.start import start_quickly

    start_quickly()  # as the command does
    from rowcall.site import Baghouse, Cleaning, Plant, Site
    from rowcall.store import Store
    from rowcall.take_in import Outcome, take_in

    house = Baghouse(
        id="BH1",
        name="Kiln filter",
        compartments=1,
        rows_per_compartment=(1,),
        cleaning=Cleaning(mode="on_time"),
    )
    site = Site(plant=Plant(name="Benchmark", time_zone="Europe/Vienna"), baghouse=(house,))
    path = _fresh(export, "ours.duckdb")
    begin = time.perf_counter()
    exports = [export] if export.is_file() else sorted(export.glob("*.parquet"))
    with Store.open(path) as store:
        results = take_in(
            store, site, exports, now=datetime.now(UTC), progress=lambda text: None, settle_s=0.0
        )
    _report(begin)
    for result in results:
        if result.outcome is not Outcome.STORED or result.note is None:
            raise SystemExit(result.message)
        if result.note.stored + result.note.set_aside != _TAGS * _SECONDS:
            raise SystemExit(f"{result.note.rows_read} rows were read")


def _fresh(export: Path, name: str) -> Path:
    path = export.parent / name
    for old in (path, Path(f"{path}.wal")):
        old.unlink(missing_ok=True)
    return path


def _report(begin: float) -> None:
    work = time.perf_counter() - begin
    try:
        import resource
    except ImportError:  # Windows does not tell
        memory = float("nan")
    else:
        memory = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    print(json.dumps([work, memory]))


if __name__ == "__main__":
    main()
