"""Whether the last line of a text that has no line end is whole, or was cut off within a number."""

from __future__ import annotations

import re
from collections.abc import Sequence

_NUMBER = re.compile(r"[+-]?[\d.,' ]*?([.,]?)(\d*)")


def is_cut_off(cell: str, others: Sequence[str]) -> bool:
    """True where the last cell of a file may go on, by the cells above it in its column.

    A number is whole where it has as many decimals as any of them, or as many digits where none
    has decimals; what else holds digits where it is as long as any. Cut words are no known words.
    """
    filled = [other for other in map(str.strip, others) if any(map(str.isdigit, other))]
    if not cell.strip():
        return all(map(str.strip, others))
    if not any(map(str.isdigit, cell)):
        return False
    numbers = [_NUMBER.fullmatch(text) for text in (cell.strip(), *filled)]
    signs = {match[1] for match in numbers if match} - {""}
    if None in numbers or not signs:
        return len(cell.strip()) < max(map(len, filled), default=len(cell) + 1)
    decimals = [len(match[2]) if match and match[1] else 0 for match in numbers]
    return len(signs) > 1 or decimals[0] != max(decimals[1:], default=-1)
