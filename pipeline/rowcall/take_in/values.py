"""A column of values as numbers, with the words that stand for a bad sensor told apart."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt
import polars as pl

from rowcall.errors import ExportError

# Words that exports put in the place of a number when there was none; compared in lower case
# without what is neither letter nor digit.
_STATUS_WORDS = re.compile(
    "bad(input|quality|value|data)?|no(data|value)|not(connected|available)|null|none|nan|na"
    "|error|fault|fail(ed|ure)?|(io)?timeout|invalid|(comm|communication)(fail|failure|error)"
    "|offline|disconnected|outofservice|(over|under|outof)range|(over|under)flow|shutdown"
    "|unavailable|missing|unknown|div0|value|num"
)
_SIGNS = frozenset(("-", "--", "---", "*", "**", "***", "****", "?", "??", "???"))
_SWITCH_WORDS = {
    word: number
    for number, words in ((1.0, ("true", "on", "yes")), (0.0, ("false", "off", "no")))
    for word in words
}
_GROUPED = {
    ".": re.compile(r"[+-]?\d{1,3}(?:([,' \u00a0\u202f])\d{3})(?:\1\d{3})*(?:\.\d+)?"),
    ",": re.compile(r"[+-]?\d{1,3}(?:([.' \u00a0\u202f])\d{3})(?:\1\d{3})*(?:,\d+)?"),
}
_COMMA_DECIMAL = re.compile(
    r"[+-]?(?:0\d*|\d{4,}|\d{0,3}(?=,(?!\d{3}$))|\d{1,3}(?:[.' ]\d{3})+),\d+(?:[eE][+-]?\d+)?"
)
_COMMA_GROUPS = re.compile(r"[+-]?\d{1,3}(?:,\d{3})+(?:,\d{3}|\.\d+)")


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


def values_of(cells: pl.Series, decimal: str) -> Values:
    """Return the numbers of a column of text, or of one typed as number or truth value."""
    if cells.dtype != pl.String and not isinstance(cells.dtype, (pl.Categorical, pl.Enum)):
        number = cells.cast(pl.Float64, strict=False)
        kind = cells.is_null().cast(pl.UInt8).to_numpy()
        return Values(number.fill_null(math.nan).to_numpy(), kind)
    text = cells.cast(pl.String)
    number = _cast(text, decimal)
    if not number.null_count():
        return Values(number.to_numpy(), np.zeros(len(number), np.uint8))
    return _told_apart(text.fill_null(""), number, decimal)


def settle_decimal(columns: Sequence[pl.Series], place: str) -> str:
    """Decide from every value cell of a file whether decimals follow a point or a comma.

    Raises:
        ExportError: the file does not decide it; `place` names the file.
    """
    with_comma = [
        cells.filter(cells.str.contains(",", literal=True)) for cells in columns if len(cells)
    ]
    odd = [cells for cells in with_comma if cells.len()]
    if not odd:
        return "."
    shown = [str(cell).strip() for cells in odd for cell in cells.unique().head(10_000)]
    by_comma = [cell for cell in shown if _COMMA_DECIMAL.fullmatch(cell)]
    in_groups = [cell for cell in shown if _COMMA_GROUPS.fullmatch(cell)]
    open_ = [cell for cell in shown if _GROUPED["."].fullmatch(cell)]
    if by_comma and not in_groups:
        return ","
    if in_groups and not by_comma:
        return "."
    if not open_ and not by_comma:
        return "."
    both = f"{by_comma[0]!r} and {in_groups[0]!r}" if by_comma else f"{open_[0]!r}"
    raise ExportError(
        f"{place}: values such as {both} leave open whether the comma is the decimal sign; "
        'give take_in.decimal = "," or "." in the site file.'
    )


def _cast(text: pl.Series, decimal: str) -> pl.Series:
    if decimal == ".":
        return text.cast(pl.Float64, strict=False)
    swapped = text.str.replace(",", ".", literal=True).cast(pl.Float64, strict=False)
    # A point in a file with decimal commas separates thousands, so it is looked at apart.
    pointed = text.str.contains(".", literal=True)
    return swapped.set(pointed, None) if pointed.any() else swapped


def _told_apart(text: pl.Series, number: pl.Series, decimal: str) -> Values:
    """Look closer at the cells that are no plain numbers, once for each different text."""
    rows = np.flatnonzero(number.is_null().to_numpy())
    trimmed = text[rows].str.strip_chars()
    again = _cast(trimmed, decimal)
    value = number.fill_null(math.nan).to_numpy().copy()
    kind = np.zeros(len(value), np.uint8)
    value[rows] = again.fill_null(math.nan).to_numpy()
    still = again.is_null().to_numpy()
    words = trimmed.filter(again.is_null())
    told = {word: _tell(word, decimal) for word in words.unique().to_list()}
    value[rows[still]] = [told[word][0] for word in words.to_list()]
    kind[rows[still]] = [told[word][1] for word in words.to_list()]
    return Values(value, kind)


def _tell(cell: str, decimal: str) -> tuple[float, Cell]:
    if not cell:
        return math.nan, Cell.EMPTY
    if _GROUPED[decimal].fullmatch(cell):
        plain = "".join(sign for sign in cell if sign in "+-0123456789" or sign == decimal)
        return float(plain.replace(",", ".")), Cell.NUMBER
    word = "".join(sign for sign in cell.lower() if sign.isalnum())
    if word in _SWITCH_WORDS:
        return _SWITCH_WORDS[word], Cell.NUMBER
    if _STATUS_WORDS.fullmatch(word) or cell in _SIGNS:
        return math.nan, Cell.WORD
    return math.nan, Cell.OTHER
