"""From places to rows: what ties the round of beats to the rows of the site file."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

from rowcall.events.firing.cadence.starts import Start

NONE, PAUSE, START_ROW, ISOLATED = "none", "pause", "start row", "isolated row"


@dataclass(frozen=True, slots=True)
class Anchor:
    """The kind of anchor, the row of each place (empty: unknown), or why there is none."""

    kind: str
    rows: tuple[int, ...] = ()
    reason: str = ""


def find_anchor(
    start: Start,
    silent: Sequence[int],
    n_places: int,
    order: Sequence[int] | None,
    start_row: int | None = None,
    isolated_rows: Sequence[int] = (),
) -> Anchor:
    """Return the row of each place.

    Args:
        silent: 1-based places without a drop.
        order: rows in the order in which they are fired, one a place.
    """
    if order is None or len(order) != n_places:
        have = "no firing order" if order is None else f"{len(order)} rows in the firing order"
        return Anchor(NONE, reason=f"the site file has {have} for the {n_places} places of a round")
    turned = _turns_of_isolated(silent, order, isolated_rows)
    if len(turned) == 1:
        return Anchor(ISOLATED, _rows(order, turned[0]))
    starts_anew = start is Start.FIRST or (
        start_row is not None and start in (Start.WHOLE, Start.UNKNOWN)
    )
    if not starts_anew:
        return Anchor(NONE, reason=f"the sequence {start.value}")
    if n_places in silent or 1 in silent:
        return Anchor(
            NONE,
            reason="the silent place borders on the sequence start, where a bout that begins with "
            "it and one that ends with it look alike",
        )
    first = order.index(start_row) if start_row in order else 0
    return Anchor(START_ROW if start_row is not None else PAUSE, _rows(order, first))


def _rows(order: Sequence[int], first: int) -> tuple[int, ...]:
    return tuple(order[(first + k) % len(order)] for k in range(len(order)))


def _turns_of_isolated(
    silent: Sequence[int], order: Sequence[int], isolated: Sequence[int]
) -> list[int]:
    """Return the turns of the firing order that put every isolated row on a silent place."""
    if not isolated:
        return []
    n = len(order)
    return [
        turn
        for turn in range(n)
        if all((order.index(row) - turn) % n + 1 in silent for row in isolated)
    ]
