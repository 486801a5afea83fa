"""The pages of a day as one text, first page first: what a day says, on whichever page."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from rowcall.day_report import DayReport
from rowcall.guard import UNGUARDED, Guard
from rowcall_reports.figures.picture import Picture
from rowcall_reports.markdown import write_pages


def all_pages(report: DayReport, pictures: Sequence[Picture] = (), guard: Guard = UNGUARDED) -> str:
    """Return the Markdown of all pages."""
    return "\n".join(write_pages(report, pictures, guard).values())


def first_page(report: DayReport, guard: Guard = UNGUARDED) -> str:
    """Return the Markdown of the page of the day."""
    return next(iter(write_pages(report, (), guard).values()))


def page_of(report: DayReport, baghouse: str, pictures: Sequence[Picture] = ()) -> str:
    """Return the Markdown of the page of a baghouse."""
    return write_pages(report, pictures)[f"baghouse-{baghouse}"]


def read_pages(folder: Path) -> str:
    """Return the Markdown of all pages in the folder of a day, the page of the day first."""
    paths = sorted(folder.glob("*.md"), key=lambda path: (path.stem[:7] != "rowcall", path.name))
    return "\n".join(path.read_text(encoding="utf-8") for path in paths)
