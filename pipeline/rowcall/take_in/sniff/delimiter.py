"""The first lines of a text export cut into fields: under which delimiter they hold times."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from datetime import datetime

from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import plain
from rowcall.take_in.cells.time_formats import MAX_CLOCKS, is_clock, is_date, time_form
from rowcall.take_in.sniff.column_words import TIME_WORDS

_HEAD_BYTES = 262_144  # chosen: 50 lines of 1,000 columns
HEAD_LINES = 200  # chosen: some hundred rows of data below a long preamble
_NUMBER = re.compile(r"[+-]?[\d.,]*\d(?:[eE][+-]?\d+)?")
DELIMITERS = (";", "\t", "|", ",")


@dataclass(frozen=True, slots=True)
class Split:
    """The head's lines cut at one delimiter: field count, time column and rows of data."""

    delimiter: str
    lines: list[list[str]]
    width: int
    data: list[int]


def first_lines(text: bytes) -> list[str]:
    head = text[:_HEAD_BYTES].decode(errors="ignore").split("\n")
    if len(text) > _HEAD_BYTES and len(head) > 1:
        head.pop()
    return [line.rstrip("\r") for line in head[:HEAD_LINES]]


def best_split(lines: Sequence[str], delimiters: Sequence[str], overrides: TakeIn) -> Split:
    splits = [_split(lines, delimiter, overrides) for delimiter in delimiters]
    return max(splits, key=lambda split: len(split.data))


def _split(lines: Sequence[str], delimiter: str, overrides: TakeIn) -> Split:
    cut = [cut_line(line, delimiter) for line in lines]
    timed = [
        (number, place)
        for number, row in enumerate(cut)
        if len(row) > 1
        for place in timed_places(row, overrides)
    ]
    widths = Counter(len(cut[number]) for number, _ in timed)
    if not widths:
        return Split(delimiter, cut, 0, [])
    width = widths.most_common(1)[0][0]
    places = Counter(place for number, place in timed if len(cut[number]) == width)
    column = places.most_common(1)[0][0]
    data = sorted(
        number for number, place in timed if place == column and len(cut[number]) == width
    )
    return Split(delimiter, cut, width, data)


def foreign_rows(lines: Sequence[str], overrides: TakeIn) -> list[int]:
    """Return which of the lines above the data are rows themselves, as of another export.

    A title may hold a time, but hardly two of them a time and a number in fields of their own.
    """
    timed, valued = [], []
    for number, line in enumerate(lines):
        rows = [cut_line(line, delimiter) for delimiter in DELIMITERS]
        rows = [row for row in rows if len(row) > 1 and timed_places(row, overrides)]
        timed += [number] if rows else []
        valued += (
            [number] if any(has_value(row, timed_places(row, overrides)) for row in rows) else []
        )
    if not valued or (len(valued) == 1 and not _is_header(lines[: valued[0]])):
        return []
    span = range(valued[0], max(timed) + 1)
    return [number for number in span if lines[number].strip()]


def has_value(row: Sequence[str], besides: Sequence[int] = ()) -> bool:
    """True where a cell besides some is a number; 1 may be the unit of a ratio."""
    cells = [cell.strip() for place, cell in enumerate(row) if place not in besides]
    return any(_NUMBER.fullmatch(cell) is not None and cell != "1" for cell in cells)


def _is_header(lines: Sequence[str]) -> bool:
    """True where the last of the lines names a time column among others."""
    last = lines[-1] if lines else ""
    return any(
        len(row) > 1 and any(plain(cell.strip()) in TIME_WORDS for cell in row)
        for row in (cut_line(last, delimiter) for delimiter in DELIMITERS)
    )


def cut_line(line: str, delimiter: str) -> list[str]:
    """Return the fields of a line, the whole line where it cannot be cut."""
    try:
        # A lone CR within a line is a sign like any other here, as it is when the data is cut.
        return next(csv.reader([line.replace("\r", " ")], delimiter=delimiter), [])
    except csv.Error:  # a field longer than the parser takes
        return [line]


def first_few(cells: Iterable[str], count: int) -> list[str]:
    """Return the first different ones of some cells that are not empty."""
    return list(dict.fromkeys(filter(None, cells)))[:count]


def timed_places(row: Sequence[str], overrides: TakeIn) -> list[int]:
    """Return the places of a row's cells that hold times, or dates where a clock stands apart."""
    cells = [cell.strip() for cell in row]
    whole = [place for place, cell in enumerate(cells) if _is_time(cell, overrides.time_format)]
    if whole:
        return whole
    clocks = first_few(filter(is_clock, cells), MAX_CLOCKS)
    return [
        place
        for place, cell in enumerate(cells)
        if clocks
        and (
            is_date(cell)
            or any(_is_time(f"{cell} {clock}", overrides.time_format) for clock in clocks)
        )
    ]


def _is_time(cell: str, pattern: str | None) -> bool:
    is_known = time_form(cell) is not None
    if pattern is None or is_known:
        return is_known
    try:
        datetime.strptime(cell, pattern)
    except ValueError:
        return False
    return True
