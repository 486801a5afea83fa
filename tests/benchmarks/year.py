"""Judging a year of one baghouse from the store, without pictures, against a bare read of it.

    python tests/benchmarks/year.py [--days 20] [--workers 2] [--profile]    # 365 days: 20 min

Twenty tags at 1 s, 1.7 million samples a day. Floor: a bare process in which DuckDB alone reads the
same days one after the other. The tool: the days of `rowcall rerun` in a process of its own,
without pictures. Both by CPU seconds a day, as other programs share the cores; the first day, in
which packages are loaded, does not count. Days cost more until ninety lie before them. With
`--workers`, the same by so many, on the clock. Goals: at most 1.5 times the floor; two workers at
least 1.8 times as fast as one process; at most 1.5 GiB of memory.
"""

from __future__ import annotations

import argparse
import cProfile
import json
import pstats
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections import defaultdict
from collections.abc import Callable
from datetime import UTC, date, datetime, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

import duckdb
from helpers.benchmark_day import DAY, benchmark_day

from rowcall.days import day_bounds, days_from
from rowcall.runs import judge, rerun
from rowcall.runs.parallel import ahead
from rowcall.site_file import read_site
from rowcall.start import start_quickly
from rowcall.store import Store
from rowcall.store.samples import naive_utc
from rowcall.take_in import take_in

_NOW = datetime(2030, 1, 1, tzinfo=UTC)
_SLICE = "SELECT tag_id, time, value, quality FROM samples WHERE time >= '{}' AND time < '{}'"
# What is timed, by where the run looks its functions up.
STAGES: dict[str, tuple[Any, str]] = {
    "study": (ahead, "study_alone"),
    "rows over days": (ahead, "with_past"),
    "rules": (judge, "diagnose"),
    "cases": (judge, "cases_of"),
    "pages": (rerun, "write_pictured"),
}
Run = dict[str, list[float]]  # CPU-s by stage and day; also the day's time on the clock, and memory


def make_store(plant: Path, days: int) -> Path:
    """Fill a store with the benchmark's day and those before it, shifted; return the site file."""
    made = benchmark_day(plant)
    site = read_site(made.site_file)
    with Store.open(site.store) as store:
        take_in(store, site, [made.export_file], now=_NOW, progress=lambda text: None, settle_s=0.0)
        run = store.connection.execute
        run("CREATE TEMP TABLE day AS SELECT * FROM samples ORDER BY tag_id, time")
        run("DELETE FROM samples")
        for back in range(days - 1, -1, -1):
            shifted = f"tag_id, time - INTERVAL {back} DAY, value, quality"
            run(f"INSERT INTO samples SELECT {shifted} FROM day")
    return made.site_file


def bare(site_file: Path, days: list[date]) -> Run:
    """Read the days with DuckDB and nothing else."""
    site, out = read_site(site_file), defaultdict[str, list[float]](list)
    with duckdb.connect(str(site.store), read_only=True) as store:
        for day in days:
            begin = time.process_time(), time.perf_counter()
            span = (naive_utc(at) for at in day_bounds(day, site.plant.zone))
            store.execute(_SLICE.format(*span)).fetchnumpy()
            out["day"].append(time.process_time() - begin[0])
            out["clock"].append(time.perf_counter() - begin[1])
    return out


def judged(site_file: Path, days: list[date], workers: int, *, profile: bool) -> Run:
    """Judge the days again, timing the stages of each."""
    start_quickly()
    out = defaultdict[str, list[float]](list)
    without = ahead.Drawing
    ahead.Ahead.draw = lambda self, report, guard: without({}, guard)  # type: ignore[method-assign]
    if workers == 1:  # what is timed can be handed to no other process
        _time_stages(out)
    marks = []
    profiler = cProfile.Profile(time.process_time)

    def progress(text: str) -> None:
        if text.startswith("Judging"):
            marks.append((time.process_time(), time.perf_counter()))
        if profile and len(marks) == 2:  # the first day loads packages
            profiler.enable()
        if len(marks) == len(days):  # the report of the range is no part of a day
            profiler.disable()

    begin = time.perf_counter()
    with tempfile.TemporaryDirectory() as folder:
        result = rerun.run_rerun(
            read_site(site_file),
            first=days[0],
            last=days[-1],
            folder=Path(folder),
            settings={},
            now=_NOW,
            wait_s=0.0,
            progress=progress,
            workers=workers,
        )
    assert not result.failed, result.failed
    out["all"].append(time.perf_counter() - begin)
    for mark, after in pairwise(marks):
        out["day"].append(after[0] - mark[0])
        out["clock"].append(after[1] - mark[1])
    if profile:
        stats = pstats.Stats(profiler, stream=sys.stderr)
        stats.sort_stats("cumulative").print_stats("rowcall/", 80)
        stats.sort_stats("tottime").print_stats(40)
    return out


def _time_stages(out: Run) -> None:
    """Let the run's functions enter their CPU-s; the samples are read by what `reader` returns."""
    for stage, (module, name) in STAGES.items():
        setattr(module, name, _timed(out[stage], getattr(module, name)))
    studying: Any = ahead
    reader = studying.reader
    studying.reader = lambda store, house: _timed(out["read"], reader(store, house))


def _timed(into: list[float], do: Callable[..., Any]) -> Callable[..., Any]:
    def timed(*given: Any, **named: Any) -> Any:
        begin = time.process_time()
        try:
            return do(*given, **named)
        finally:
            into.append(time.process_time() - begin)

    return timed


def measured(
    what: str, site_file: Path, days: int, workers: int = 1, *, profile: bool = False
) -> Run:
    """Run a half of the benchmark in a process of its own."""
    command = [sys.executable, __file__, "--run", what, str(site_file), "--days", str(days)]
    command += ["--workers", str(workers)]
    done = subprocess.run(
        command + ["--profile"] * profile, check=True, stdout=subprocess.PIPE, text=True
    )
    run: Run = json.loads(done.stdout)
    return run


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--days", type=int, default=365)
    parser.add_argument("--runs", type=int, default=2, help="of either side, in turn")
    parser.add_argument("--workers", type=int, default=1, help="also judged by so many")
    parser.add_argument("--profile", action="store_true", help="where the time of a day goes")
    parser.add_argument("--run", nargs=2, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.run:
        days = days_from(DAY - timedelta(days=given.days - 1), DAY)
        what, site_file = given.run[0], Path(given.run[1])
        run = (
            bare(site_file, days)
            if what == "bare"
            else judged(site_file, days, given.workers, profile=given.profile)
        )
        run["MiB"] = [resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024]
        print(json.dumps(run))
        return
    with tempfile.TemporaryDirectory() as name:
        site_file = make_store(Path(name), given.days)
        if given.profile:
            measured("judged", site_file, given.days, profile=True)
            return
        pairs = [
            (measured("bare", site_file, given.days), measured("judged", site_file, given.days))
            for _ in range(given.runs)
        ]
        by_workers = [
            measured("judged", site_file, given.days, given.workers)
            for _ in range(given.runs if given.workers > 1 else 0)
        ]
    print(f"{given.days} days, medians a day of {given.runs} runs in turn")
    floor, clock = _median(pairs, 0, "day"), _median(pairs, 0, "clock")
    print(f"  bare read: {floor:.3f} CPU-s, {clock:.3f} s on the clock")
    for stage in ("read", *STAGES):
        print(f"  {stage}: {_median(pairs, 1, stage):.3f} CPU-s")
    day = _median(pairs, 1, "day")
    print(f"  a judged day: {day:.3f} CPU-s, {_median(pairs, 1, 'clock'):.3f} s on the clock")
    print(f"  {day / floor:.1f} times the bare read (goal: 1.5)")
    print(f"  memory at most {max(tool['MiB'][0] for _, tool in pairs):.0f} MiB (goal: 1536)")
    whole = statistics.median(tool["all"][0] for _, tool in pairs)
    print(f"  all of it: {whole:.0f} s")
    if by_workers:
        shared = statistics.median(one["all"][0] for one in by_workers)
        times = f"{shared:.0f} s, {whole / shared:.2f} times as fast (goal of two: 1.8)"
        print(f"  by {given.workers} workers: {times}")
        most = max(one["MiB"][0] for one in by_workers)
        print(f"  memory of the process that judges: {most:.0f} MiB")


def _median(pairs: list[tuple[Run, Run]], side: int, what: str) -> float:
    """Return the median over runs and days, the first day apart."""
    return statistics.median(value for pair in pairs for value in pair[side][what][1:])


if __name__ == "__main__":
    main()
