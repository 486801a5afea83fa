"""A small invented plant for tests of whole runs: three days of one filter, as Parquet.

Kept as small as a plant can be whose silent row is found: four rows, pressures every 5 s. Nights of
which no verdict matters have a sparse one: with a sample and a pulse every 5 min, a day takes half.
"""

from __future__ import annotations

import shutil
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from rowcall_plant import (
    BaghousePlan,
    CleaningPlan,
    FabricPlan,
    GasPlan,
    RowSilent,
    export_day,
    simulate_days,
    site_text,
    tag_list,
)
from rowcall_plant.tags import TagSpec

DAYS = (date(2026, 3, 28), date(2026, 3, 29), date(2026, 3, 30))  # the second has 23 hours
ZONE = "Europe/Vienna"
PRESSURES = {"dp", "header_pressure", "supply_pressure"}
STEP_S, SLOW_S, SPARSE_S = 5, 60, 300  # between samples of pressures, other tags, sparse ones
MORNING = datetime(2026, 3, 31, 4, 0, tzinfo=UTC)  # after the last day


def make_small_plant(folder: Path) -> Path:
    """Write `site.toml` and an inbox of one Parquet export a day into `folder`; row 2 is silent."""
    return _make(folder, 30.0, lambda tag: STEP_S if tag.role in PRESSURES else SLOW_S)


def make_sparse_plant(folder: Path) -> Path:
    """Write the same plant with too few samples and pulses to find anything."""
    return _make(folder, float(SPARSE_S), lambda tag: SPARSE_S)


def _make(folder: Path, interval_s: float, every_s: Callable[[TagSpec], int]) -> Path:
    plan = BaghousePlan(
        id="F1",
        name="Test filter",
        time_zone=ZONE,
        rows_per_compartment=(4,),
        fabric=FabricPlan(area_m2=60.0),
        gas=GasPlan(design_flow_m3_s=1.2),
        cleaning=CleaningPlan(mode="on_time", interval_s=interval_s, firing_order=(1, 3, 2, 4)),
    )
    start = datetime.combine(DAYS[0], time()) - timedelta(hours=1)
    silent = RowSilent(start=start.replace(tzinfo=UTC), compartment=1, row=2)
    tags = [replace(t, every_s=every_s(t)) for t in tag_list(plan, 100, rows_by="solenoid")]
    inbox = folder / "inbox"
    inbox.mkdir(parents=True)
    for day in simulate_days(
        plan, [silent], start=start.replace(tzinfo=UTC), days=len(DAYS), seed=3
    ):
        export_day(plan, day, tags, inbox, "long_parquet")
    text = site_text("Test plant", [(plan, tags)])
    (folder / "site.toml").write_text(text, encoding="utf-8")
    return folder


def copy_plant(made: Path, folder: Path, *, days: int = len(DAYS)) -> Path:
    """Copy a small plant with the exports of its first `days` days only."""
    (folder / "inbox").mkdir(parents=True)
    shutil.copy(made / "site.toml", folder / "site.toml")
    for export in sorted((made / "inbox").iterdir())[:days]:
        shutil.copy(export, folder / "inbox" / export.name)
    return folder
