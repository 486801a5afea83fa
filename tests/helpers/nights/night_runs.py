"""Nightly runs of a small plant, and what they leave."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path

import duckdb
from helpers.nights.small_plant import MORNING

from rowcall.runs.nightly import run_nightly
from rowcall.runs.result import RunResult
from rowcall.site_file import read_site

READERS = ("maintenance@plant.example", "planner@plant.example")


def night(
    plant: Path, *, now: datetime = MORNING, wait_s: float = 0.0, workers: int | str = 1
) -> RunResult:
    """Run the nightly check-up of a plant's folder as on the morning `now`."""
    return run_nightly(
        read_site(plant / "site.toml"),
        now=now,
        wait_s=wait_s,
        settle_s=0.0,
        progress=lambda text: None,
        workers=workers,
    )


def tree(folder: Path) -> dict[str, bytes]:
    """Return the bytes of every file below a folder, by its path within."""
    return {
        str(path.relative_to(folder)): path.read_bytes()
        for path in sorted(folder.rglob("*"))
        if path.is_file()
    }


def names(result: RunResult) -> list[str]:
    """Return the names of the report folders that a run wrote."""
    return [report.name for report in result.reports]


def with_mail(plant: Path, port: int, security: str = "starttls", more: str = "") -> Path:
    """Add a mail table to a plant's site file."""
    site = plant / "site.toml"
    table = (
        f'[mail]\nto = ["{READERS[0]}", "{READERS[1]}"]\nfrom = "rowcall@plant.example"\n'
        f'host = "localhost"\nport = {port}\nsecurity = "{security}"\n{more}\n'
    )
    site.write_text(table + site.read_text(encoding="utf-8"), encoding="utf-8")
    return plant


def health(plant: Path) -> dict[str, tuple[float | None, int, int]]:
    """Return step in s, points and bad points of each tag from the table `tag_days`."""
    with duckdb.connect(str(plant / "rowcall.duckdb"), read_only=True) as store:
        rows = store.execute("SELECT tag, step_s, n_points, n_bad FROM tag_days").fetchall()
    assert len({tag for tag, *_ in rows}) == len(rows)
    return {tag: (step_s, points, bad) for tag, step_s, points, bad in rows}
