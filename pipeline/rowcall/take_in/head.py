"""The head of a text export: delimiter, header lines, units line, and where the data begins."""

from __future__ import annotations

import csv
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

from rowcall.errors import ExportError
from rowcall.site import TakeIn
from rowcall.take_in.layout import TAG_WORDS, TIME_WORDS, VALUE_WORDS
from rowcall.take_in.time_forms import time_form

_HEAD_BYTES = 262_144
_HEAD_LINES = 200
_DELIMITERS = (";", "\t", "|", ",")


@dataclass(frozen=True, slots=True)
class Head:
    """What the first lines of a text export say.

    Attributes:
        delimiter: the character between fields.
        names: column names without quotes and padding; empty where a column has none.
        units: the units line under the header, one text a column; empty without such a line.
        data_line: 1-based number of the first line of data.
        sample: the first rows of data, each as long as `names`.
    """

    delimiter: str
    names: tuple[str, ...]
    units: tuple[str, ...]
    data_line: int
    sample: tuple[tuple[str, ...], ...]


@dataclass(frozen=True, slots=True)
class _Split:
    """The head's lines cut at one delimiter: field count, time column and rows of data."""

    delimiter: str
    lines: list[list[str]]
    width: int
    data: list[int]


def read_head(file: str, text: bytes, pins: TakeIn) -> Head:
    """Find out how a text export is written.

    Raises:
        ExportError: no header, no data, or no times under any delimiter.
    """
    lines = _first_lines(text)
    choices = (pins.delimiter,) if pins.delimiter else _DELIMITERS
    splits = [_split(lines, delimiter, pins) for delimiter in choices]
    best = max(splits, key=lambda split: len(split.data))
    if not best.data:
        raise ExportError(_no_data(file, lines))
    first = best.data[0]
    above = [
        number
        for number in range(first)
        if any(cell.strip() for cell in best.lines[number])
        and best.width - 1 <= len(best.lines[number]) <= best.width
    ]
    if not above:
        raise ExportError(
            f"{file}: line {first + 1} holds data, but no line above it names its "
            f"{best.width} columns; export the file with a header line."
        )
    header = _header(best, above, pins)
    below = [number for number in above if number > header]
    return Head(
        delimiter=best.delimiter,
        names=_fitted(best.lines[header], best.width),
        units=_fitted(best.lines[below[0]], best.width) if below else (),
        data_line=first + 1,
        sample=tuple(
            tuple(best.lines[number])
            for number in best.data
            if len(best.lines[number]) == best.width
        ),
    )


def _first_lines(text: bytes) -> list[str]:
    head = text[:_HEAD_BYTES].decode(errors="ignore").split("\n")
    if len(text) > _HEAD_BYTES and len(head) > 1:
        head.pop()
    return [line.rstrip("\r") for line in head[:_HEAD_LINES]]


def _split(lines: Sequence[str], delimiter: str, pins: TakeIn) -> _Split:
    cut = [next(csv.reader([line], delimiter=delimiter), []) for line in lines]
    timed = [(number, place) for number, row in enumerate(cut) for place in _timed(row, pins)]
    widths = Counter(len(cut[number]) for number, _ in timed if len(cut[number]) > 1)
    if not widths:
        return _Split(delimiter, cut, 0, [])
    width = widths.most_common(1)[0][0]
    places = Counter(place for number, place in timed if len(cut[number]) == width)
    column = places.most_common(1)[0][0]
    data = sorted(
        number for number, place in timed if place == column and len(cut[number]) == width
    )
    return _Split(delimiter, cut, width, data)


def _timed(row: Sequence[str], pins: TakeIn) -> list[int]:
    """Return the places of a row's cells that hold times."""
    return [place for place, cell in enumerate(row) if _is_time(cell.strip(), pins.time_format)]


def _is_time(cell: str, pattern: str | None) -> bool:
    if pattern is None or time_form(cell) is not None:
        return time_form(cell) is not None
    try:
        datetime.strptime(cell, pattern)
    except ValueError:
        return False
    return True


def _header(split: _Split, above: Sequence[int], pins: TakeIn) -> int:
    """Choose the line with the column names among the lines above the data."""
    named = (pins.time_column, pins.tag_column, pins.value_column, pins.quality_column)
    wanted = {name.strip().casefold() for name in named if name}
    words = TIME_WORDS | TAG_WORDS | VALUE_WORDS
    for known in (wanted, words):
        for number in above:
            if known & {" ".join(cell.casefold().split()) for cell in split.lines[number]}:
                return number
    full = [number for number in above if all(cell.strip() for cell in split.lines[number])]
    return full[0] if full else above[0]


def _fitted(row: Sequence[str], width: int) -> tuple[str, ...]:
    cells = [cell.strip() for cell in row]
    return tuple(cells + [""] * (width - len(cells)))


def _no_data(file: str, lines: Sequence[str]) -> str:
    filled = [number for number, line in enumerate(lines, start=1) if line.strip()]
    shown = lines[filled[-1] - 1][:60] if filled else ""
    return (
        f"{file}: no line of data was found (line {filled[-1] if filled else 1} holds {shown!r}); "
        "if the file has data, give take_in.delimiter and take_in.time_format in the site file."
    )
