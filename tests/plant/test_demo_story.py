"""What the demo's plant goes through: repairs, a cold start, the work log and the cases."""

from datetime import date, datetime, time, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import polars as pl
import pytest
from helpers.plant_days import simulate

from rowcall.site_file import read_site
from rowcall.work_log.read_log import parse_work_log
from rowcall.work_log.work import Work
from rowcall_plant import RisingBaselineDp, RowSilent, SlowHeaderRecovery
from rowcall_plant.demo.demo_plant import (
    TIME_ZONE,
    clock_of,
    kiln_faults,
    kiln_filter,
    mill_faults,
    mill_filter,
    work_log,
)
from rowcall_plant.demo.demo_site import site_text
from rowcall_plant.demo.past_bags import past_bags
from rowcall_plant.demo.truth import case_records, fault_record
from rowcall_plant.demo.work_log import COLUMNS, WorkEntry, work_log_text

FIRST_DAY, LAST_DAY = date(2026, 2, 14), date(2026, 3, 15)
AT = clock_of(FIRST_DAY)
LOG = work_log(AT, LAST_DAY)
FAULTS = {"BH1": kiln_faults(AT), "BH2": mill_faults(AT)}


def cases() -> list[dict[str, Any]]:
    return [
        case
        for baghouse, faults in FAULTS.items()
        for case in case_records(faults, baghouse, TIME_ZONE, LAST_DAY, LOG)
    ]


def test_the_log_is_in_order_and_in_the_kinds_of_work_that_are_known() -> None:
    assert [one.at for one in LOG] == sorted(one.at for one in LOG)
    assert {one.work for one in LOG} <= {kind.value for kind in Work}
    lines = work_log_text(LOG, TIME_ZONE).splitlines()
    assert lines[0].split(",") == COLUMNS
    assert len(lines) == 1 + len(LOG)
    assert lines[4] == "2026-03-01 09:40,BH1,1,7,,solenoid renewed,coil was open,24 V DC,"


def test_bag_work_of_earlier_years_lies_before_the_demo_in_words_that_are_read(
    tmp_path: Path,
) -> None:
    """All of it is read; none lies within the days, so that none moves what is found."""
    made = list(past_bags(TIME_ZONE))
    assert all(one.at < AT(0, 0, 0) for one in made if one.work != Work.OUTAGE_PLANNED)
    site = site_text("Demo", [(kiln_filter(AT), ()), (mill_filter(AT), ())], work_log="log.csv")
    (tmp_path / "site.toml").write_text(site, encoding="utf-8")
    text = work_log_text((*LOG, *made), TIME_ZONE)
    log, problems = parse_work_log(text.encode(), read_site(tmp_path / "site.toml"), AT(30, 0, 0))
    assert (problems, len(list(log))) == ([], len(LOG) + len(made))


def test_a_repair_that_helped_ends_its_fault_and_another_does_not() -> None:
    records = [
        fault_record(fault, baghouse, TIME_ZONE, LAST_DAY, LOG)
        for baghouse, faults in FAULTS.items()
        for fault in faults
    ]
    mended = {(one["rule"], one["mended_by"]) for one in records if one["mended_by"]}
    assert mended == {
        ("row_silent", "solenoid renewed"),
        ("header_leak", "air supply mended"),
        ("supply_short", "air supply mended"),
        ("slow_header_recovery", "diaphragms renewed"),
        ("leaking_row", "bags changed"),
        ("tag_drifts", "instrument mended"),
    }
    in_vain = next(one for one in records if (one["baghouse"], one["row"]) == ("BH2", 9))
    assert (in_vain["mended_by"], in_vain["end"]) == (None, None)
    assert [LOG[line - 2].work for line in in_vain["log_lines"]] == ["diaphragms renewed"]
    meant = [(one["compartment"], one["row"]) for one in records if one["on_purpose"]]
    assert meant == [(1, 3)]


def test_cases_are_one_a_place_and_family() -> None:
    keys = ("baghouse", "compartment", "row", "family", "first_full_day", "mended", "check")
    assert [tuple(one[key] for key in keys) for one in cases()] == [
        ("BH1", 1, 7, "valve", "2026-02-24", "2026-03-01", "verified"),
        ("BH1", 0, 0, "heat", "2026-02-26", None, None),
        ("BH1", 2, 0, "header", "2026-02-25", "2026-02-27", "verified"),
        ("BH1", 1, 0, "header", "2026-02-28", None, None),
        ("BH1", 2, 4, "valve", "2026-03-01", None, None),
        ("BH1", 0, 0, "plant-air", "2026-03-04", "2026-03-11", "verified"),
        ("BH1", 2, 9, "valve", "2026-03-09", None, None),
        ("BH1", 2, 2, "control", "2026-03-13", None, None),
        ("BH1", 1, 10, "valve", "2026-03-03", None, None),
        ("BH1", 0, 0, "settings", "2026-03-15", None, None),
        ("BH1", 0, 0, "sensor", "2026-03-08", "2026-03-14", "verified"),
        ("BH2", 1, 6, "valve", "2026-02-25", "2026-03-02", "verified"),
        ("BH2", 1, 9, "valve", "2026-02-27", None, "contradicted"),
        ("BH2", 1, 4, "dust", "2026-03-01", "2026-03-05", "verified"),
        ("BH2", 0, 0, "dew", "2026-03-05", None, None),
        ("BH2", 0, 0, "cloth", "2026-03-06", None, None),
    ]


def test_a_repair_elsewhere_or_later_mends_nothing() -> None:
    start = AT(10, 8, 0)
    fault = RowSilent(start=start, end=start + timedelta(days=3), compartment=1, row=7)
    assert fault.end is not None
    for at, row in ((fault.end, 8), (fault.end + timedelta(days=1), 7)):
        log = [WorkEntry(at, "solenoid renewed", "BH1", 1, row)]
        (case,) = case_records([fault], "BH1", TIME_ZONE, LAST_DAY, log)
        assert (case["mended"], case["check"]) == (None, None)


def test_plant_air_is_short_on_the_mornings_of_working_days() -> None:
    short = [
        fault
        for fault in FAULTS["BH1"]
        if isinstance(fault, SlowHeaderRecovery) and fault.daily_hours is not None
    ]
    assert {fault.daily_hours for fault in short} == {(time(6), time(10))}
    days = {
        (fault.start + timedelta(days=n)).astimezone(ZoneInfo(TIME_ZONE)).date()
        for fault in short
        for n in range((fault.end - fault.start).days + 1)  # type: ignore[operator]
    }
    assert len(days) == 6
    assert all(day.weekday() < 5 for day in days)


@pytest.fixture(scope="module")
def cold_start() -> tuple[pl.DataFrame, datetime]:
    """Return the mill filter's day of the cold start and the end of the stop before it."""
    plan = mill_filter(AT)
    (stop,) = plan.gas.stops
    frames, _ = simulate(plan, FAULTS["BH2"], start=AT(19, 0, 0), days=1, seed=7)
    return frames.analogue, stop.end


def test_gas_passes_below_its_dew_point_for_minutes_after_the_stop(
    cold_start: tuple[pl.DataFrame, datetime],
) -> None:
    analogue, end = cold_start
    plan = mill_filter(AT)
    assert plan.gas.moisture_frac == 0.07
    # 39.2 degC: water at 7 % of 101.325 kPa, IAPWS-IF97 (value from memory).
    is_cold = (analogue["inlet_temperature_c"] < 39.2) & (
        analogue["flow_m3_s"] > 0.2 * plan.gas.design_flow_m3_s
    )
    cold = analogue["time"].filter(is_cold)
    assert 8 * 60 < cold.len() < 30 * 60
    assert end < cold.min() < cold.max() < end + timedelta(minutes=30)  # type: ignore[operator]


def test_the_cloth_blinds_within_an_hour_of_the_cold_start(
    cold_start: tuple[pl.DataFrame, datetime],
) -> None:
    analogue, end = cold_start
    (blinding,) = (fault for fault in FAULTS["BH2"] if isinstance(fault, RisingBaselineDp))
    assert "cold start" in blinding.detail
    assert end < blinding.start <= end + timedelta(hours=1)
    drag = (analogue["dp_pa"] / analogue["flow_m3_s"]).to_numpy()
    time_s = (analogue["time"] - blinding.start).dt.total_seconds().to_numpy()
    before, after = drag[(time_s > -1200) & (time_s < 0)], drag[(time_s > 600) & (time_s < 1800)]
    assert np.median(after) / np.median(before) == pytest.approx(1.3, abs=0.1)
