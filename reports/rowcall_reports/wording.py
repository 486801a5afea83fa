"""Words for people: names made safe for Markdown, tables, numbers with units, places, times."""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Hashable, Iterable, Sequence
from datetime import date, datetime, time, timedelta, tzinfo
from typing import TypeVar

from rowcall import units

Item = TypeVar("Item")

NO_VALUE = "-"
percent, significant = units.percent, units.significant
_WIDEST_PADDED = 110  # a table wider than this wraps in a text mail, where padding only hurts
WEEKDAYS = ("Monday", "Tuesday", "Wednesday", "Thursday", "Friday", "Saturday", "Sunday")
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")

# What Markdown would read as a mark. An underscore inside a word and a lone `<` mean nothing to
# it and stay bare, so that tag names stay readable in the text part of a mail.
_SPECIAL = re.compile(r"[\\`*\[\]|~$&]|<(?=[A-Za-z/!?])|(?<![^\W_])_|_(?![^\W_])")
_AT_START = re.compile(r"^([-+=>#@]|\d{1,9}(?=[.)](?:\s|$)))")


def escape(text: str) -> str:
    """Return foreign text (names, tags, sentences) as plain characters on one Markdown line."""
    line = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    safe = _SPECIAL.sub(lambda match: "\\" + match[0], line)
    return _AT_START.sub(
        lambda match: match[1] + "\\" if match[1].isdigit() else "\\" + match[1], safe
    )


def lower_first(text: str) -> str:
    """Return a title as it stands within a sentence."""
    return f"{text[0].lower()}{text[1:]}"


def bullets(sentences: Iterable[str]) -> str:
    """Return foreign sentences as a Markdown list."""
    return "\n".join(f"- {escape(sentence)}" for sentence in sentences)


def table(head: Sequence[str], rows: Iterable[Sequence[str]], right: Iterable[int] = ()) -> str:
    """Return a Markdown table; cells are Markdown already, columns `right` hold numbers."""
    lines = [list(head), *(list(row) for row in rows)]
    widths = [max(3, *(len(line[i]) for line in lines)) for i in range(len(head))]
    if sum(widths) + 3 * len(widths) > _WIDEST_PADDED:
        widths = [3] * len(head)
    flush = set(right)
    rule = ["-" * (n - 1) + ":" if i in flush else "-" * n for i, n in enumerate(widths)]
    body = [
        [cell.rjust(n) if i in flush else cell.ljust(n) for i, (cell, n) in enumerate(cells)]
        for cells in (list(zip(line, widths, strict=True)) for line in lines)
    ]
    return "\n".join("| " + " | ".join(line) + " |" for line in [body[0], rule, *body[1:]])


def number(value: float | None, digits: int = 0) -> str:
    """Return a number with fixed decimals and thousands separated, or a dash for none."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    return units.number(value, digits)


def measure(value: float | None, unit: str, digits: int, scale: float = 1.0) -> str:
    """Return `value / scale` with its unit, or a dash where there is no value."""
    if value is None or not math.isfinite(value):
        return NO_VALUE
    return f"{number(value / scale, digits)} {unit}".strip()


def quantity(value: float, scale: units.Scale) -> str:
    """Return a quantity of the inside unit in that of a scale, or a dash where it is not known."""
    return scale.show(value) if math.isfinite(value) else NO_VALUE


ScaleOf = Callable[[units.Units], units.Scale]


def fixed(words: str, decimals: int, factor: float = 1.0) -> ScaleOf:
    """Return the scale of a kind of quantity that is written alike at every plant."""
    return lambda shown: units.Scale(factor, words, decimals)


def count(n: int, thing: str, things: str = "") -> str:
    """Return `1 row`, `3 rows`."""
    return f"{n:,} {thing if n == 1 else things or thing + 's'}"


def spans(numbers: Iterable[int]) -> str:
    """Return whole numbers with runs joined: 1, 2, 3, 7 -> `1-3, 7`."""
    runs: list[list[int]] = []
    for n in sorted(set(numbers)):
        if runs and n == runs[-1][1] + 1:
            runs[-1][1] = n
        else:
            runs.append([n, n])
    return ", ".join(_span(low, high) for low, high in runs)


def _span(low: int, high: int) -> str:
    if low == high:
        return str(low)
    return f"{low}, {high}" if high == low + 1 else f"{low}-{high}"


def places(pairs: Iterable[tuple[int, int]], word: str = "row") -> str:
    """Return (compartment, row) pairs in words, 0 meaning all: `compartment 1, rows 3, 7`.

    word: what the second number counts.
    """
    rows_of: dict[int, set[int]] = {}
    for compartment, row in pairs:
        rows_of.setdefault(compartment, set()).add(row)
    alike: dict[tuple[int, ...], list[int]] = {}
    for compartment, rows in sorted(rows_of.items()):
        alike.setdefault(tuple(sorted(rows)), []).append(compartment)
    return "; ".join(_place(compartments, rows, word) for rows, compartments in alike.items())


def _place(compartments: Sequence[int], rows: Sequence[int], word: str) -> str:
    named = [n for n in compartments if n]
    parts = []
    if named:
        parts.append(f"compartment{'s' if len(named) > 1 else ''} {spans(named)}")
    if 0 in compartments and (named or not any(rows)):
        parts.append("whole baghouse")
    if any(rows):
        real = [n for n in rows if n]
        parts.append(f"{word}{'s' if len(real) > 1 else ''} {spans(real)}")
    return ", ".join(parts)


def long_day(day: date) -> str:
    """Return a day as `Tuesday 2026-11-24`, whatever the locale."""
    return f"{WEEKDAYS[day.weekday()]} {day.isoformat()}"


def day_in_sentence(day: date, today: date) -> str:
    """Return a day as `16 Nov`, with its year where that is not today's, whatever the locale."""
    year = "" if day.year == today.year else f" {day.year}"
    return f"{day.day} {MONTHS[day.month - 1]}{year}"


def clock(moment: datetime | None, zone: tzinfo) -> str:
    """Return a UTC moment as plant-local date and time."""
    return moment.astimezone(zone).strftime("%Y-%m-%d %H:%M") if moment else NO_VALUE


def period(start: datetime | None, end: datetime | None, zone: tzinfo) -> str:
    """Return a span of UTC moments in plant-local time, the date said once where it can be."""
    if start is None or end is None:
        return clock(start or end, zone) if start or end else ""
    first, last = start.astimezone(zone), end.astimezone(zone)
    begin = first.strftime("%Y-%m-%d %H:%M")
    if first.date() == last.date():
        return f"{begin} to {last.strftime('%H:%M')}"
    if last.time() == time() and last.date() - first.date() == timedelta(days=1):
        return f"{begin} to 24:00"
    return f"{begin} to {last.strftime('%Y-%m-%d %H:%M')}"


def duration(seconds: float) -> str:
    """Return a length of time in the unit that reads best."""
    for unit, size in (("h", 3600.0), ("min", 60.0)):
        if seconds >= 2 * size:
            return f"{significant(seconds / size)} {unit}"
    return f"{significant(seconds)} s"


def age(days: float) -> str:
    """Return an age in the unit that reads best: `40 days`, `8 months`, `3.2 years`."""
    for unit, size in (("years", 365.25), ("months", 365.25 / 12)):
        if days >= 2 * size:
            return f"{significant(days / size, 2)} {unit}"
    return count(round(days), "day")


def change(now: float, before: float | None) -> str:
    """Return how much `now` is above or below `before`, in whole percent."""
    if not before or math.isnan(before):
        return NO_VALUE
    whole = round(100 * (now / before - 1))
    return f"{whole:+d} %" if whole else "0 %"


def grouped(items: Iterable[Item], key: Callable[[Item], Hashable]) -> list[list[Item]]:
    """Return items of the same key together, in the order of the first of each."""
    groups: dict[Hashable, list[Item]] = {}
    for item in items:
        groups.setdefault(key(item), []).append(item)
    return list(groups.values())


def without_numbers(text: str) -> str:
    """Return a sentence with its numbers blanked, to find sentences that say the same."""
    return re.sub(r"\d+(?:[.,]\d+)*", "#", text)
