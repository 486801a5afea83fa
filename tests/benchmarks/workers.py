"""A rerun of the demo's days by one process and by workers, as ratios within one run.

    python tests/benchmarks/workers.py [--days 8] [--workers 2] [--runs 3] [--without-pictures]

Goals: two workers at least 1.8 times as fast as one process; at most 1.5 GiB of memory a worker.
Every run must give the same files. Wall time says little on a machine that others use too: CPU time
over that of one process says what the workers cost, and what idle cores would gain.
"""

from __future__ import annotations

import argparse
import json
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import UTC, date, datetime, timedelta
from multiprocessing import active_children
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.nights.night_runs import tree

from rowcall.runs.parallel.ahead import Ahead
from rowcall.runs.rerun import run_rerun
from rowcall.site_file import read_site
from rowcall.store import Store
from rowcall.take_in import find_exports, taking_in
from rowcall_plant.demo.demo_exports import LAST_DAY, write_demo

NOW = datetime(2030, 1, 1, tzinfo=UTC)


class Run(NamedTuple):
    """Wall and CPU time [s], memory at most of the process and of any of its workers [MiB]."""

    wall_s: float
    cpu_s: float
    own_mib: float
    worker_mib: float


def make_store(plant: Path, days: int) -> Path:
    """Make the demo's exports and take them in; return the site file."""
    made = write_demo(plant, days=days, seed=7, progress=lambda text: None)
    site = read_site(made.site_file)
    with Store.open(site.store) as store:
        exports = find_exports(site.inbox, site.take_in.files)
        for _ in taking_in(
            store, site, exports, present=lambda: NOW, settle_s=0.0, progress=lambda text: None
        ):
            pass
    return made.site_file


def rerun(site: Path, first: date, folder: Path, workers: int, *, pictures: bool) -> None:
    """Judge the days again in this process, and print what it took."""
    if not pictures:
        Ahead.draw = lambda self, report, guard: []  # type: ignore[method-assign]
    begin = time.perf_counter()
    run_rerun(
        read_site(site),
        first=first,
        last=LAST_DAY,
        folder=folder,
        settings={},
        now=NOW,
        wait_s=0.0,
        progress=lambda text: None,
        workers=workers,
    )
    wall = time.perf_counter() - begin
    for child in active_children():
        child.join()
    own, of_workers = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    cpu = sum(one.ru_utime + one.ru_stime for one in (own, of_workers))
    print(json.dumps(Run(wall, cpu, own.ru_maxrss / 1024, of_workers.ru_maxrss / 1024)))


def measured(site: Path, first: date, folder: Path, workers: int, *, pictures: bool) -> Run:
    """Judge the days again in a process of its own."""
    given = [str(site), first.isoformat(), str(folder), str(workers), str(int(pictures))]
    done = subprocess.run(
        [sys.executable, __file__, "--run", *given], check=True, stdout=subprocess.PIPE, text=True
    )
    return Run(*json.loads(done.stdout))


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--days", type=int, default=8)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--without-pictures", action="store_true")
    parser.add_argument("--run", nargs=5, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.run:
        site, day, folder, count, pictures = given.run
        first = date.fromisoformat(day)
        rerun(Path(site), first, Path(folder), int(count), pictures=bool(int(pictures)))
        return
    first, pictures = LAST_DAY - timedelta(days=given.days - 1), not given.without_pictures
    with tempfile.TemporaryDirectory() as name:
        site = make_store(Path(name) / "plant", given.days)
        pairs = []
        for n in range(given.runs):
            folders = [Path(name) / f"{n}-{count}" for count in (1, given.workers)]
            one, more = (
                measured(site, first, folder, count, pictures=pictures)
                for folder, count in zip(folders, (1, given.workers), strict=True)
            )
            assert tree(folders[0]) == tree(folders[1]), "the files differ"
            pairs.append((one, more))
            for count, run in ((1, one), (given.workers, more)):
                print(f"  {count}: {run.wall_s:.1f} s, {run.cpu_s:.1f} CPU-s", flush=True)
    print(f"{given.days} days of two baghouses, {'with' if pictures else 'without'} pictures")
    wall = statistics.median(one.wall_s / more.wall_s for one, more in pairs)
    cpu = statistics.median(more.cpu_s / one.cpu_s for one, more in pairs)
    print(f"  {given.workers} workers: {wall:.2f} times as fast (goal of two: 1.8)")
    print(f"  CPU time {cpu:.2f} times that of one process")
    own, worker = (max(getattr(more, key) for _, more in pairs) for key in Run._fields[2:])
    print(f"  memory at most: {own:.0f} MiB, of a worker {worker:.0f} MiB (goal: 1536)")


if __name__ == "__main__":
    main()
