"""How an export is written, in plain sentences and as the site file would give it."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import tzinfo

from rowcall.site import TakeIn
from rowcall.take_in.cells.overrides import SiteValue, listed
from rowcall.take_in.cells.quality_codes import numbering_of
from rowcall.take_in.cells.time_formats import plain_pattern
from rowcall.take_in.cells.timestamps import Order
from rowcall.take_in.sniff.layout import Layout
from rowcall.take_in.sniff.preamble import Head

_DELIMITERS = {";": "semicolons", "\t": "tabs", "|": "upright strokes", ",": "commas"}
_NUMBERINGS = {
    "words": "words",
    "opc_ua": "status codes of OPC UA (0 is good)",
    "older_numbers": "the older numbers (192 is good, 0 is bad)",
    None: "words and numbers mixed",
}
_UTC = re.compile(
    r"^(?!.*local).*?(?<![^\W_])utc(?!\s*[+\-\u2212\u00b1]?\s*\d|[^\W\d_])"
)  # no UTC+1
_PER_SECOND = {"s": "seconds", "ms": "milliseconds", "us": "microseconds", "ns": "nanoseconds"}


@dataclass(frozen=True, slots=True, kw_only=True)
class Understood:
    """How one export is written.

    Attributes:
        opened: cells and layout, with the order of day and month settled.
        head: the first lines of a text export, None for Parquet.
        encoding: of a text export; empty for Parquet.
        is_typed: the times are typed instants, not text.
        is_utc: the times say their offset from UTC.
        has_missing_hour: there are times in the hour that spring skips.
        order: what decided day-first or month-first; None where that was never open.
        qualities: the different texts of the quality columns and their counts.
    """

    names: tuple[str, ...]
    layout: Layout
    head: Head | None
    container: str
    encoding: str
    is_typed: bool
    is_utc: bool
    has_missing_hour: bool
    order: Order | None
    zone: tzinfo | None
    qualities: tuple[tuple[str, int], ...]


def sentences(one: Understood) -> Iterator[tuple[str, str]]:
    """Return pairs of a heading and what was understood."""
    layout, names = one.layout, one.names
    yield "file", one.container + (f", encoding {one.encoding}" if one.encoding else "")
    if one.head is not None:
        cut = _DELIMITERS[one.head.delimiter]
        yield "fields", f"cut at {cut}; the decimal sign is {one.layout.decimal!r}"
        yield "lines", _lines(one.head)
    if layout.tag is None:
        whole = f"wide: one time column and {len(layout.values)} columns of a tag each"
        if layout.equipment is not None:
            whole += f", for each piece of equipment that column {names[layout.equipment]!r} names"
        yield "layout", whole
    else:
        value = next(iter(layout.values))
        yield "layout", f"long: tags in column {names[layout.tag]!r}, values in {names[value]!r}"
    if out := layout.left_out(names):
        yield (
            "left out",
            f"{listed(out)}: no time, tag, value or quality of the samples",
        )
    yield "times", _times(one)
    yield "zone", _zone(one)
    yield "quality", _quality(one)


def _lines(head: Head) -> str:
    names = f"names on line {head.header_line}" if head.header_line else "names by the site file"
    units = f"units on line {head.units_line}" if head.units_line else "no units line"
    return f"{names}, {units}, data from line {head.data_line}"


def _times(one: Understood) -> str:
    layout, names = one.layout, one.names
    columns = " and ".join(repr(names[place]) for place in layout.time_places)
    written = f"in column {columns}" if layout.clock is None else f"in columns {columns}, joined"
    if one.is_typed:
        return f"{written}, typed as instants"
    if layout.form.epoch:
        return f"{written}, as {_PER_SECOND[layout.form.epoch]} since 1970"
    written += f", written as {plain_pattern(layout.form)}"
    if one.order is not None:
        written += f", {'day' if one.order.day_first else 'month'} first ({one.order.why})"
    return written


def _zone(one: Understood) -> str:
    if one.is_utc:
        return "the times say their offset from UTC, or are UTC"
    if one.zone is not None:
        read_as = f"wall time without an offset, read in the zone {one.zone}"
        if one.has_missing_hour:
            read_as += "; the hour that spring skips is there, so the times may be UTC or winter "
            read_as += 'time all year: then time_zone is "UTC", or that offset, such as "+01:00"'
        return read_as
    return (
        "wall time without an offset: it needs the plant's zone (time_zone under [plant] in the "
        "site file), so the hours that the clocks skip or repeat are not resolved here"
    )


def _quality(one: Understood) -> str:
    if not one.layout.quality:
        return "there is no column of qualities, so every value counts as good"
    texts = [text for text, _ in one.qualities]
    shown = ", ".join(f"{text or 'empty'!r} {times(count)}" for text, count in one.qualities[:8])
    coding = one.layout.coding
    numbering = numbering_of((text for text in texts if not _is_told(one, text)), coding)
    read_as = f"{_NUMBERINGS[numbering]}: {shown}"
    if coding.numbering is None and {text for text in texts if text} == {"0"} and not coding.words:
        read_as += "; all 0 is taken for all good, as in OPC UA, where the older numbers mean bad"
    return read_as


def times(count: int) -> str:
    """Write how often something occurs."""
    return "once" if count == 1 else f"{count:,} times"


def _is_told(one: Understood, text: str) -> bool:
    return text.lower() in one.layout.coding.words


def overrides_of(one: Understood, overrides: TakeIn) -> Iterator[tuple[str, SiteValue]]:
    """Return the keys of `[take_in]` that settle how this export is written."""
    layout, names = one.layout, one.names
    if one.head is not None:
        yield "encoding", one.encoding
        yield "delimiter", one.head.delimiter
        yield "decimal", one.layout.decimal or "."
        if one.head.header_line:
            yield "header_line", one.head.header_line
        else:
            yield "column_names", names
        yield "units_line", one.head.units_line
    yield "layout", "wide" if layout.tag is None else "long"
    yield "time_column", names[layout.time]
    if layout.clock is not None:
        yield "clock_column", names[layout.clock]
    if layout.equipment is not None:
        yield "equipment_column", names[layout.equipment]
    if not one.is_typed:
        yield "time_format", plain_pattern(layout.form)
    if time_zone := _time_zone(one, overrides):
        yield "time_zone", time_zone
    if layout.tag is not None:
        value = next(iter(layout.values))
        yield "tag_column", names[layout.tag]
        yield "value_column", names[value]
        if value in layout.quality:
            yield "quality_column", names[layout.quality[value]]
    yield from _quality_overrides(one, overrides)


def _time_zone(one: Understood, overrides: TakeIn) -> str | None:
    """Return the zone of wall times: as the site file says, or the column's name where it says UTC.

    Times in the hour that spring skips do not show which offset they have.
    """
    if one.is_utc:
        return None
    says_utc = any(_UTC.search(one.names[at].casefold()) for at in one.layout.time_places)
    return overrides.time_zone or ("UTC" if says_utc else None)


def _quality_overrides(one: Understood, overrides: TakeIn) -> Iterator[tuple[str, SiteValue]]:
    coding = one.layout.coding
    texts = [text for text, _ in one.qualities if not _is_told(one, text)]
    numbering = numbering_of(texts, coding)
    if one.layout.quality and numbering is not None:
        yield "quality", numbering
    for key in ("quality_good", "quality_uncertain", "quality_bad", "bad_values"):
        if words := getattr(overrides, key):
            yield key, words
