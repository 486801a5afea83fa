"""The page of all days in its folder: which pages are there, and the file beside them."""

from __future__ import annotations

import os
import re
from collections.abc import Callable
from pathlib import Path

from rowcall_reports.index.index_data import IndexData
from rowcall_reports.index.index_page import index_page
from rowcall_reports.page_links import INDEX_FILE
from rowcall_reports.write import write_file

_DAY, _PAGE = re.compile(r"\d{4}-\d\d-\d\d"), re.compile(r"(rowcall|baghouse)-[\w-]+\.html")


def pages_in(folder: Path) -> frozenset[str]:
    """Return `<day>/<page>.html` of the pages of days and baghouses in a report folder."""
    return frozenset(
        f"{day.name}/{page.name}"
        for day in _entries(folder, _DAY)
        if day.is_dir()
        for page in _entries(day.path, _PAGE)
    )


def _entries(folder: Path | str, of: re.Pattern[str]) -> list[os.DirEntry[str]]:
    with os.scandir(folder) as entries:  # of ten years, 3,650 folders are read
        return [entry for entry in entries if of.fullmatch(entry.name)]


def write_index(folder: Path, make: Callable[[frozenset[str]], IndexData]) -> Path:
    """Write `index.html` into a report folder, and return it.

    Args:
        make: returns what it says, given `pages_in` the folder.

    Raises:
        ReportError: the file cannot be written.
    """
    target = folder / INDEX_FILE
    write_file(target, index_page(make(pages_in(folder))).encode())
    return target
