"""What was understood of an export, as text for a person."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from datetime import datetime, tzinfo

from rowcall.errors import printable
from rowcall.look.tag_stats import Looked, TagLook
from rowcall.look.understanding import times
from rowcall.take_in.cells.overrides import toml_value

_HEADINGS = ("tag", "points", "step", "kept as", "longest gap", "bad", "uncertain", "values")
_TEXT_COLUMNS = ("tag", "kept as", "values")


def shown(one: Looked) -> str:
    """Return the text that `rowcall look` prints of one export."""
    blocks = ["\n".join(printable(line) for line in [one.name, *_facts(one)])]
    if one.tags:
        blocks.append("\n".join(_table([_HEADINGS, *(_row(tag) for tag in one.tags)])))
    blocks.append(_overrides(one))
    lines = "\n\n".join(blocks).split("\n")
    return "\n".join(map(printable, lines)) + "\n"


def _facts(one: Looked) -> Iterator[str]:
    for heading, text in one.written:
        yield f"  {heading:<12}{text}"
    if one.first is not None and one.last is not None:
        yield f"  {'span':<12}{_instant(one.first, one.zone)} to {_instant(one.last, one.zone)}"
    yield f"  {'rows':<12}{one.rows_read:,} read, {one.samples:,} of them samples"
    if one.status_words:
        words = ", ".join(f"{word!r} {times(count)}" for word, count in one.status_words[:8])
        yield f"  {'words':<12}in the place of a value, kept as bad samples: {words}"
    jumps, first = one.jumps
    if jumps:
        yield (
            f"  {'clock':<12}the time runs back {times(jumps)} (first on line "
            f"{first:,}); of samples at one instant the last one counts"
        )
    for aside in one.aside:
        yield (
            f"  {'set aside':<12}{aside.rows:,} because {aside.reason} "
            f"(first on line {aside.first_line})"
        )
    if not one.aside:
        yield f"  {'set aside':<12}nothing"


def _instant(instant: datetime, zone: tzinfo | None) -> str:
    if zone is None:
        return f"{instant:%Y-%m-%d %H:%M:%S} wall time"
    return f"{instant.astimezone(zone):%Y-%m-%d %H:%M:%S%z}"


def _row(tag: TagLook) -> tuple[str, ...]:
    values = "no number"
    if math.isfinite(tag.lowest):
        values = printable(f"{tag.lowest:g} to {tag.highest:g} {tag.unit}").strip()
    return (
        printable(tag.name),
        f"{tag.points:,}",
        _seconds(tag.step_s),
        tag.sample.value if tag.points > 2 else "?",
        _seconds(tag.longest_gap_s),
        f"{tag.bad:,}",
        f"{tag.uncertain:,}",
        values,
    )


def _seconds(seconds: float) -> str:
    if not math.isfinite(seconds):
        return "?"
    for size, unit in ((86_400.0, "d"), (3_600.0, "h"), (60.0, "min")):
        if seconds >= 2 * size:
            return f"{seconds / size:.3g} {unit}"
    return f"{seconds:.3g} s"


def _table(rows: Sequence[Sequence[str]]) -> Iterator[str]:
    widths = [max(len(cell) for cell in cells) for cells in zip(*rows, strict=True)]
    for row in rows:
        cells = [
            cell.ljust(width) if heading in _TEXT_COLUMNS else cell.rjust(width)
            for cell, width, heading in zip(row, widths, _HEADINGS, strict=True)
        ]
        yield ("  " + "  ".join(cells)).rstrip()


def _overrides(one: Looked) -> str:
    lines = [f"{key} = {toml_value(value)}" for key, value in one.overrides]
    begin = "  For exports that are all written like this one, put into the site file:"
    return "\n".join([begin, "", "[take_in]", *lines])
