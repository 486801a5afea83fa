"""CSV as rowcall writes it: no spreadsheet takes a cell for a formula, and no text is lost.

A spreadsheet runs a cell that begins with `=`, `+`, `-`, `@` (also full-width, also after blanks),
a tab or a line end (OWASP, "CSV Injection"). Such a cell gets an apostrophe before it, save a plain
number. So does one that begins so behind apostrophes: taking one off gives each text back.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterable, Sequence

_FORMULA = re.compile("'*(?:\\s*[=+\\-@\uff1d\uff0b\uff0d\uff20]|[\t\r\n])")
_NUMBER = re.compile(r"[+-]?[.,]?[0-9][0-9.,]*(?:[eE][+-]?[0-9]+)?")


def to_csv(head: Sequence[str], lines: Iterable[Sequence[object]]) -> str:
    """Return a table as CSV (RFC 4180); numbers and texts are written as `cell_of` has them."""
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\r\n")
    writer.writerow(head)
    writer.writerows([cell_of(str(value)) for value in line] for line in lines)
    return out.getvalue()


def cell_of(text: str) -> str:
    """Return a text as the content of a cell that a spreadsheet shows."""
    return f"'{text}" if _FORMULA.match(text) and not _NUMBER.fullmatch(text) else text


def text_of(cell: str) -> str:
    """Return the text that `cell_of` made a cell of."""
    return cell[1:] if cell.startswith("'") and _FORMULA.match(cell) else cell
