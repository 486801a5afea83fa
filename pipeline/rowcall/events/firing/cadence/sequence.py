"""Which row fired when, from header pressure alone, where there are neither bits nor a counter.

What is assumed, and so may be wrong:

1. One controller fires the rows of a header one after the other, at an interval that changes
   slowly if at all, and in the same order every round. (`beat`)
2. A healthy valve drops the header within 0.15 s and the supply refills it over seconds.
   Drops are looked for with that shape, first anywhere, then on the beat. (`drops`, `grid`)
3. A silent row is fired like any other: its beat has its place in the train, and no drop. A row
   that the controller leaves out without spending its beat leaves no trace, and the round is
   shorter than the site file says; then that is said and no row is named.
4. Whether the sequence starts anew after a rest or carries on is not assumed but found, by turning
   every bout of cleaning until the silent place (or any other that stands out) comes to lie on
   itself. (`starts`)
5. A sequence that always starts at the same place starts at the first row of the firing order:
   common practice, no source. This is the only step from "place k of N" to a row, besides a start
   row or an isolated row that the caller knows.

A header that serves several compartments may carry two such trains (`two_controllers`); where they
cannot be taken apart with nearly every drop explained, nothing is said of either.

What it cannot find: which of place 1 and place N is silent where the sequence starts anew (a bout
that begins with a silent row looks like one that ends with it); every second row silent (it looks
like a healthy train of twice the interval); two rows fired together.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.cadence.anchor import find_anchor
from rowcall.events.firing.cadence.drops import Falls, blind_seconds, find_falls
from rowcall.events.firing.cadence.grid import Grid
from rowcall.events.firing.cadence.missing_beats import with_silent_ends
from rowcall.events.firing.cadence.round_length import caught_round, common_round
from rowcall.events.firing.cadence.starts import Start, find_places, in_pieces
from rowcall.events.firing.cadence.train import find_train, why_not
from rowcall.events.firing.cadence.two_controllers import find_two_grids
from rowcall.events.firing.recorded import Fires
from rowcall.model import Floats, Signal

Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_MIN_SAMPLES = 8  # samples; chosen: fewer have no second differences to take the noise from
# Observable beats of a place before it is called silent; chosen: ten answers are not missed by
# chance
_MIN_BEATS = 10
_MAX_SILENT_SHARE = 0.25  # of them with a drop, at most: noise alone makes a few; chosen
# Intervals without a beat that are a rest; chosen: less is a restart in mid-sequence
_MIN_REST = 2.5


@dataclass(frozen=True, slots=True)
class Cadence:
    """The train of fires on one header; arrays have shape (n_fires,), in order of time.

    Attributes:
        low_s, high_s: the fire lies in (low_s, high_s] [s].
        place: 1 to n_places, counted from the sequence start (see `start`).
        row: 1-based row, or 0 where there is no anchor.
        segment: bout of even cadence, from 1.
        seen: a drop was there; meaningful only where observable.
        observable: samples came in time to show a drop.
        n_places: places in a round.
        interval_s: median interval [s]; nan where no cadence was found.
        start: what the sequence does after a rest.
        silent: places without a drop.
        anchor: what ties places to rows: none, pause, start row, isolated row.
        reason: why there is no cadence, or no anchor; empty where there is one.
    """

    low_s: Floats
    high_s: Floats
    place: Ints
    row: Ints
    segment: Ints
    seen: Bools
    observable: Bools
    n_places: int
    interval_s: float
    start: Start
    silent: tuple[int, ...] = ()
    anchor: str = "none"
    reason: str = ""

    @property
    def is_found(self) -> bool:
        """Whether there is a train at all."""
        return self.place.size > 0


def find_cadence(
    header: Signal,
    n_rows: int,
    *,
    order: Sequence[int] | None = None,
    interval_s: float | None = None,
    start_row: int | None = None,
    isolated_rows: Sequence[int] = (),
    caught: Fires | None = None,
) -> Cadence:
    """Return the complete train of fires of a header whose rows one controller fires in turn.

    Args:
        header: header pressure [Pa, gauge].
        n_rows: rows that the header serves, each fired once a round.
        order: rows in the order in which they are fired; without it no row is named.
        interval_s: set interval [s]; never taken for the true one, but samples too far apart for
            it could show an even cadence that is none, so none is looked for.
        start_row: row that opens the sequence after a rest, where it is not the first of `order`.
        isolated_rows: rows known to be isolated from the header, fired all the same.
        caught: fires whose bits a scan caught, a few of each row's; they show the round.
    """
    if header.time_s.size < _MIN_SAMPLES:
        return no_cadence(n_rows, f"the header has only {header.time_s.size} samples")
    falls = find_falls(header)
    grid, reason = find_train(falls, n_rows, interval_s)
    if grid is None:
        return no_cadence(n_rows, reason)
    return _numbered(falls, grid, n_rows, order, start_row, isolated_rows, caught)


def find_cadences(
    header: Signal, rows: Sequence[int], *, interval_s: float | None = None
) -> tuple[Cadence, ...]:
    """Return the train of a header that serves several compartments, or two where two controllers
    fire on it.

    Args:
        header: header pressure [Pa, gauge].
        rows: rows of each compartment.
        interval_s: as in `find_cadence`.
    """
    whole = find_cadence(header, sum(rows), interval_s=interval_s)
    if whole.is_found or len(rows) != 2 or header.time_s.size < _MIN_SAMPLES:
        return (whole,)
    falls = find_falls(header)
    grids = find_two_grids(falls, rows)
    if grids is None or why_not(falls, *grids):
        return (whole,)
    return tuple(
        _numbered(falls, grid, n_rows, None, None, (), None)
        for grid, n_rows in zip(grids, rows, strict=True)
    )


def no_cadence(n_rows: int, reason: str) -> Cadence:
    """Return a cadence without fires."""
    none, whole, flag = np.empty(0), np.empty(0, np.int64), np.empty(0, np.bool_)
    nan = float("nan")
    return Cadence(
        none, none, whole, whole, whole, flag, flag, n_rows, nan, Start.UNKNOWN,
        reason=reason,
    )  # fmt: skip


def _numbered(
    falls: Falls,
    grid: Grid,
    n_rows: int,
    order: Sequence[int] | None,
    start_row: int | None,
    isolated_rows: Sequence[int],
    caught: Fires | None,
) -> Cadence:
    """Number the beats and name the rows."""
    caught_places = None if caught is None else caught_round(grid, caught, n_rows)
    n_places = caught_places or common_round(grid, n_rows)
    pieces = in_pieces(grid, n_places)
    first = np.flatnonzero(np.diff(pieces.bout, prepend=-1))
    begins = grid.index[first] == 0
    rested = np.zeros(first.size, np.bool_)
    rested[begins] = _rested(falls, grid)
    found = find_places(pieces, rested, begins, n_places)
    segment = np.cumsum(begins)
    grid = with_silent_ends(pieces, found.more)
    place = (grid.index + found.turn[grid.bout]) % n_places + 1
    silent = _silent_places(grid, place, n_places)
    anchor = find_anchor(found.start, silent, n_places, order, start_row, isolated_rows)
    row_of = np.array([0, *(anchor.rows or [0] * n_places)], np.int64)
    return Cadence(
        grid.low_s,
        grid.high_s,
        place,
        row_of[place],
        segment[grid.bout],
        grid.seen,
        grid.observable,
        n_places,
        float(np.median(grid.interval_s)),
        found.start,
        silent,
        anchor.kind,
        anchor.reason,
    )


def _silent_places(grid: Grid, place: Ints, n_places: int) -> tuple[int, ...]:
    """Return the places (1-based) that were observable often and had next to no drop."""
    observable = np.bincount(place[grid.observable], minlength=n_places + 1)
    drops = np.bincount(place[grid.seen], minlength=n_places + 1)
    is_silent = (observable >= _MIN_BEATS) & (drops <= _MAX_SILENT_SHARE * observable)
    return tuple(np.flatnonzero(is_silent).tolist())


def _rested(falls: Falls, grid: Grid) -> Bools:
    """Find which bouts follow a rest in which samples came."""
    first = np.flatnonzero(np.diff(grid.bout, prepend=-1))
    begin = np.concatenate((falls.low_s[:1], grid.time_s[first[1:] - 1]))
    apart = grid.time_s[first] - begin
    is_rest: Bools = apart > _MIN_REST * grid.interval_s[first]
    return is_rest & (blind_seconds(falls, begin, grid.time_s[first]) < apart / 2)
