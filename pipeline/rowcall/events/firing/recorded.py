"""Which row was fired when, from solenoid bits or step counters.

A bit recorded on change gives the instant itself. A bit or counter scanned at intervals gives an
interval: the row fired after the scan before and no later than this one; an even cadence narrows
it (`even_spacing`). A 100 ms bit scanned once a second is caught about one time in ten, so scanned
bits say nothing about how often a row was called, unless they are latched for longer than a scan;
the table says which kind it is.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from rowcall.model import Floats, Signal
from rowcall.site import Baghouse, Role

Ints = npt.NDArray[np.int64]
_MIN_STAMPS = 20  # chosen: so many stand on whole seconds by chance never, and seldom by a timer
_MIN_LATCHED = 0.9  # chosen: share of a bit's risings after which a scan finds it still on


@dataclass(frozen=True, slots=True)
class Fires:
    """Fires of a baghouse-day in order of time; all arrays have shape (n_fires,).

    Attributes:
        low_s, high_s: the fire lies in (low_s, high_s]; equal where the instant is known [s].
        compartment, row: 1-based.
        is_complete: every fire of the day is in the table (False for scanned bits).
    """

    low_s: Floats
    high_s: Floats
    compartment: Ints
    row: Ints
    is_complete: bool = True

    @property
    def size(self) -> int:
        """Number of fires."""
        return int(self.high_s.size)

    @property
    def is_numbered(self) -> bool:
        """Rows (or places) are known."""
        return bool((self.row > 0).any())

    def by_row(self) -> tuple[Ints, Ints]:
        """Return every (compartment, row), shape (n_rows, 2), and each fire's place among them."""
        n = int(self.row.max(initial=0)) + 1
        number, place = np.unique(self.compartment * n + self.row, return_inverse=True)
        return np.column_stack(np.divmod(number, n)), place

    def pick(self, keep: npt.NDArray[np.bool_] | Ints) -> Fires:
        """Return the fires where `keep` is True, or those that it counts, in its order."""
        return Fires(
            self.low_s[keep],
            self.high_s[keep],
            self.compartment[keep],
            self.row[keep],
            self.is_complete,
        )

    def shifted(self, offset_s: float | Floats, uncertainty_s: float = 0.0) -> Fires:
        """Return the fires moved by a clock offset, of all or of each, +- `uncertainty_s` [s]."""
        return Fires(
            self.low_s + offset_s - uncertainty_s,
            self.high_s + offset_s + uncertainty_s,
            self.compartment,
            self.row,
            self.is_complete,
        )


def find_fires(
    baghouse: Baghouse, signals: Mapping[tuple[Role, int, int], Signal], seconds: float
) -> Fires | None:
    """Return the day's fires, or None where neither bits nor counters are usable.

    Bits come before counters: they carry the instant and the row without ambiguity. Scanned bits
    miss most fires and come last.
    """
    scanned = None
    for role in (Role.ROW_SOLENOID, Role.STEP_COUNTER):
        found = [
            _bit_fires(place, signal)
            if role is Role.ROW_SOLENOID
            else _counted(baghouse, place, signal)
            for place, signal in signals.items()
            if place[0] is role
        ]
        if found:
            fires = _in_order(found, seconds)
            if fires.is_complete:
                return fires
            scanned = scanned or fires
    return scanned


def _bit_fires(place: tuple[Role, int, int], signal: Signal) -> Fires:
    """Rising edges of one row's bit."""
    is_on = signal.value > 0.5
    edge = np.flatnonzero(is_on[1:] & ~is_on[:-1]) + 1
    if is_on.size and is_on[0] and signal.step:
        edge = np.concatenate(([0], edge))
    high = signal.time_s[edge]
    low = high if signal.step else signal.time_s[edge - 1]
    _, compartment, row = place
    is_complete = signal.step or _is_latched(is_on, edge)
    return Fires(low, high, _full(edge, compartment), _full(edge, row), is_complete)


def _is_latched(is_on: npt.NDArray[np.bool_], edge: Ints) -> bool:
    """True where the next scan mostly finds the bit still on, so that no fire slips through.

    Also of a bit that never rose: the others show it.
    """
    followed = edge[edge + 1 < is_on.size]
    return not followed.size or float(is_on[followed + 1].mean()) >= _MIN_LATCHED


def _counted(baghouse: Baghouse, place: tuple[Role, int, int], signal: Signal) -> Fires:
    """Changes of a counter that holds the number of the last row fired."""
    number = np.rint(signal.value).astype(np.int64)
    edge = np.flatnonzero(np.diff(number) != 0) + 1
    high = signal.time_s[edge]
    low = high if signal.step else signal.time_s[edge - 1]
    compartment, row = _whose(baghouse, place[1], number[edge])
    fires = Fires(low, high, compartment, row)
    return fires.pick(row > 0)


def _whose(baghouse: Baghouse, own: int, number: Ints) -> tuple[Ints, Ints]:
    """Return compartment and row of each counted number, 0 where it stands for no row."""
    rows = baghouse.counted_rows(own)
    places = np.array([rows.get(one, (0, 0)) for one in number.tolist()], np.int64).reshape(-1, 2)
    return places[:, 0], places[:, 1]


def _in_order(found: list[Fires], seconds: float) -> Fires:
    fires = Fires(
        np.concatenate([part.low_s for part in found]),
        np.concatenate([part.high_s for part in found]),
        np.concatenate([part.compartment for part in found]),
        np.concatenate([part.row for part in found]),
        all(part.is_complete for part in found),
    )
    order = np.argsort(fires.high_s, kind="stable")
    inside = (fires.high_s[order] >= 0) & (fires.high_s[order] < seconds)
    return _not_cut(fires.pick(order[inside]))


def _not_cut(fires: Fires) -> Fires:
    """Give instants that all stand on whole seconds the second in which they may lie."""
    is_exact = fires.low_s == fires.high_s
    if is_exact.sum() < _MIN_STAMPS or (fires.high_s[is_exact] % 1.0).any():
        return fires
    return replace(fires, high_s=fires.high_s + is_exact)


def _full(like: npt.NDArray[np.int64], value: int) -> Ints:
    return np.full(like.size, value, np.int64)
