"""The page of all days in its folder: which pages are there, and the file beside them."""

from __future__ import annotations

import re
from collections.abc import Callable
from pathlib import Path

from rowcall_reports.index.index_data import IndexData
from rowcall_reports.index.index_page import index_page
from rowcall_reports.page_links import INDEX_FILE
from rowcall_reports.write import write_file

_PAGE = re.compile(r"(rowcall|baghouse)-[\w-]+\.html")


def pages_in(folder: Path) -> frozenset[str]:
    """Return `<day>/<page>.html` of the pages of days and baghouses in a report folder."""
    paths = folder.glob("????-??-??/*.html")
    return frozenset(
        f"{path.parent.name}/{path.name}" for path in paths if _PAGE.fullmatch(path.name)
    )


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
