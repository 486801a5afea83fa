"""The page of all days is written with the reports, and costs none of them where it fails."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

import pytest
from helpers.nights.night_runs import names, night
from helpers.nights.small_plant import DAYS, MORNING, copy_plant

from rowcall.runs.rejudge import run_rejudge
from rowcall.site_file import read_site
from rowcall_reports import write
from rowcall_reports.index import index_file


@pytest.fixture(scope="module")
def plant(judged: Callable[[Path, int], Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    return judged(tmp_path_factory.mktemp("index") / "plant", 3)


def test_it_leads_to_the_pages_of_the_days_and_back(plant: Path) -> None:
    reports = plant / "reports"
    page = (reports / "index.html").read_text(encoding="utf-8")
    linked = set(re.findall(r'href="([^"#]+)"', page))
    assert linked == {f"{day}/rowcall-{day}.html" for day in DAYS} | {
        f"{DAYS[-1]}/baghouse-F1.html"
    }
    assert "<td>F1, compartment 1, row 2</td>" in page
    assert page.count("<b>N</b>") + page.count("<b>O</b>") == len(DAYS)
    for link in linked:
        day = (reports / link).read_text(encoding="utf-8")
        assert '<nav aria-label="All days"><a href="../index.html">All days</a></nav>' in day


def test_a_run_killed_before_it_wrote_the_page_is_made_up_for(plant: Path) -> None:
    index = plant / "reports" / "index.html"
    before = index.read_bytes()
    index.write_text("older")
    os.utime(index, (0, 0))
    for _ in range(2):
        assert night(plant).reports == []
        assert index.read_bytes() == before
        written = index.stat().st_mtime_ns
    assert night(plant).reports == []
    assert index.stat().st_mtime_ns == written


def test_cases_are_the_same_from_the_store_as_from_the_newest_report(plant: Path) -> None:
    index = plant / "reports" / "index.html"
    before = index.read_bytes()
    index.unlink()
    again = run_rejudge(
        read_site(plant / "site.toml"),
        first=DAYS[0],
        last=DAYS[0],
        now=MORNING,
        wait_s=0.0,
        progress=lambda text: None,
    )
    assert names(again) == [DAYS[0].isoformat()]
    assert index.read_bytes() == before


def test_an_index_that_fails_leaves_the_reports(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)

    def fail(*_: object) -> str:
        raise ZeroDivisionError("of the test")

    monkeypatch.setattr(index_file, "index_page", fail)
    done = night(plant)
    assert names(done) == [DAYS[0].isoformat()]
    (said,) = done.failed
    assert said.startswith("index: could not be written: an error of rowcall, reference ")
    assert night(plant).reports == []


def test_an_index_that_is_held_open_is_said(
    made: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    plant = copy_plant(made, tmp_path / "plant", days=1)
    (plant / "reports" / "index.html").mkdir(parents=True)  # as little to be replaced
    monkeypatch.setattr(write, "_PAUSES_S", (0.0,))
    done = night(plant)
    assert (names(done), done.failed) == ([DAYS[0].isoformat()], [])
    assert [text for text in done.unusable if "index.html: the report cannot be written" in text]
