"""How often each tag brought a point on a day is kept with the day's results, and told."""

from __future__ import annotations

from pathlib import Path

import polars as pl
from helpers.day_pages import read_pages
from helpers.nights.night_runs import health, night
from helpers.nights.small_plant import copy_plant


def thin_supply(plant: Path, every: int) -> str:
    """Keep every nth point of the supply pressure only; return its tag."""
    (export,) = (plant / "inbox").glob("F1*")
    frame = pl.read_parquet(export).with_columns(pl.col("tag").cast(pl.String))
    name: str = frame.filter(pl.col("tag").str.contains("PT-1"))["tag"].sort()[0]
    is_supply = pl.col("tag") == name
    thin = frame.filter(is_supply).sort("time").gather_every(every)
    pl.concat([frame.filter(~is_supply), thin]).write_parquet(export)
    return name


def test_the_effective_resolution_of_each_tag_is_kept_with_the_day(
    made: Path, tmp_path: Path
) -> None:
    """And replaced when the day is judged again: here on the points that were missing."""
    plant = copy_plant(made, tmp_path / "plant", days=1)
    name = thin_supply(plant, 2)
    report = night(plant).reports[0]
    first = health(plant)
    assert first[name][:2] == (10.0, 8640)
    assert first[name][1] == 8640
    assert {step_s for tag, (step_s, _, _) in first.items() if "PDT" in tag} == {5.0}
    text = read_pages(report)
    assert "supply pressure (sampled every 10 s)" in " ".join(text.split())
    whole = copy_plant(made, tmp_path / "whole", days=1)
    (export,) = (whole / "inbox").iterdir()
    export.rename(plant / "inbox" / "late.parquet")
    night(plant)
    again = health(plant)
    assert again[name][:2] == (5.0, 17_280)
    assert again.keys() == first.keys()


def test_a_tag_without_points_has_no_resolution(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    (export,) = (plant / "inbox").iterdir()
    frame = pl.read_parquet(export).with_columns(pl.col("tag").cast(pl.String))
    frame.filter(~pl.col("tag").str.contains("PT-1")).write_parquet(export)
    night(plant)
    assert [kept[:2] for tag, kept in health(plant).items() if "PT-1" in tag] == [
        (None, 0),
        (None, 0),
    ]
