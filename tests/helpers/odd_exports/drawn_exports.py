"""Exports in every written form, drawn by chance, with the truth they hold.

All is drawn from one `Random`, so that a seed repeats a case.
"""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, datetime, timedelta
from random import Random
from typing import Literal
from zoneinfo import ZoneInfo

from helpers.exports import ZONE
from helpers.odd_exports.export_case import CHANGED, HEAD, ROW, Case, Kept, Key, Piece

HOSTILE = (
    "'; DROP TABLE samples; --",
    "=1+cmd|'/C calc'!A0",
    "@SUM(A1:A9)",
    "<script>alert(1)</script>",
    "[x](javascript:alert(1)) **b** | a | b |",
    "../../../../etc/passwd",
    "C:\\CON\\..\\x",
    "{0}{compartment}%s%n",
    'a "quoted" name',
    "semi;colon, comma\ttab|bar",
    "名前 🙂",
    "\u202egnp.exe",
    "\x1b[31mred\x07",
    "a\ufeffb",
    "x" * 300,
)
_TAGS = ("BH1.PDT-100", "BH1 DP", "Öfen °C", "PT_110", "YS/0101", "7", "a.b.c:d")
_STARTS = ((2026, 3, 14, 5), (2026, 10, 24, 23), (2026, 3, 28, 23), (2025, 12, 31, 22))
_QUALITIES: tuple[Mapping[str, int], ...] = (
    {"Good": 0, "Uncertain": 1, "Bad": 2, "good; checked": 0},
    {"192": 0, "216": 0, "64": 1, "24": 2, "0": 2},
    {"0": 0, "1073741824": 1, "2147483648": 2, "0x809B0000": 2},
    {"0": 0},
)
# How an instant is written: a pattern (local time unless it says otherwise), or the number of
# parts a second has, for numbers since 1970.
_FORMS: tuple[str | int, ...] = (
    "%Y-%m-%dT%H:%M:%SZ",
    "%Y-%m-%d %H:%M:%S.%fZ",
    "%Y-%m-%d %H:%M:%S UTC",
    "%Y-%m-%dT%H:%M:%S%z",
    "%Y-%m-%d %H:%M:%S",
    "%d.%m.%Y %H:%M:%S",
    "%d.%m.%Y %H:%M:%S,%f",
    "%d/%m/%Y %H:%M:%S",
    "%m/%d/%Y %I:%M:%S %p",
    "%d-%b-%Y %H:%M",
    "%Y%m%dT%H%M%S",
    *(1, 1_000, 1_000_000, 1_000_000_000),
)
_ENCODINGS = ("utf-8", "utf-8", "utf-8-sig", "utf-16", "utf-16-le", "utf-16-be", "cp1252")
_MARKS = {"utf-8-sig": "utf-8", "utf-16": "utf-16-le"}  # begin with a byte order mark


@dataclass(frozen=True, slots=True)
class _Style:
    """How one text export is written."""

    encoding: str
    form: str | int
    delimiter: str
    decimal: str
    quoting: Literal[0, 1]  # of the csv module
    ending: str
    words: Mapping[str, int]  # qualities, empty without any

    def line(self, cells: Sequence[str], role: str, samples: Mapping[Key, Kept]) -> Piece:
        """Write a line, an empty one without cells."""
        out = io.StringIO()
        if cells:
            writer = csv.writer(
                out, delimiter=self.delimiter, quoting=self.quoting, lineterminator=""
            )
            writer.writerow(cells)
        return Piece((out.getvalue() + self.ending).encode(self.encoding), role, samples)

    def sample(self, rng: Random, sure: bool) -> tuple[list[str], Kept]:
        """Draw a value with its quality; a `sure` one leaves no doubt how the file is written."""
        shown, value = _value(rng, self.decimal, sure)
        if not self.words:
            return [shown], (value, 2 if math.isnan(value) else 0)
        word = next(iter(self.words)) if sure else rng.choice(list(self.words))
        return [shown, word], (value, 2 if math.isnan(value) else self.words[word])


_Rows = list[tuple[list[str], dict[Key, Kept]]]
_SURE = 4  # rows that a file begins with


def text_case(rng: Random) -> Case:
    """Return a valid text export, in any of the forms that rowcall promises to read."""
    mark, form = rng.choice(_ENCODINGS), rng.choice(_FORMS)
    encoding = _MARKS.get(mark, mark)
    style = _Style(
        encoding,
        form,
        rng.choice(",;\t|"),
        rng.choice(".,"),
        rng.choice((csv.QUOTE_MINIMAL, csv.QUOTE_ALL)),
        rng.choice(("\n", "\n", "\r\n")),
        rng.choice(_QUALITIES) if rng.random() < 0.7 else {},
    )
    start = datetime(*rng.choice(_STARTS), tzinfo=UTC)
    step = timedelta(seconds=rng.choice((60, 300, 1800, 3600)))
    times = [start + step * number for number in range(rng.randint(4, 40))]
    write = rng.choice((_long, _long, _wide, _wide, _by_equipment))
    is_wide = write is not _long
    names, rows = write(rng, style, _tags(rng, mark, is_wide and bool(style.words)), times)
    pieces = [style.line(cells, HEAD, {}) for cells in _head(rng, names, is_wide)]
    has_gaps = rng.random() < 0.1
    for cells, samples in rows:
        pieces += [style.line([], ROW, {})] if has_gaps and rng.random() < 0.1 else []
        pieces.append(style.line(cells, ROW, samples))
    if mark in _MARKS:
        pieces[0] = replace(pieces[0], raw="\ufeff".encode(encoding) + pieces[0].raw)
    if rng.random() < 0.3:
        raw = pieces[-1].raw.removesuffix(style.ending.encode(encoding))
        # What has no line end may be cut off: a number there need not be stored, but never wrong.
        role = ROW if style.quoting == csv.QUOTE_ALL else CHANGED
        pieces[-1] = replace(pieces[-1], raw=raw, role=role)
    is_packed = rng.random() < 0.1
    is_local = isinstance(form, str) and not form.endswith(("Z", "UTC", "%z"))
    return Case(
        rng.choice(("day.csv", "day.txt", "day.tsv")) + (".gz" if is_packed else ""),
        "",
        tuple(pieces),
        encoding,
        style.delimiter,
        is_packed,
        by_order=is_local and start.month == 10,
        by_equipment=write is _by_equipment,
    )


def _long(
    rng: Random, style: _Style, tags: Sequence[str], times: Sequence[datetime]
) -> tuple[list[str], _Rows]:
    names = ["tag", "time", "value", *(["quality"] if style.words else [])]
    points = [(tag, time) for tag in tags for time in times]
    if rng.random() < 0.5:
        points.sort(key=lambda point: point[1])
    rows: _Rows = []
    for tag, time in points:
        cells, kept = style.sample(rng, len(rows) < _SURE)
        rows.append(([tag, _written(time, style.form), *cells], {(tag, micros(time)): kept}))
    return names, rows


def _wide(
    rng: Random, style: _Style, tags: Sequence[str], times: Sequence[datetime]
) -> tuple[list[str], _Rows]:
    suffixes = ["", rng.choice((" quality", "_Status", "/validity"))][: 2 if style.words else 1]
    rows: _Rows = []
    for time in times:
        line, held = [_written(time, style.form)], {}
        for tag in tags:
            cells, kept = style.sample(rng, len(rows) < _SURE)
            if len(rows) >= _SURE and rng.random() < 0.1:
                cells[0] = ""
            else:
                held[tag, micros(time)] = kept
            line += cells
        rows.append((line, held))
    return ["Time", *(tag + suffix for tag in tags for suffix in suffixes)], rows


def _by_equipment(
    rng: Random, style: _Style, tags: Sequence[str], times: Sequence[datetime]
) -> tuple[list[str], _Rows]:
    """Draw a wide export with a row of each piece of equipment at each instant."""
    pieces = rng.choice((("BH1", "BH2"), ("Filter 1", "Filter 2", "Filter 3"), ("north", "south")))
    tags = [*tags, "T"][: max(2, len(tags))]
    rows: _Rows = []
    names: list[str] = []
    for piece in pieces:
        names, own = _wide(rng, style, tags, times)
        for (time, *cells), held in own:
            named = {(f"{piece}.{tag}", at): kept for (tag, at), kept in held.items()}
            rows.append(([time, piece, *cells], named))
    if rng.random() < 0.7:
        rows = [rows[n + len(times) * at] for n in range(len(times)) for at in range(len(pieces))]
    return [names[0], "Filter", *names[1:]], rows


def _head(rng: Random, names: Sequence[str], is_wide: bool) -> list[list[str]]:
    """Draw what stands above the data: title lines, names, units."""
    title = rng.choice(([], [], ["Ondravel Lime", *[""] * (len(names) - 1)], ["plant", "Lime"]))
    lines = [title] if title else []
    if lines and rng.random() < 0.5:
        lines.append([])
    lines.append(list(names))
    if is_wide and rng.random() < 0.3:
        lines.append(["", *(rng.choice(("mbar", "°C", "bar", "")) for _ in names[2:]), "1"])
    return lines


def _tags(rng: Random, encoding: str, has_suffixes: bool) -> list[str]:
    pool = [*_TAGS, *HOSTILE[:-1], *rng.sample(HOSTILE[-1:], rng.random() < 0.05)]
    if encoding == "cp1252":
        pool = [tag for tag in pool if _fits(tag, encoding)]
    if encoding in ("utf-16-le", "utf-16-be"):  # without a mark told by its zero bytes
        pool = [tag for tag in pool if tag.isascii()]
    if has_suffixes:
        pool = [tag for tag in pool if tag[-1].isalnum()]
    plain = [tag for tag in pool if tag in _TAGS]
    return rng.sample(plain if rng.random() < 0.5 else pool, rng.randint(1, 3))


def _fits(text: str, encoding: str) -> bool:
    try:
        text.encode(encoding)
    except UnicodeEncodeError:
        return False
    return True


def micros(time: datetime) -> int:
    """Return an aware instant as microseconds since 1970-01-01 UTC."""
    return (time - datetime(1970, 1, 1, tzinfo=UTC)) // timedelta(microseconds=1)


def _written(time: datetime, form: str | int) -> str:
    if isinstance(form, int):
        return str(micros(time) * form // 1_000_000)
    zone = UTC if form.endswith(("Z", "UTC")) else ZoneInfo(ZONE)
    return time.astimezone(zone).strftime(form)


def _value(rng: Random, decimal: str, sure: bool) -> tuple[str, float]:
    """Return a value as written and as meant."""
    if sure:
        number, draw = round(rng.uniform(0, 0.9), 2) + 0.001, 1.0
    else:
        number, draw = round(rng.uniform(-50, 50_000), 3), rng.random()
    number = round(number, 3)
    if draw < 0.04:
        return rng.choice((("Bad", math.nan), ("#N/A", math.nan), ("ON", 1.0), ("false", 0.0)))
    if draw < 0.1:
        text = f"{number:,}"
    elif draw < 0.13:
        text = f"{number:e}"
        number = float(text)
    elif draw < 0.5:
        number = float(round(number / rng.choice((1, 999))))
        text = f"{number:.0f}"
    else:
        text = str(number)
    return text.translate(str.maketrans(".,", ",.")) if decimal == "," else text, number
