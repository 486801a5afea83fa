"""The nightly run on a small plant: once and again, late and changed data, two at a time."""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

import polars as pl
import pytest
from filelock import FileLock
from helpers.nights.night_runs import names, night, tree
from helpers.nights.small_plant import DAYS, MORNING, copy_plant

from rowcall.errors import BusyError


def test_every_complete_day_is_judged_once(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant")
    first = night(plant)
    assert names(first) == [day.isoformat() for day in DAYS]
    assert first.unusable == first.notices == []
    written = tree(plant / "reports")
    second = night(plant)
    assert second.reports == []
    assert tree(plant / "reports") == written


def test_a_day_that_has_not_ended_waits(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant")
    before_midnight = datetime(2026, 3, 30, 21, 59, tzinfo=UTC)  # 23:59 in the plant
    assert names(night(plant, now=before_midnight)) == ["2026-03-28", "2026-03-29"]
    assert names(night(plant)) == ["2026-03-30"]


def test_missed_nights_are_caught_up(
    made: Path, judged: Callable[[Path, int], Path], tmp_path: Path
) -> None:
    plant = judged(tmp_path / "plant", 1)
    for export in sorted((made / "inbox").iterdir())[1:]:
        (plant / "inbox" / export.name).write_bytes(export.read_bytes())
    assert names(night(plant)) == ["2026-03-29", "2026-03-30"]


def test_a_day_whose_data_changed_is_judged_again(
    judged: Callable[[Path, int], Path], tmp_path: Path
) -> None:
    plant = judged(tmp_path / "plant", 3)
    export = sorted((plant / "inbox").iterdir())[1]
    frame = pl.read_parquet(export)
    hot = pl.col("tag").cast(pl.String).str.contains("TT") & (
        pl.col("time").dt.hour().is_in([9, 10])
    )
    changed = frame.with_columns(
        pl.when(hot).then(pl.col("value") + 60.0).otherwise(pl.col("value")).alias("value")
    )
    changed.write_parquet(plant / "inbox" / "corrected.parquet")
    again = night(plant)
    assert names(again) == ["2026-03-29"]
    found = pl.read_parquet(again.reports[0] / "findings.parquet").filter(
        pl.col("verdict") == "found"
    )
    assert "temperature_excursion" in found["rule"].to_list()
    text = (again.reports[0] / "rowcall-2026-03-29.md").read_text(encoding="utf-8")
    assert "Revision 2" in text
    told = "inlet temperature above the media's limit: clear became found"
    assert told in text.replace("\n", " ")


def test_a_day_without_data_between_others_is_reported_as_such(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant")
    sorted((plant / "inbox").iterdir())[1].unlink()
    result = night(plant)
    assert "2026-03-29" in names(result)
    assert any("2026-03-29" in text and "no usable data" in text for text in result.unusable)
    lines = (plant / "reports" / "2026-03-29" / "findings.jsonl").read_text(encoding="utf-8")
    verdicts = {json.loads(line)["verdict"] for line in lines.splitlines()}
    assert verdicts == {"cannot tell"}


def test_a_tag_that_never_changes_is_told_and_not_judged(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    export = next((plant / "inbox").iterdir())
    frame = pl.read_parquet(export).with_columns(pl.col("tag").cast(pl.String))
    header = frame.filter(pl.col("tag").str.contains("PT-1"))["tag"].unique()
    stuck = frame.with_columns(
        pl.when(pl.col("tag").is_in(header.implode()))
        .then(5.5)
        .otherwise(pl.col("value"))
        .alias("value")
    )
    stuck.write_parquet(export)
    result = night(plant)
    assert any("did not change" in text for text in result.unusable)
    findings = pl.read_parquet(result.reports[0] / "findings.parquet")
    rows = findings.filter(pl.col("rule") == "row_silent")
    assert set(rows["verdict"]) == {"cannot tell"}


def test_unusable_files_are_named_and_the_rest_goes_on(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    (plant / "inbox" / "empty.csv").write_bytes(b"")
    (plant / "inbox" / "torn.parquet").write_bytes(b"PAR1 and then nothing")
    result = night(plant)
    assert names(result) == ["2026-03-28"]
    assert any("empty.csv" in text for text in result.notices)
    assert any("torn.parquet" in text for text in result.notices)


def test_silence_of_the_exports_is_told(made: Path, tmp_path: Path) -> None:
    """From the first morning on that lacks its yesterday."""
    plant = copy_plant(made, tmp_path / "plant", days=1)
    mornings = [MORNING + timedelta(days=number) for number in (-2, -1, 2)]
    told = [" ".join(night(plant, now=morning).notices) for morning in mornings]
    assert ["No data newer than 2026-03-28" in text for text in told] == [False, True, True]


def test_a_second_run_leaves_with_a_clear_word(made: Path, tmp_path: Path) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    held = FileLock(plant / "rowcall.duckdb.lock", is_singleton=False)
    with held, pytest.raises(BusyError, match="Another rowcall run is at work"):
        night(plant)
    assert names(night(plant)) == ["2026-03-28"]


def test_a_run_killed_between_report_and_store_is_made_good(
    made: Path,
    judged: Callable[[Path, int], Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=2)
    undisturbed = judged(tmp_path / "undisturbed", 2)

    def fail(*_: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as patch:
        patch.setattr("rowcall.runs.record.save_day", fail)
        with pytest.raises(KeyboardInterrupt):
            night(plant)
    assert names(night(plant)) == ["2026-03-28", "2026-03-29"]
    assert tree(plant / "reports") == tree(undisturbed / "reports")
