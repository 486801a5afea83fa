"""The entries of one table of several, with its tags numbered through the whole export."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
import numpy.typing as npt

from rowcall.take_in.cells.ambiguous_hour import DoubledHour
from rowcall.take_in.cells.timestamps import Parsed, Times
from rowcall.take_in.load.entries import Entries, check_tags, read_entries
from rowcall.take_in.read.cell_table import Table
from rowcall.take_in.sniff.layout import Layout


def read_numbered(
    file: str,
    table: Table,
    layout: Layout,
    decimal: str,
    hour: DoubledHour,
    numbers: dict[str, int],
    rows: npt.NDArray[np.int64],
) -> tuple[Entries, npt.NDArray[np.int64]]:
    """Return a table's entries, and which of its rows wait for what comes later in the file.

    Rows are counted from the table's first one, as in the entries.

    Args:
        hour: collects what tells the two passes of a doubled hour apart.
        numbers: the tags of the export so far; new ones are added.
        rows: the number of each of the table's rows in the file.

    Raises:
        ExportError: more tags than a store can hold.
    """
    waiting: list[npt.NDArray[np.int64]] = []

    def instants(parsed: Parsed, tag: npt.NDArray[np.uint32] | None, names: Sequence[str]) -> Times:
        whole = None if tag is None else numbered_names(names, numbers)[tag]
        check_tags(file, len(numbers))
        times, late = hour.in_utc(parsed, whole, rows)
        waiting.append(late)
        return times

    entries = read_entries(file, table, layout, decimal, instants)
    return entries, waiting[0]


def numbered_names(names: Sequence[str], numbers: dict[str, int]) -> npt.NDArray[np.uint32]:
    """Return the number of each name through the whole file; new names get the next ones."""
    for name in names:
        numbers.setdefault(name, len(numbers))
    return np.array([numbers[name] for name in names], np.uint32)
