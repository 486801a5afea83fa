"""The page of all days in its folder: which pages are there, and the file beside them."""

from __future__ import annotations

from collections.abc import Callable, Container
from dataclasses import dataclass
from pathlib import Path

from rowcall_reports.index.index_data import IndexData
from rowcall_reports.index.index_page import index_page
from rowcall_reports.page_links import INDEX_FILE
from rowcall_reports.write import write_file


@dataclass(frozen=True, slots=True)
class PagesIn(Container[str]):
    """The pages `<day>/<page>.html` in a report folder; only those asked for are looked up.

    Of the folders of ten years, the page of all days links to a tenth.
    """

    folder: Path

    def __contains__(self, page: object) -> bool:
        return (self.folder / str(page)).is_file()


def write_index(folder: Path, make: Callable[[Container[str]], IndexData]) -> Path:
    """Write `index.html` into a report folder, and return it.

    Args:
        make: returns what it says, given the pages in the folder.

    Raises:
        ReportError: the file cannot be written.
    """
    target = folder / INDEX_FILE
    write_file(target, index_page(make(PagesIn(folder))).encode())
    return target
