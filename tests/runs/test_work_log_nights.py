"""The work log in runs: handed to every judge, and what is wrong with it said while it is."""

from __future__ import annotations

from datetime import timedelta
from pathlib import Path

import pytest
from helpers.nights.night_runs import names, night
from helpers.nights.small_plant import DAYS, MORNING, copy_plant

from rowcall.day_report import DayReport
from rowcall.guard import Guard
from rowcall.model import Work
from rowcall.runs.parallel.ahead import Drawing
from rowcall.runs.rejudge import run_rejudge
from rowcall.runs.rerun import run_rerun
from rowcall.site_file import read_site

pytestmark = pytest.mark.sparse_days
LOG = f"""time,baghouse,compartment,row,work
{DAYS[0]} 09:00,F1,1,2,inspection
{DAYS[0] + timedelta(days=9)},,,,outage planned
{DAYS[1]},F1,1,2,diaphragms renewed
{DAYS[0]},F1,1,5,inspection
"""
WRONG = "work-log.csv, line 5, column row: compartment 1 of F1 has no row 5; allowed are 1 to 4."


@pytest.fixture
def plant(made: Path, tmp_path: Path) -> Path:
    """Return a plant of one day whose work log lies in the inbox, and has a wrong line."""
    folder = copy_plant(made, tmp_path / "plant", days=1)
    text = (folder / "site.toml").read_text(encoding="utf-8")
    site = text.replace("[folders]\n", '[folders]\nwork_log = "inbox/work-log.csv"\n')
    (folder / "site.toml").write_text(site, encoding="utf-8")
    (folder / "inbox" / "work-log.csv").write_text(LOG, encoding="utf-8")
    return folder


def report(plant: Path) -> str:
    name = DAYS[0].isoformat()
    return (plant / "reports" / name / f"rowcall-{name}.md").read_text(encoding="utf-8")


def test_a_night_says_what_is_wrong_with_the_log_while_it_is(plant: Path) -> None:
    first = night(plant)
    assert (names(first), first.notices[1:]) == ([f"{DAYS[0]}"], [WRONG])  # after the missing days
    assert "work-log.csv, line 5, column row" in report(plant).split("\n\n")[2]
    assert WRONG in night(plant).notices
    (plant / "inbox" / "work-log.csv").write_text(LOG.replace("F1,1,5", "F1,1,4"), encoding="utf-8")
    assert WRONG not in night(plant).notices
    (plant / "inbox" / "work-log.csv").unlink()
    assert "work-log.csv: the work log is missing" in night(plant).notices[-1]


def test_every_run_judges_by_the_work_done_until_the_end_of_the_day(
    plant: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    seen: list[DayReport] = []

    def keep(folder: Path, report: DayReport, guard: Guard, drawing: Drawing) -> Path:
        seen.append(report)
        (folder / f"{report.day}").mkdir(parents=True, exist_ok=True)
        return folder / f"{report.day}"

    monkeypatch.setattr("rowcall.runs.record.write_pictured", keep)
    monkeypatch.setattr("rowcall.runs.rerun.write_pictured", keep)
    night(plant)
    site, day = read_site(plant / "site.toml"), DAYS[0]
    rejudged = run_rejudge(
        site, first=day, last=day, now=MORNING, wait_s=0.0, progress=lambda text: None
    )
    rerun = run_rerun(
        site,
        first=day,
        last=day,
        folder=tmp_path / "trial",
        settings={},
        now=MORNING,
        wait_s=0.0,
        progress=lambda text: None,
    )
    assert len(seen) == 3
    for one in seen:
        assert [entry.work for entry in one.work] == [Work.INSPECTED, Work.OUTAGE_PLANNED]
    assert (rejudged.notices, rerun.notices) == ([WRONG], [WRONG])
