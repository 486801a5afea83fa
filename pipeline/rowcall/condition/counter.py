"""Whether the numbers that a step counter shows are those that the site file has for its rows."""

from __future__ import annotations

from collections.abc import Collection

import numpy as np

from rowcall.model import Signal

_MIN_VISITS = 0.5  # chosen: of the median number's; a number seen as often is a step of the round
_MAX_LISTED = 5  # chosen: numbers written out


def unmapped_numbers(signal: Signal, mapped: Collection[int], *, is_stated: bool) -> list[int]:
    """Return the numbers of a counter that are steps of its round and no row of the site file.

    Args:
        signal: the counter.
        mapped: numbers that stand for rows.
        is_stated: the site file states them; then 0 is taken for where the counter rests.
    """
    number = np.rint(signal.value).astype(np.int64)
    if number.size == 0:
        return []
    visited, visits = np.unique(number[np.flatnonzero(np.diff(number)) + 1], return_counts=True)
    is_step = visits >= _MIN_VISITS * (np.median(visits) if visits.size else 0.0)
    unknown = set(visited[is_step].tolist()) - set(mapped)
    return sorted(unknown - {0} if is_stated else unknown)


def names_other_rows(signal: Signal, mapped: Collection[int], *, is_stated: bool) -> bool:
    """Return whether a counter that shows other numbers too would name the wrong rows.

    So it may where a row's number is missing; stated numbers are in doubt only where all are.
    """
    missing = set(mapped) - set(np.rint(signal.value).astype(np.int64).tolist())
    return len(missing) == len(mapped) if is_stated else bool(missing)


def unmapped_text(numbers: list[int]) -> str:
    """Say which numbers are not mapped, and what to do."""
    listed = ", ".join(str(number) for number in numbers[:_MAX_LISTED])
    more = ", ..." if len(numbers) > _MAX_LISTED else ""
    many = f"{len(numbers)} numbers" if len(numbers) > 1 else "a number"
    return (
        f"the counter showed {many} that the site file does not map to rows: {listed}{more}; "
        "state its numbers there"
    )
