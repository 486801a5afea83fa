"""How a controller numbers the rows in its step counter, from the numbers that it showed."""

from __future__ import annotations

from collections.abc import Sequence

_PLACES = 100  # as in 203: compartment 2, row 3
_MAX_ROWS = _PLACES - 1


def row_numbers(shown: Sequence[int], *, is_shared: bool) -> list[range | Sequence[int]]:
    """Return the number of each row, a list a compartment; a number left out is a row not pulsed.

    Args:
        shown: numbers that the counter stepped through, rising.
        is_shared: it is the only counter; one of several may begin where the one before ended.
    """
    if not shown:
        return [range(1, 2)]
    parts = _by_hundreds(shown)
    if parts and (is_shared or len(parts) == 1):
        return parts
    if shown[-1] > _MAX_ROWS:
        return [shown]
    first = 1 if is_shared or shown[0] <= 1 else shown[0]
    return [range(min(first, shown[0]), shown[-1] + 1)]


def _by_hundreds(shown: Sequence[int]) -> list[range | Sequence[int]]:
    """Return numbers `crr` by compartment, nothing where one leaves a gap or has no row 1."""
    rows: dict[int, int] = {}
    for number in shown:
        compartment, row = divmod(number, _PLACES)
        if not compartment or (compartment not in rows and row != 1):
            return []
        rows[compartment] = row
    if list(rows) != list(range(min(rows), max(rows) + 1)):
        return []
    return [range(_PLACES * c + 1, _PLACES * c + last + 1) for c, last in rows.items()]
