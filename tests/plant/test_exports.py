"""Exports as a historian writes them, the benchmark day and the demo plant."""

import json
import tomllib
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

import numpy as np
import polars as pl
import pytest
from helpers.benchmark_day import benchmark_day

from rowcall_plant import (
    BaghousePlan,
    FabricPlan,
    GasPlan,
    PlantDay,
    export_day,
    simulate_days,
    tag_list,
    write_demo,
    write_wide_csv,
)
from rowcall_plant.demo.demo_plant import clock_of, kiln_faults, mill_faults
from rowcall_plant.demo.truth import full_days, healthy_days
from rowcall_plant.local_time import local_days, local_instant
from rowcall_plant.points import at_intervals

PLAN = BaghousePlan(
    id="BH1",
    name="Trial filter",
    fabric=FabricPlan(area_m2=1008.0),
    gas=GasPlan(design_flow_m3_s=60_000.0 / 3600.0),
)
BITS = tag_list(PLAN, 100, rows_by="solenoid")
COUNTERS = tag_list(PLAN, 100, rows_by="counter")
ZONE = PLAN.time_zone


def one_day(day: date) -> PlantDay:
    start = local_instant(day, time(), ZONE)
    return next(simulate_days(PLAN, start=start, days=1, seed=5))


@pytest.fixture(scope="module")
def plain() -> PlantDay:
    """The last six hours of a day."""
    start = local_instant(date(2026, 2, 14), time(18), ZONE)
    return next(simulate_days(PLAN, start=start, days=1, seed=5))


# European Union summer time (Directive 2000/84/EC): last Sunday of March to last of October.
@pytest.mark.parametrize(
    ("day", "hours"), [("2026-03-28", 24), ("2026-03-29", 23), ("2026-10-25", 25)]
)
def test_local_day_files_have_23_24_or_25_hours(tmp_path: Path, day: str, hours: int) -> None:
    path = export_day(PLAN, one_day(date.fromisoformat(day)), COUNTERS, tmp_path, "wide_csv")
    assert path.name == f"BH1_{day}.csv"
    wall = pl.read_csv(path, columns=["time"])["time"]
    assert wall.len() == wall.n_unique() == hours * 3600
    assert wall[0].startswith(f"{day}T00:00:00+")
    assert wall[-1].startswith(f"{day}T23:59:59+")


def test_days_are_cut_at_midnight_and_meet() -> None:
    spans = local_days(datetime(2026, 3, 28, 10, tzinfo=UTC), 2, ZONE)
    assert [span.day.isoformat() for span in spans] == ["2026-03-28", "2026-03-29", "2026-03-30"]
    assert all(local_instant(span.day, time(), ZONE) == span.start for span in spans[1:])
    assert [one.end for one in spans[:-1]] == [other.start for other in spans[1:]]
    assert spans[-1].end - spans[0].start == timedelta(hours=47)


def test_a_start_without_a_zone_is_refused() -> None:
    with pytest.raises(ValueError, match="time zone"):
        local_days(datetime(2026, 3, 28, 10), 2, ZONE)


def test_long_csv_and_parquet_hold_the_same_points(plain: PlantDay, tmp_path: Path) -> None:
    csv_file = export_day(PLAN, plain, BITS, tmp_path, "long_csv")
    parquet_file = export_day(PLAN, plain, BITS, tmp_path, "long_parquet")
    text = pl.read_csv(csv_file, schema_overrides={"value": pl.Float64})
    assert text.columns == ["tag", "time", "value", "quality"]
    assert text["time"].str.contains(r"^\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z$").all()
    kept = pl.read_parquet(parquet_file).with_columns(pl.col("tag", "quality").cast(pl.String))
    assert kept.schema["time"] == pl.Datetime("us", "UTC")
    written = text.with_columns(pl.col("time").str.to_datetime("%Y-%m-%dT%H:%M:%S%.3fZ"))
    assert written.with_columns(pl.col("time").dt.cast_time_unit("us")).equals(
        kept.with_columns(pl.col("time").dt.replace_time_zone(None))
    )


def test_solenoid_bits_are_by_change_with_their_own_times(plain: PlantDay, tmp_path: Path) -> None:
    kept = pl.read_parquet(export_day(PLAN, plain, BITS, tmp_path, "long_parquet"))
    bit = kept.filter(pl.col("tag").cast(pl.String) == "BH1.YS-205")
    assert bit["time"][0] == plain.span.start
    assert bit["value"].to_list() == [0.0] + [1.0, 0.0] * (bit.height // 2)
    rise, fall = bit["time"][1::2], bit["time"][2::2]
    assert (fall - rise).dt.total_milliseconds().unique().to_list() == [100]
    calls = plain.frames.solenoids.filter((pl.col("compartment") == 2) & (pl.col("row") == 5))
    assert (calls["time"] - rise).dt.total_microseconds().abs().to_numpy().max() <= 500


def test_wide_csv_counts_the_last_row_fired(plain: PlantDay, tmp_path: Path) -> None:
    path = tmp_path / "wide.csv"
    write_wide_csv(path, plain, COUNTERS, ZONE, units_line=True)
    units = path.read_text(encoding="utf-8").splitlines()[1].split(",")
    assert units == ["", *(spec.unit for spec in COUNTERS)]
    wide = pl.read_csv(path, skip_rows_after_header=1)
    assert set(wide["BH1.YI-112"]) == set(range(13))
    change = wide.filter(pl.col("BH1.YI-112").diff() != 0)
    calls = plain.frames.solenoids.filter(pl.col("compartment") == 1)
    assert change["BH1.YI-112"].to_list() == calls["row"].to_list()
    shown = change["time"].str.to_datetime("%Y-%m-%dT%H:%M:%S%z")
    late_us = (shown.dt.cast_time_unit("us") - calls["time"]).dt.total_microseconds().to_numpy()
    # Seen at the next second; the controller's time stamp itself is rounded to the millisecond.
    assert -500 <= late_us.min() <= late_us.max() < 1_000_500


# bar and mbar by definition (1e5 and 100 Pa); 3600 s an hour.
@pytest.mark.parametrize(
    ("tag", "column", "factor"),
    [
        ("BH1.PDT-100", "dp_pa", 100.0),
        ("BH1.PT-110", "header_1_pa", 1e5),
        ("BH1.FT-101", "flow_m3_s", 1.0 / 3600.0),
        ("BH1.AT-103", "opacity_frac", 0.01),
    ],
)
def test_tags_are_in_their_units(plain: PlantDay, tag: str, column: str, factor: float) -> None:
    spec = next(spec for spec in COUNTERS if spec.tag == tag)
    points = at_intervals(plain, spec)
    si = plain.frames.analogue[column].to_numpy()
    assert np.abs(points.value * factor - si).max() <= 0.51 * factor * 10.0**-spec.decimals


def test_benchmark_day_has_its_fixed_size(tmp_path: Path) -> None:
    written = benchmark_day(tmp_path)
    table = pl.read_csv(written.export_file)
    assert table.columns == ["tag", "time", "value", "quality"]
    assert table.height == written.n_rows == 1_728_000
    assert table.group_by("tag").len()["len"].to_list() == [86_400] * 20
    assert written.n_pulses == pytest.approx(8640, rel=0.002)
    site = tomllib.loads(written.site_file.read_text(encoding="utf-8"))
    assert {tag["tag"] for tag in site["baghouse"][0]["tag"]} == set(table["tag"].unique())


def test_demo_writes_the_same_bytes_and_says_what_it_left_out(tmp_path: Path) -> None:
    lines: list[str] = []
    one = write_demo(tmp_path / "one", days=2, seed=7, progress=lines.append)
    other = write_demo(tmp_path / "other", days=2, seed=7)
    assert len(lines) == 4
    assert sorted(path.name for path in one.inbox.iterdir()) == [
        "BH1_2026-03-14.csv",
        "BH1_2026-03-15.csv",
        "BH2_2026-03-14.csv",
        "BH2_2026-03-15.csv",
    ]
    for mine, theirs in zip(one.exports, other.exports, strict=True):
        assert mine.read_bytes() == theirs.read_bytes()
    truth = json.loads(one.truth_file.read_text(encoding="utf-8"))
    assert truth["faults"] == []
    assert len(truth["left_out"]) == 22
    assert truth["cases"] == []
    log = (tmp_path / "one" / "work-log.csv").read_text(encoding="utf-8").splitlines()
    assert [line.split(",")[5] for line in log if line.startswith("2026-03")] == ["outage planned"]
    assert truth["healthy_days"]["BH1"] == ["2026-03-14", "2026-03-15"]
    site = tomllib.loads(one.site_file.read_text(encoding="utf-8"))
    assert [house["id"] for house in site["baghouse"]] == ["BH1", "BH2"]
    assert site["baghouse"][0]["cleaning"] == {
        "mode": "on_demand",
        "start_dp": "1.2 kPa",
        "stop_dp": "0.9 kPa",
        "interval": "10 s",
    }
    assert site["baghouse"][0]["design_flow"] == "60000 m3/h"
    assert site["baghouse"][1]["cleaning"] == {"mode": "on_time", "interval": "20 s"}
    assert site["baghouse"][0]["rows_per_compartment"] == 12


def test_demo_faults_leave_eight_healthy_days_and_all_fill_a_day() -> None:
    first_day, last_day = date(2026, 2, 14), date(2026, 3, 15)
    days = [first_day + timedelta(days=n) for n in range(30)]
    at = clock_of(first_day)
    for faults in (kiln_faults(at), mill_faults(at)):
        assert healthy_days(faults, days, ZONE)[:8] == days[:8]
        for fault in faults:
            first, last = full_days(fault, ZONE, last_day)
            assert days[8] <= first <= last <= last_day
