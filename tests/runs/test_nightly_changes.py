"""Days whose data changed are judged again, and the new report says what changed."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import polars as pl
from helpers.nights.night_runs import names, night, tree
from helpers.nights.small_plant import copy_plant

FIRST = "2026-03-28"


def plant_with(made: Path, folder: Path, days: int) -> tuple[Path, pl.DataFrame]:
    """Return a plant with the exports of some days, and the samples of the first one."""
    plant = copy_plant(made, folder / "plant", days=days)
    frame = pl.read_parquet(min((plant / "inbox").iterdir()))
    return plant, frame.with_columns(pl.col("tag").cast(pl.String))


def head(plant: Path, day: str = FIRST) -> str:
    text = (plant / "reports" / day / f"rowcall-{day}.md").read_text(encoding="utf-8")
    return " ".join(text.split("## What was checked")[0].split())


def test_a_late_partial_file_and_a_corrected_value(made: Path, tmp_path: Path) -> None:
    plant, frame = plant_with(made, tmp_path, 2)
    noon = frame["time"].min() + timedelta(hours=12)  # type: ignore[operator]
    export = min((plant / "inbox").iterdir())
    frame.filter(pl.col("time") < noon).write_parquet(export)
    assert names(night(plant)) == [FIRST, "2026-03-29"]
    assert "Revision" not in head(plant)

    late = frame.filter(pl.col("time") >= noon)
    late.write_parquet(plant / "inbox" / "late_[1].parquet")
    assert names(night(plant)) == [FIRST, "2026-03-29"]  # the second day looks back to it
    assert "Revision 2:** what the days before it show" in head(plant, "2026-03-29")
    assert "Revision 2" in head(plant)
    assert f"late\\_\\[1\\].parquet ({late.height:,} rows new, 0 replaced)" in head(plant)

    one = frame.row(100, named=True)
    line = f"{one['time']:%Y-%m-%dT%H:%M:%S.%fZ},{one['tag']},{one['value'] + 0.5}"
    (plant / "inbox" / "corrected.csv").write_text(f"time,tag,value\n{line}\n", encoding="utf-8")
    assert names(night(plant)) == [FIRST]
    assert "Revision 3" in head(plant)
    assert "It came with corrected.csv (0 rows new, 1 replaced). No verdict changed." in head(plant)
    assert "late\\_" not in head(plant)


def test_an_export_of_the_same_samples_judges_nothing_again(made: Path, tmp_path: Path) -> None:
    """Neither as other bytes, nor in another order, nor a part of it."""
    plant, frame = plant_with(made, tmp_path, 1)
    night(plant)
    before = tree(plant / "reports")
    inbox = plant / "inbox"
    frame.write_parquet(inbox / "a.parquet", compression="uncompressed")
    frame.sort("value").write_parquet(inbox / "b.parquet")
    frame.gather_every(7).write_parquet(inbox / "c.parquet")
    assert names(night(plant)) == []
    assert tree(plant / "reports") == before
