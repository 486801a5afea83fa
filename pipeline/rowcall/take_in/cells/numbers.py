"""A column of values as numbers, with the words that stand for a bad sensor kept apart."""

from __future__ import annotations

import math
import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum
from typing import TYPE_CHECKING

import polars as pl

from rowcall.errors import ExportError
from rowcall.take_in.cells.overrides import edit, shown

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

# Words that exports put in the place of a number when there was none; compared in lower case
# without what is neither letter nor digit.
_STATUS_WORDS = re.compile(
    "bad(input|quality|value|data)?|no(data|value)|not(connected|available)|null|none|nan|na"
    "|error|fault|fail(ed|ure)?|(io)?timeout|invalid|(comm|communication)(fail|failure|error)"
    "|offline|disconnected|outofservice|(over|under|outof)range|(over|under)flow|shutdown"
    "|unavailable|missing|unknown|div0|value|num"
)
_SIGNS = frozenset(("-", "--", "---", "*", "**", "***", "****", "?", "??", "???"))
SWITCH_WORDS = {
    word: number
    for number, words in (
        (1.0, "true on yes open opened run running active enabled"),
        (0.0, "false off no close closed stop stopped inactive disabled"),
    )
    for word in words.split()
}
# Between thousands: apostrophes, and blanks of every width (no-break, thin, narrow no-break).
_GAPS = "'\u2019 \u00a0\u2009\u202f"
_FIRST = r"[1-9]\d{0,2}"  # a number whose thousands are set apart begins with no 0
_GROUPED = {
    ".": re.compile(rf"[+-]?{_FIRST}(?:([,{_GAPS}])\d{{3}})(?:\1\d{{3}})*(?:\.\d+)?"),
    ",": re.compile(rf"[+-]?{_FIRST}(?:([.{_GAPS}])\d{{3}})(?:\1\d{{3}})*(?:,\d+)?"),
}
_POINT_GROUPS = rf"^[+-]?{_FIRST}(?:\.\d{{3}})+$"
_COMMA_DECIMAL = re.compile(
    r"[+-]?(?:0\d*|\d{4,}|\d{0,3}(?=,(?!\d{3}$))"
    rf"|{_FIRST}(?:[.{_GAPS}]\d{{3}})+),\d+(?:[eE][+-]?\d+)?"
    rf"|[+-]?{_FIRST}(?:\.\d{{3}}){{2,}}"
)
_COMMA_GROUPS = re.compile(rf"[+-]?{_FIRST}(?:,\d{{3}})+(?:,\d{{3}}|\.\d+)")
_POINT_DECIMAL = re.compile(rf"[+-]?\d*\.\d+(?:[eE][+-]?\d+)?|[+-]?{_FIRST}(?:,\d{{3}})+\.\d+")
_PERCENT = re.compile(rf"(.*\d)[{_GAPS}]?%")


class Cell(IntEnum):
    """What a value cell holds."""

    NUMBER = 0
    EMPTY = 1
    WORD = 2  # a word that says there was no good number
    OTHER = 3


@dataclass(frozen=True, slots=True)
class Values:
    """`number` (f64) is NaN unless `kind` (u8, of `Cell`) is NUMBER; also there it may be NaN."""

    number: npt.NDArray[np.float64]
    kind: npt.NDArray[np.uint8]


def values_of(
    columns: Sequence[pl.Series],
    numbers: Sequence[pl.Series],
    decimal: str,
    bad_values: Collection[str] = (),
    percents: Sequence[bool] = (),
) -> list[Values]:
    """Return the values of columns of text, or of ones typed as numbers or truth values.

    Args:
        columns: every value column of one export.
        numbers: the columns as numbers with a decimal point, null where a cell is none.
        decimal: the decimal sign.
        bad_values: further words in the place of a number, in lower case.
        percents: whether a column holds percentages instead of plain numbers; nothing: none does.
    """
    texts = [
        cells.cast(pl.String)
        if isinstance(cells.dtype, (pl.Categorical, pl.Enum)) or cells.dtype.is_temporal()
        else cells
        for cells in columns
    ]
    return [
        _told_apart(cells, number, decimal, bad_values, is_percent=is_percent)
        if number.null_count()
        else Values(number.to_numpy(), number.is_null().to_numpy().astype("u1"))
        for cells, number, is_percent in zip(
            texts,
            numbers if decimal == "." else _cast(texts, decimal),
            percents or [False] * len(texts),
            strict=True,
        )
    ]


def settled_decimal(cells: pl.Series, place: str) -> str:
    """Decide from texts of values whether a comma is the decimal sign; `place` names the file."""
    unread = [cell.removesuffix("%").rstrip() for cell in _unread([cells], ".")]
    odd = [cell for cell in unread if "," in cell or cell.count(".") > 1]
    by_comma = [cell for cell in odd if _COMMA_DECIMAL.fullmatch(cell)]
    in_groups = [cell for cell in odd if _COMMA_GROUPS.fullmatch(cell)]
    open_ = [cell for cell in odd if _GROUPED["."].fullmatch(cell)]
    against = in_groups
    if by_comma and not against:
        against = plain_points(cells)
    if by_comma and not against:
        return ","
    if not by_comma and (in_groups or not open_):
        return "."
    both = f"{shown(by_comma[0])} and {shown(against[0])}" if by_comma else f"{shown(open_[0])}"
    raise ExportError(
        f"{place}: values such as {both} leave open whether the comma is the decimal sign; "
        f'give {edit("decimal", ",")} (or ".") in the site file.'
    )


def plain_points(cells: pl.Series) -> list[str]:
    """Return a number of a column whose point can but be the decimal sign; nothing without one."""
    cell = pl.col("cell")
    pointed = cells.alias("cell").to_frame().filter(cell.str.contains(".", literal=True))
    bare = pointed.select(cell.str.strip_chars().str.strip_chars_end("%").str.strip_chars_end())
    is_number = cell.cast(pl.Float64, strict=False).is_not_null()
    plain = bare.filter(is_number & ~cell.str.contains(_POINT_GROUPS))
    found: list[str] = plain["cell"].head(1).to_list()
    return found


def check_decimal(columns: Sequence[pl.Series], decimal: str, place: str) -> None:
    """Refuse text that is plainly written with the other decimal sign than the site file says.

    Raises:
        ExportError: says which setting of the site file would fit.
    """
    by_other = _COMMA_DECIMAL if decimal == "." else _POINT_DECIMAL
    against = [
        cell
        for cell in _unread(columns, decimal)
        if by_other.fullmatch(cell) and not _GROUPED[decimal].fullmatch(cell)
    ]
    if not against or any(
        cells.filter(~cells.str.strip_chars().is_in(against))
        .str.contains(decimal, literal=True)
        .any()
        for cells in columns
    ):
        return
    raise ExportError(
        f"{place}: {edit('decimal', decimal)} in the site file, but values such as "
        f"{shown(against[0])} are written otherwise, and none bears it out; "
        f"set {edit('decimal', ',' if decimal == '.' else '.')}."
    )


def _unread(columns: Sequence[pl.Series], decimal: str) -> list[str]:
    """Return the different texts that are no plain numbers."""
    return [
        str(cell).strip()
        for cells, number in zip(columns, _cast(columns, decimal), strict=True)
        for cell in cells.filter(number.is_null()).unique(maintain_order=True).to_list()
        if cell is not None
    ]


def _cast(columns: Sequence[pl.Series], decimal: str) -> list[pl.Series]:
    """Return columns as f64, null where a cell is no plain number."""
    frame = pl.DataFrame([cells.alias(str(place)) for place, cells in enumerate(columns)])
    plain = pl.all() if decimal == "." else pl.all().exclude(pl.String)
    swapped = (
        # A point in a file with decimal commas separates thousands, so it is looked at apart.
        pl.when(~pl.col(pl.String).str.contains(".", literal=True))
        .then(pl.col(pl.String).str.replace(",", ".", literal=True))
        .cast(pl.Float64, strict=False)
    )
    return frame.with_columns(
        plain.cast(pl.Float64, strict=False), *([] if decimal == "." else [swapped])
    ).get_columns()


def _told_apart(
    cells: pl.Series,
    number: pl.Series,
    decimal: str,
    bad_values: Collection[str],
    *,
    is_percent: bool,
) -> Values:
    """Look closer at the cells that are no plain numbers, once for each different text."""
    rows = number.is_null().arg_true().to_numpy()
    trimmed = cells[rows].cast(pl.String).fill_null("").str.strip_chars()
    (again,) = _cast([trimmed], decimal)
    value = number.fill_null(math.nan).to_numpy().copy()
    kind = number.is_null().cast(pl.UInt8).to_numpy(writable=True)
    value[rows], kind[rows] = again.fill_null(math.nan).to_numpy(), Cell.NUMBER
    still = again.is_null().to_numpy()
    words = trimmed.filter(again.is_null())
    meaning = {word: _tell(word, decimal, bad_values) for word in words.unique().to_list()}
    if is_percent:
        meaning = _percents(meaning, decimal) or meaning
    value[rows[still]] = [meaning[word][0] for word in words.to_list()]
    kind[rows[still]] = [meaning[word][1] for word in words.to_list()]
    return Values(value, kind)


def _percents(
    meaning: Mapping[str, tuple[float, Cell]], decimal: str
) -> dict[str, tuple[float, Cell]] | None:
    """Read percentages as the number before the sign, where the whole column has it."""
    out = dict(meaning)
    for word, (_, kind) in meaning.items():
        match = _PERCENT.fullmatch(word) if kind is Cell.OTHER else None
        if match is not None:
            (plain,) = _cast([pl.Series([match[1].rstrip()])], decimal)
            number = plain.to_list()[0]
            out[word] = _tell(match[1], decimal) if number is None else (number, Cell.NUMBER)
        if out[word][1] in (Cell.OTHER, Cell.NUMBER) and match is None:
            return None
    return out


def _tell(cell: str, decimal: str, bad_values: Collection[str] = ()) -> tuple[float, Cell]:
    if not cell:
        return math.nan, Cell.EMPTY
    if cell.lower() in bad_values:
        return math.nan, Cell.WORD
    if _GROUPED[decimal].fullmatch(cell):
        plain = "".join(sign for sign in cell if sign in "+-0123456789" or sign == decimal)
        return float(plain.replace(",", ".")), Cell.NUMBER
    word = "".join(sign for sign in cell.lower() if sign.isalnum())
    if word in SWITCH_WORDS:
        return SWITCH_WORDS[word], Cell.NUMBER
    if _STATUS_WORDS.fullmatch(word) or cell in _SIGNS:
        return math.nan, Cell.WORD
    return math.nan, Cell.OTHER
