"""What a night costs on which nothing is new, and the cases of a year, in CPU seconds.

    rowcall demo && python tests/benchmarks/idle_night.py rowcall-demo [--runs 20]

Seconds of processor (user and system) of whole processes, by what each one adds to the one before;
then of one process that reads a year of answers (the demo's, twelve months over) and makes cases.
"""

from __future__ import annotations

import argparse
import os
import shutil
import statistics
import subprocess
import sys
import tempfile
import time
from datetime import date, timedelta
from pathlib import Path

import polars as pl

from rowcall.diagnosis.rule_book import load_rules
from rowcall.model import HISTORY_COLUMNS, WorkLog
from rowcall.runs.judge import cases_of, followed_rules
from rowcall.site_file import read_site
from rowcall.start import start_quickly
from rowcall.store import Store
from rowcall.store.nights.judgements import judged_days
from rowcall.store.nights.past_answers import PastAnswers

_OPEN = "import duckdb; duckdb.connect('rowcall.duckdb').execute('SELECT 1').fetchall()"
_READ = """
from rowcall.start import start_quickly
start_quickly()
from pathlib import Path
from rowcall.site_file import read_site
read_site(Path("site.toml"), is_to_judge=True)
"""
_IN_FULL = """
from pathlib import Path
from rowcall.cli import main
Path(".site.toml.idle").unlink(missing_ok=True)
main(["nightly", "--quiet"])
"""
PROCESSES = {
    "Python": ["-c", "pass"],
    "Python, DuckDB that opens the store": ["-c", _OPEN],
    "Python, the site file": ["-c", _READ],
    "night in full, nothing new": ["-c", _IN_FULL],
    "night after such a one, nothing changed": ["-m", "rowcall", "nightly", "--quiet"],
}
MONTHS = 12


def cpu_s(command: list[str], cwd: Path) -> float:
    """Run a command and return the CPU seconds of its process."""
    before = os.times()
    subprocess.run([sys.executable, *command], cwd=cwd, check=False, capture_output=True)
    after = os.times()
    used = after.children_user + after.children_system
    return used - before.children_user - before.children_system


def fill_year(store: Store) -> None:
    """Repeat the month of findings before its first day, a month at a time."""
    names = [str(name) for name, *_ in store.connection.execute("DESCRIBE findings").fetchall()]
    rest = ", ".join(f'"{name}"' for name in names if name != "day")
    store.connection.execute("CREATE TEMP TABLE month AS SELECT * FROM findings")
    for back in range(1, MONTHS):
        store.connection.execute(
            f"INSERT INTO findings BY NAME SELECT day - {30 * back} AS day, {rest} FROM month"
        )


def cases_s(folder: Path, newest: date) -> float:
    """Return the CPU seconds of reading all answers up to a day and making its cases."""
    site, rules = read_site(folder / "site.toml"), load_rules()
    facts = {house.id: pl.DataFrame(schema=HISTORY_COLUMNS) for house in site.baghouse}
    with Store.open(folder / "rowcall.duckdb", read_only=True) as store:
        begin = time.process_time()
        past = PastAnswers(store, newest + timedelta(days=1), followed_rules())
        cases_of(site, newest, rules, past, (), facts, WorkLog())
        return time.process_time() - begin


def main() -> None:
    """Measure and print."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    parser.add_argument("folder", type=Path, help="of a finished demo; it stays as it is")
    parser.add_argument("--runs", type=int, default=20)
    options = parser.parse_args()
    start_quickly()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(shutil.copytree(options.folder, Path(name) / "demo"))
        used: dict[str, list[float]] = {what: [] for what in PROCESSES}
        for run in range(options.runs + 1):  # in turn; the first one warms up
            for what, command in PROCESSES.items():
                seconds = cpu_s(command, folder)
                used[what] += [seconds] * (run > 0)
        with Store.open(folder / "rowcall.duckdb") as store:
            newest = max(judged_days(store))
            fill_year(store)
        used["cases of a year"] = [cases_s(folder, newest) for _ in range(options.runs)]
    for what, seconds_of in used.items():
        print(f"{what}: least {min(seconds_of):.3f}, median {statistics.median(seconds_of):.3f} s")


if __name__ == "__main__":
    main()
