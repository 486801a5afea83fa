"""A rerun judges any range again with other settings and never touches the nightly record."""

from __future__ import annotations

import re
import shutil
from datetime import date
from pathlib import Path

import polars as pl
import pytest
from helpers.nights.night_runs import night, tree
from helpers.nights.small_plant import copy_plant

from rowcall.cli import main
from rowcall.runs.against import nightly_run
from rowcall.store import Store
from rowcall.store.nights.judgements import judged_days

RANGE = "range-2026-03-29-2026-03-30"
pytestmark = pytest.mark.finds_each_time


@pytest.fixture(scope="module")
def plant(made: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = copy_plant(made, tmp_path_factory.mktemp("judged") / "plant")
    night(folder)
    return folder


def rerun(plant: Path, out: Path, *more: str) -> int:
    days = ["--from", "2026-03-29", "--to", "2026-03-30"]
    return main(["rerun", "--site", str(plant / "site.toml"), "--out", str(out), *days, *more])


def verdicts(folder: Path, rule: str) -> list[str]:
    frame = pl.read_parquet(folder / "2026-03-29" / "findings.parquet")
    return frame.filter(pl.col("rule") == rule)["verdict"].to_list()


@pytest.fixture(scope="module")
def again(plant: Path, tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the folder of a rerun with the settings of the site file."""
    out = tmp_path_factory.mktemp("again")
    assert rerun(plant, out) == 0
    return out


def test_same_settings_give_the_same_findings(plant: Path, again: Path) -> None:
    for day in ("2026-03-29", "2026-03-30"):
        nightly = (plant / "reports" / day / "findings.jsonl").read_bytes()
        assert (again / day / "findings.jsonl").read_bytes() == nightly
    text = (again / f"{RANGE}.md").read_text(encoding="utf-8")
    assert (
        "## What differs from the nightly record\n\nBoth hold 2 days; no verdict differs." in text
    )


def test_archived_days_are_judged_the_same(plant: Path, tmp_path: Path) -> None:
    """From another folder, with nothing left of them in the store."""
    copy = Path(shutil.copytree(plant, tmp_path / "plant"))
    site = copy / "site.toml"
    table = '[archive]\nfolder = "years"\n'
    site.write_text(table + site.read_text(encoding="utf-8"), encoding="utf-8")
    assert main(["archive", "--site", str(site), "--before", "2026-04-30"]) == 0
    with Store.open(copy / "rowcall.duckdb") as store:
        assert store.connection.execute("SELECT count(*) FROM samples").fetchall() == [(0,)]
    day = ["--from", "2026-03-29", "--to", "2026-03-29"]
    assert main(["rerun", "--site", str(site), "--out", str(tmp_path / "out"), *day]) == 0
    found, nightly = (
        (folder / "2026-03-29" / "findings.jsonl").read_bytes()
        for folder in (tmp_path / "out", plant / "reports")
    )
    assert found == nightly


def test_its_folder_has_a_page_of_its_days(plant: Path, again: Path) -> None:
    page = (again / "index.html").read_text(encoding="utf-8")
    linked = {again / link for link in re.findall(r'href="([^"#]+)"', page)}
    assert all(path.is_file() for path in linked)
    assert {path.parent.name for path in linked} == {"2026-03-29", "2026-03-30"}
    nightly = (plant / "reports" / "index.html").read_text(encoding="utf-8")
    case = re.compile(r'<tr class="case">.*?</tr>', re.DOTALL)
    assert case.findall(page) == case.findall(nightly) != []
    assert '<a href="index.html">All days</a>' in (again / f"{RANGE}.html").read_text("utf-8")


def test_the_nightly_record_stays_as_it_is(plant: Path, tmp_path: Path) -> None:
    before = tree(plant / "reports"), (plant / "rowcall.duckdb").read_bytes()
    assert rerun(plant, tmp_path, "--set", "row_silent.min_pulses=100000") == 0
    assert (tree(plant / "reports"), (plant / "rowcall.duckdb").read_bytes()) == before


def test_other_settings_change_verdicts_and_are_told(plant: Path, tmp_path: Path) -> None:
    assert "found" in verdicts(plant / "reports", "row_silent")
    assert rerun(plant, tmp_path, "--set", "row_silent.min_pulses=100000") == 0
    assert set(verdicts(tmp_path, "row_silent")) == {"cannot tell"}
    text = (tmp_path / "2026-03-29" / "rowcall-2026-03-29.md").read_text(encoding="utf-8")
    assert "row_silent.min_pulses" in text
    assert "100000" in text
    changed = (tmp_path / f"{RANGE}.md").read_text(encoding="utf-8")
    assert "### Found there only" in changed
    assert re.search(r"row_silent.min_pulses \d+ became 100,000", changed.replace("\\", ""))


@pytest.mark.parametrize(
    ("setting", "told"),
    [
        ("row_silent.min_pulse=10", "min_pulses"),
        ("row_asleep.min_pulses=10", "there is no such rule"),
        ("row_closes_late.late=0.3", "the unit is missing"),
        ("row_closes_late.late=0.3 bar", "does not fit"),
        ("baghouse.F9.pulse_time=100 ms", "no baghouse 'F9'"),
        ("baghouse.F1.puls_time=100 ms", "not known here"),
        ("min_pulses", "RULE.THRESHOLD=VALUE"),
    ],
)
def test_a_wrong_setting_is_explained(
    plant: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str], setting: str, told: str
) -> None:
    assert rerun(plant, tmp_path, "--set", setting) == 2
    assert told in capsys.readouterr().err
    assert list(tmp_path.iterdir()) == []


def test_a_rerun_is_held_against_the_folder_of_another(
    plant: Path, again: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    limit = "baghouse.F1.continuous_limit=100 Cel"
    surge = "baghouse.F1.surge_limit=120 Cel"
    tried = ["--set", limit, "--set", surge, "--against", str(again)]
    assert rerun(plant, tmp_path, *tried) == 0
    assert capsys.readouterr().out.splitlines()[-1] == str(tmp_path / f"{RANGE}.html")
    assert verdicts(tmp_path, "temperature_excursion") == ["found"]
    text = (tmp_path / f"{RANGE}.md").read_text(encoding="utf-8")
    assert f"## What differs from {again}".replace("_", "") in text.replace("\\", "").replace(
        "_", ""
    )
    assert "continuous_limit" in text.replace("\\", "")
    assert "### Found here only" in text


def test_a_folder_without_these_days_is_refused_before_any_is_judged(
    plant: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert rerun(plant, tmp_path / "out", "--against", str(tmp_path)) == 2
    assert "there is no report of any day" in capsys.readouterr().err
    assert not (tmp_path / "out").exists()


def test_the_nightly_record_says_what_its_days_rest_on(plant: Path, tmp_path: Path) -> None:
    """Days are held against what the night knew: its settings by their hash, its files."""
    copy = tmp_path / "rowcall.duckdb"
    copy.write_bytes((plant / "rowcall.duckdb").read_bytes())
    day, names = date(2026, 3, 29), {"a": "b"}
    with Store.open(copy) as store:
        kept = judged_days(store)[day]
        same = nightly_run(store, [day, date(2020, 1, 1)], names, kept.settings_hash).days
        assert list(same) == [day]
        assert (same[day].basis.settings, bool(same[day].basis.files)) == (names, True)
        assert nightly_run(store, [day], names, "other").days[day].basis.settings is None
        store.connection.execute("UPDATE judged SET file_id = 0")
        assert nightly_run(store, [day], names, "").days[day].basis.files == {}


def test_the_nightly_folder_is_refused(plant: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert rerun(plant, plant / "reports") == 2
    assert "never" in capsys.readouterr().err
    assert rerun(plant, plant / "reports" / "mine") == 2


def test_a_range_that_ends_before_it_begins_is_refused(
    plant: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    site = str(plant / "site.toml")
    days = ["--from", "2026-03-30", "--to", "2026-03-29", "--out", str(tmp_path)]
    assert main(["rerun", "--site", site, *days]) == 2
    assert "lies before" in capsys.readouterr().err
