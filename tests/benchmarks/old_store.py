"""A night of a small plant whose store holds ten years, against a store of two days.

    python tests/benchmarks/old_store.py [--days 3650] [--young 0] [--runs 5] [--profile]

CPU seconds (user and system) of the process of one ordinary night: one export is new, its day is
judged and reported. Before it lie two days, or these and ten years that repeat the first: results,
judgements, ledger, exports in the inbox, report folders, a line a week in the work log; every 300
days another row is found faulty for 60 days. Samples of the ten years count as archived; their
files are left out, as such a night reads none of them. Goal: at most 1.2 times. With `--young 100`
the other store has 100 days too, so that rules look back as far in both.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
from datetime import date, timedelta
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))  # the helpers of the tests

from helpers.nights.small_plant import DAYS, copy_plant, make_small_plant

from rowcall.store import Store
from rowcall.store.nights.basis import renew_basis

STORE, BEFORE, N_JUDGED = "rowcall.duckdb", "before.duckdb", 2
NIGHT = ["-m", "rowcall", "nightly", "--settle", "0", "--quiet"]
PROFILED = ["-m", "cProfile", "-s", "cumulative", *NIGHT]

_DAY, _FILE, _AGO = "day - n::INTEGER", "$days - n + 1", "- n * INTERVAL 1 DAY"
_IS_FAULTY = "verdict <> 'found' OR n % 300 < 60"
# By table, the columns that differ `n` days before the first one.
TABLES = {
    "facts": {"day": _DAY, "value": "value * (1 + 0.01 * sin(n * 12.9898) * cos(n * 78.233))"},
    "pulses": {"day": _DAY, "time": f"time {_AGO}"},
    "cycles": {"day": _DAY, "start": f"start {_AGO}", "end": f'"end" {_AGO}'},
    "findings": {
        "day": _DAY,
        "row": 'IF("row" > 0, 1 + ("row" + n // 300) % 4, 0)',
        "verdict": f"IF({_IS_FAULTY}, verdict, 'clear')",
        "urgency": f"IF({_IS_FAULTY}, urgency, NULL)",
    },
    "tag_days": {"day": _DAY},
    "meanings": {"day": _DAY},
    "judged": {"day": _DAY, "file_id": _FILE},
    "basis": {"day": _DAY, "own": "md5(n::VARCHAR)"},
    "files": {"file_id": _FILE, "name": "name || n", "sha256": "sha256 || n"},
    "file_days": {"day": _DAY, "file_id": _FILE},
    "file_tags": {
        "file_id": _FILE,
        "first_time": f"first_time {_AGO}",
        "last_time": f"last_time {_AGO}",
    },
}


def make_plant(plant: Path, made: Path, days: int) -> None:
    """Judge the first days of a small plant, and put so many before them."""
    copy_plant(made, plant, days=N_JUDGED)
    run_night(plant, NIGHT)
    with Store.open(plant / STORE) as store:
        for table, other in TABLES.items() if days else ():
            _repeat(store, table, other, days)
        earlier = [DAYS[0] - timedelta(days=n) for n in range(days, 0, -1)]
        with store.transaction():
            for day in earlier:
                _leave(plant, store, day)
            for day in [*earlier, *DAYS[:N_JUDGED]]:
                renew_basis(store, day, "", 90)
        _log_work(plant, earlier)
    shutil.copy(sorted((made / "inbox").iterdir())[N_JUDGED], plant / "inbox")
    shutil.copyfile(plant / STORE, plant / BEFORE)


def _repeat(store: Store, table: str, other: dict[str, str], days: int) -> None:
    """Put the first day before itself, the oldest first, as nights would have."""
    run = store.connection.execute
    run(f"CREATE TEMP TABLE young AS SELECT * FROM {table}")
    run(f"DELETE FROM {table}")
    columns = [str(name) for name, *_ in run(f"DESCRIBE {table}").fetchall()]
    known = {name: f'"{name}"' for name in columns} | other
    earlier = ", ".join(f'{known[name]} AS "{name}"' for name in columns)
    first = f"day = '{DAYS[0]}'" if "day" in columns else "file_id = 1"
    run(
        f"INSERT INTO {table} SELECT {earlier} FROM young, range(1, $days + 1) AS t(n) "
        f"WHERE {first} ORDER BY n DESC",
        {"days": days},
    )
    later = f"REPLACE (file_id + {days} AS file_id)" if "file_id" in columns else ""
    run(f"INSERT INTO {table} SELECT * {later} FROM young")
    run("DROP TABLE young")


def _leave(plant: Path, store: Store, day: date) -> None:
    """Leave a day's export, known to the ledger and archived, and the files of its report."""
    export = plant / "inbox" / f"F1_{day}.parquet"
    export.write_bytes(b"x")
    run, at = store.connection.execute, export.stat()
    run(
        "INSERT INTO seen SELECT ?, ?, ?, min(sha256) FROM files",
        [export.name, at.st_size, at.st_mtime_ns],
    )
    if day < DAYS[0] - timedelta(days=100):
        us = "epoch_us($day::DATE)"
        run(
            f"INSERT INTO archived VALUES ($day, {us}, {us} + 86_400_000_000, 1, '', '')",
            {"day": day},
        )
    first, folder = plant / "reports" / str(DAYS[0]), plant / "reports" / str(day)
    folder.mkdir()
    for file in first.iterdir():
        (folder / file.name.replace(str(DAYS[0]), str(day))).touch()


def _log_work(plant: Path, days: list[date]) -> None:
    """Write a line a week into the work log, none so new that days are judged again for it."""
    lines = [f"{day},F1,1,{1 + n % 4},diaphragms renewed" for n, day in enumerate(days[:-200:7])]
    text = "\n".join(["time,baghouse,compartment,row,work", *lines, ""])
    (plant / "worklog.csv").write_text(text, "utf-8")
    site = plant / "site.toml"
    folders = '[folders]\nwork_log = "worklog.csv"'
    site.write_text(site.read_text("utf-8").replace("[folders]", folders), "utf-8")


def night_s(plant: Path) -> float:
    """Return the CPU seconds of the night on which the last export is new."""
    shutil.copyfile(plant / BEFORE, plant / STORE)
    shutil.rmtree(plant / "reports" / str(DAYS[-1]), ignore_errors=True)
    before = os.times()
    run_night(plant, NIGHT)
    after = os.times()
    assert (plant / "reports" / str(DAYS[-1])).is_dir()
    return (
        after.children_user + after.children_system - before.children_user - before.children_system
    )


def run_night(plant: Path, command: list[str]) -> str:
    """Run a night in a process of its own and return what it printed."""
    done = subprocess.run(
        [sys.executable, *command], cwd=plant, check=False, capture_output=True, text=True
    )
    if done.returncode != 3:  # the days lie in the past, which the run remarks upon
        sys.exit(f"The night ended with {done.returncode}:\n{done.stdout}{done.stderr}")
    return done.stdout


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("--days", type=int, default=3650)
    parser.add_argument("--young", type=int, default=0, help="days before the other store's two")
    parser.add_argument("--runs", type=int, default=5)
    parser.add_argument("--profile", action="store_true", help="where the time of the night goes")
    given = parser.parse_args()
    with tempfile.TemporaryDirectory() as name:
        made = make_small_plant(Path(name) / "made")
        old, young = Path(name) / "old", Path(name) / "young"
        make_plant(old, made, given.days)
        if given.profile:
            print(run_night(old, PROFILED))
            return
        make_plant(young, made, given.young)
        print(f"{given.days + N_JUDGED} days, {(old / STORE).stat().st_size / 1e6:.0f} MB")
        pairs = [(night_s(old), night_s(young)) for _ in range(given.runs + 1)][1:]
    for what, seconds in zip(("old", "young"), zip(*pairs, strict=True), strict=True):
        print(f"  {what}: {statistics.median(seconds):.2f} CPU-s, least {min(seconds):.2f}")
    ratio = statistics.median(a / b for a, b in pairs)
    print(f"  ratio {ratio:.2f}, of the least ones {_of_least(pairs):.2f} (goal: 1.2)")


def _of_least(pairs: list[tuple[float, float]]) -> float:
    return min(a for a, _ in pairs) / min(b for _, b in pairs)


if __name__ == "__main__":
    main()
