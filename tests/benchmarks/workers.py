"""A rerun of the demo's days by one process and by workers, as ratios within one run.

    python tests/benchmarks/workers.py [--days 8] [--workers 2] [--runs 3] [--without-pictures]
    python tests/benchmarks/workers.py --dask        # a cluster on loopback against local workers
    python tests/benchmarks/workers.py --small 2000  # tasks that do nothing, through the scheduler

Goals: two workers at least 1.8 times as fast as one process; at most 1.5 GiB of memory a worker; a
cluster of as many workers at most 1.1 times the time of local ones.
Every run must give the same files. Wall time says little on a machine that others use too: CPU time
over that of one process says what the workers cost, and what idle cores would gain.
"""

from __future__ import annotations

import argparse
import json
import logging
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from collections import deque
from collections.abc import Iterator
from concurrent.futures import Future
from contextlib import contextmanager
from datetime import UTC, date, datetime, timedelta
from multiprocessing import active_children, forkserver
from pathlib import Path
from typing import NamedTuple

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.nights.night_runs import tree

from rowcall.runs.parallel import workers as workers_log
from rowcall.runs.parallel.ahead import Ahead, Drawing
from rowcall.runs.rerun import run_rerun
from rowcall.site_file import read_site
from rowcall.store import Store
from rowcall.take_in import find_exports, taking_in
from rowcall_plant.demo.demo_exports import LAST_DAY, write_demo

NOW = datetime(2030, 1, 1, tzinfo=UTC)
# As the command begins: several threads of linear algebra give other last digits.
_BEGIN = """
import runpy, sys
from rowcall.start import start_quickly
start_quickly()
sys.argv = sys.argv[1:]
runpy.run_path(sys.argv[0], run_name="__main__")
"""


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


class _Stop(logging.Handler):
    """Ends the process at a warning: a run that goes on without workers measures nothing."""

    def emit(self, record: logging.LogRecord) -> None:
        sys.exit(record.getMessage())


def rerun(site: Path, first: date, folder: Path, workers: int | str, *, pictures: bool) -> None:
    """Judge the days again in this process, and print what it took."""
    if not pictures:
        Ahead.draw = lambda self, report, guard: Drawing({}, guard)  # type: ignore[method-assign]
    logging.getLogger(workers_log.__name__).addHandler(_Stop())
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
    # Workers are children of a process that forks them: they count once that has been waited for.
    forkserver._forkserver._stop()  # type: ignore[attr-defined]
    own, of_workers = map(resource.getrusage, (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    cpu = sum(one.ru_utime + one.ru_stime for one in (own, of_workers))
    print(json.dumps(Run(wall, cpu, own.ru_maxrss / 1024, of_workers.ru_maxrss / 1024)))


def measured(site: Path, first: date, folder: Path, workers: int | str, *, pictures: bool) -> Run:
    """Judge the days again in a process of its own."""
    given = [str(site), first.isoformat(), str(folder), str(workers), str(int(pictures))]
    done = subprocess.run(
        [sys.executable, "-c", _BEGIN, __file__, "--run", *given],
        check=True,
        stdout=subprocess.PIPE,
        text=True,
    )
    return Run(*json.loads(done.stdout))


@contextmanager
def cluster(workers: int) -> Iterator[str]:
    """Run a scheduler and workers on loopback; yield its address."""
    from dask import config  # the other benchmark does without
    from distributed import LocalCluster

    settings = {"host": "127.0.0.1", "dashboard_address": "127.0.0.1:0", "memory_limit": 0}
    with (
        config.set({"distributed.nanny.pre-spawn-environ.POLARS_MAX_THREADS": 1}),
        LocalCluster(n_workers=workers, threads_per_worker=1, **settings) as made,
    ):
        yield str(made.scheduler_address)


def against_dask(site: Path, first: date, base: Path, workers: int, runs: int) -> None:
    """Print the time by a cluster over that by local workers."""
    ratios = []
    with cluster(workers) as address:
        for n in range(runs + 1):  # the first one loads the cluster's workers and does not count
            folders = [base / f"{n}-{name}" for name in ("local", "dask")]
            local = measured(site, first, folders[0], workers, pictures=True)
            fleet = measured(site, first, folders[1], address, pictures=True)
            assert tree(folders[0]) == tree(folders[1]), "the files differ"
            times = f"local {local.wall_s:.1f} s, Dask {fleet.wall_s:.1f} s"
            print(f"  {times}; the process that judges: {fleet.cpu_s:.1f} CPU-s", flush=True)
            ratios.append(fleet.wall_s / local.wall_s)
    print(f"  Dask {statistics.median(ratios[1:]):.2f} times local (goal: 1.1)")


def small_tasks(workers: int, count: int) -> None:
    """Print what tasks cost of which each does nothing; the scheduler lives in this process."""
    from distributed import Client

    from rowcall.runs.parallel.fleet import Fleet

    with cluster(workers) as address, Fleet(address) as fleet, Client(address) as client:
        used = time.process_time(), sum(client.run(time.process_time).values())
        begin, waiting = time.perf_counter(), deque[Future[int]]()
        for n in range(count):
            waiting.append(fleet.submit(abs, n))
            if len(waiting) > 3 * workers:
                waiting.popleft().result()
        for task in waiting:
            task.result()
        took = time.perf_counter() - begin
        own = time.process_time() - used[0]
        theirs = sum(client.run(time.process_time).values()) - used[1]
    print(f"{count} tasks: {1000 * took / count:.1f} ms each on the clock")
    print(f"  scheduler and the process that hands over: {1000 * own / count:.1f} CPU-ms a task")
    print(f"  worker: {1000 * theirs / count:.1f} CPU-ms a task")


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--days", type=int, default=8)
    parser.add_argument("--workers", type=int, default=2)
    parser.add_argument("--runs", type=int, default=3)
    parser.add_argument("--without-pictures", action="store_true")
    parser.add_argument("--dask", action="store_true")
    parser.add_argument("--small", type=int)
    parser.add_argument("--run", nargs=5, help=argparse.SUPPRESS)
    given = parser.parse_args()
    if given.run:
        site, day, folder, count, pictures = given.run
        first = date.fromisoformat(day)
        by = int(count) if count.isdecimal() else count
        rerun(Path(site), first, Path(folder), by, pictures=bool(int(pictures)))
        return
    if given.small:
        small_tasks(given.workers, given.small)
        return
    first, pictures = LAST_DAY - timedelta(days=given.days - 1), not given.without_pictures
    with tempfile.TemporaryDirectory() as name:
        site = make_store(Path(name) / "plant", given.days)
        if given.dask:
            against_dask(site, first, Path(name), given.workers, given.runs)
            return
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
