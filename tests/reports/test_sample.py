"""The sample pages under `reports/sample`: what a reader gets, compared byte for byte.

After a change that is meant to be seen, write it anew, and look at it and at its diff:

    PYTHONPATH=tests python -m reports.test_sample
"""

from __future__ import annotations

import re
from pathlib import Path

import pytest
from helpers import report_days
from helpers.day_pages import read_pages

from rowcall.day_report import DayReport
from rowcall_reports.figures.all_pictures import draw
from rowcall_reports.markdown import write_pages
from rowcall_reports.prepared import prepare
from rowcall_reports.tables.day_files import table_files

TABLES = ("findings.jsonl", "cases.jsonl", "work-orders.csv")
FOLDER = Path(__file__).parents[2] / "reports" / "sample"


def texts(report: DayReport) -> dict[str, str]:
    """Return the text files of the sample by name."""
    return {
        **{f"{name}.md": text for name, text in write_pages(report, draw(report)).items()},
        **{name: table_files(report)[name].decode() for name in TABLES},
    }


@pytest.mark.usefixtures("unpainted")
def test_sample_is_what_is_written_today() -> None:
    kept = {path.name: path.read_bytes() for path in FOLDER.iterdir() if path.suffix != ".png"}
    assert kept == {name: text.encode() for name, text in texts(report_days.sample()).items()}


def test_sample_shows_every_mark_and_names_pictures_that_are_there() -> None:
    kiln = prepare(report_days.sample()).baghouses[0]
    assert set(kiln.found_rows.values()) == set(kiln.known_marks)
    assert {mark.word for mark in kiln.marks.values()} >= {"ok", "ok?", "?"}
    named = re.findall(r"\]\(([^)]+\.png)\)", read_pages(FOLDER))
    assert set(named) == {path.name for path in FOLDER.glob("*.png")}


def write_sample() -> None:
    """Write the sample anew."""
    report = report_days.sample()
    FOLDER.mkdir(exist_ok=True)
    for path in FOLDER.iterdir():
        path.unlink()
    for name, text in texts(report).items():
        (FOLDER / name).write_bytes(text.encode())
    for picture in draw(report):
        (FOLDER / picture.name).write_bytes(picture.png)


if __name__ == "__main__":
    write_sample()
