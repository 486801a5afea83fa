"""The demo: an invented plant's exports with seeded faults, and the nightly run over them."""

from __future__ import annotations

from datetime import timedelta
from itertools import count
from pathlib import Path

from rowcall.days import day_bounds
from rowcall.errors import RowcallError
from rowcall.progress import Step
from rowcall.runs.nightly import run_nightly
from rowcall.runs.result import Progress, RunResult
from rowcall.site_file import read_site
from rowcall_plant.demo.demo_exports import EXPORTS_A_DAY, LAST_DAY, write_demo


def run_demo(
    folder: Path, *, days: int, seed: int, progress: Progress, workers: int | str | None = 1
) -> RunResult:
    """Write the demo plant into `folder` and run the nightly job on it, as on the next morning.

    Raises:
        RowcallError: the folder holds something already, or `days` is less than 1.
    """
    if folder.exists() and any(folder.iterdir()):
        raise RowcallError(f"{folder} is not empty; name another folder with --folder.")
    if days < 1:
        raise RowcallError(f"--days {days}: give at least one day.")
    progress(f"Making {days} days of an invented plant in {folder}.")
    written = count(1)

    def step(text: str) -> None:
        progress(Step(text, next(written), days * EXPORTS_A_DAY))

    plant = write_demo(folder, days=days, seed=seed, progress=step)
    site = read_site(plant.site_file)
    _, end = day_bounds(LAST_DAY, site.plant.zone)
    result = run_nightly(
        site,
        now=end + timedelta(hours=6),
        wait_s=0.0,
        settle_s=0.0,
        progress=progress,
        workers=workers,
    )
    progress(f"What was seeded is in {plant.truth_file}.")
    return result
