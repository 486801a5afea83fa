"""Places in the round of rows: where each bout of cleaning begins, and what that shows.

Beats are put on a round of N places. A place that never has a drop, or one that is much deeper or
weaker than the rest, makes a profile, and every bout is turned until it fits the profile best
(least squares; profile and turns in alternation, from the bout with the most contrast). A bout's
turn is sure where the next best fits worse by a log likelihood of `_MIN_LOG_ODDS`. Sure turns of
bouts that follow a rest then show what the controller does:

- always the same place first: it starts anew after a rest;
- always the place after the one it stopped at: it carries on;
- both: every bout is whole rounds, so the two cannot be distinguished;
- neither: it starts anywhere.

Without a profile no turn is sure, and the start is unknown.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from rowcall.events.firing.cadence.grid import Grid
from rowcall.model import Floats

Counts = npt.NDArray[Any]
Ints = npt.NDArray[np.int64]
Bools = npt.NDArray[np.bool_]

_MIN_LOG_ODDS = 5.0  # chosen: odds of 150 to 1 against the next best turn
# Log odds against the usual start before a bout is said to start elsewhere; chosen: none of a
# day's bouts reaches it by chance
_ODD_START = 20.0
_MIN_MARK = 0.25  # of the usual drop by which a place must stand out; chosen: rows differ by less
_MIN_SPREAD = 0.05  # of the usual drop; chosen: no place repeats itself better than that
_ROUNDS = 6  # rounds of profile and turns; chosen: both have settled by then
# Sure bouts before the rule is stated; chosen: three in agreement may be chance
_MIN_BOUTS_TURNED = 4
# Share of bouts that keep a rule, and that may by chance; chosen: a restart or two break it
_MIN_KEEPING, _MAX_CHANCE = 0.8, 0.5
# Bouts before they are said to lack a beat each; chosen: ten that agree are no chance
_MIN_BOUTS_SHORT = 10
_PIECE_ROUNDS = 4  # rounds; chosen: enough to be turned with one silent row, short against a day
# Beats whose drop may be missed before a bout is taken up; chosen: as many as `grid` looks for
_MAX_LATE = 2
# Times the usual fall; chosen: more counts as that, so that one outlier weighs little
_MAX_SHARE = 1.5
_MAX_SILENT_SHARE = 0.25  # of the beats with a drop, at most; noise alone makes a few; chosen
# Of the usual visits of a place; chosen: a place passed over is met by restarts only
_MIN_VISITS = 0.1


class Start(StrEnum):
    """Where the sequence goes on after a rest."""

    FIRST = "starts anew after a rest"
    NEXT = "carries on after a rest where it stopped"
    WHOLE = "cleans in whole rounds, so that starting anew and carrying on look alike"
    ANY = "starts at another place after each rest"
    ENDLESS = "cleans without a rest"
    UNKNOWN = "does not show where it starts after a rest"


@dataclass(frozen=True, slots=True)
class Places:
    """Where the pieces of bouts lie on the round; arrays have shape (n_pieces,).

    Attributes:
        start: what the controller does after a rest.
        turn: place (0-based) of each piece's first beat.
        more: silent beats to be added at each piece's end.
    """

    start: Start
    turn: Ints
    more: Ints


def in_pieces(grid: Grid, n_places: int) -> Grid:
    """Return the grid with long bouts cut in pieces of a few rounds.

    Each piece is turned by itself, so that a restart in mid-sequence that happened to fall on the
    beat cannot carry wrong places through the day.
    """
    size = _PIECE_ROUNDS * n_places
    key = grid.bout * (int(grid.index.max()) // size + 2) + grid.index // size
    piece = np.cumsum(np.diff(key, prepend=key[0]) != 0)
    return replace(grid, bout=piece, index=grid.index % size)


def find_places(pieces: Grid, rested: Bools, begins: Bools, n_places: int) -> Places:
    """Return where each piece begins on a round of `n_places`.

    Args:
        rested: whether each piece follows a rest in which samples came, shape (n_pieces,).
        begins: whether each piece begins a bout, shape (n_pieces,).
    """
    length = np.bincount(pieces.bout)
    odds, profile = _fit_turns(pieces, n_places)
    turn = np.argmin(odds, axis=1)
    next_best = np.partition(odds, min(1, n_places - 1), axis=1)[:, min(1, n_places - 1)]
    is_sure = (next_best > _MIN_LOG_ODDS) & _has_mark(profile)
    short = _short_rounds(length, begins, rested, n_places)
    if short:
        more = np.where(np.append(begins[1:], True), short, 0)
        return Places(Start.WHOLE, np.where(rested, 0, turn), more)
    place = (pieces.index + turn[pieces.bout]) % n_places
    visits = np.bincount(place, minlength=n_places)
    gone = (visits < _MIN_VISITS * np.median(visits)) | (profile < _MAX_SILENT_SHARE)
    start = _rule(turn, is_sure, rested, length, gone)
    more = np.zeros(turn.size, np.int64)
    first = int(turn[0])
    if start in (Start.FIRST, Start.WHOLE):
        first = _commonest(turn[is_sure & rested], n_places)
        near = (first + np.arange(_MAX_LATE + 1)) % n_places
        late = near[np.argmin(odds[:, near], axis=1)]
        odd = is_sure & (odds[np.arange(late.size), late] > _ODD_START)
        turn = np.where(odd | ~rested, turn, late)
    elif not is_sure.any() and start is not Start.ENDLESS:
        turn, first = np.where(begins, 0, turn), 0
    carried = ~is_sure & (~begins | (start is Start.NEXT))
    for piece in np.flatnonzero(carried[1:]) + 1:
        turn[piece] = turn[piece - 1] + length[piece - 1]
    if start is Start.NEXT:
        more[:-1] = np.where(rested[1:], _skipped(turn, length, gone), 0)
    return Places(start, (turn - first) % n_places, more)


def _short_rounds(length: Ints, begins: Bools, rested: Bools, n_places: int) -> int:
    """Silent beats that every bout lacks of whole rounds, 0 where they are whole or uneven.

    A bout of whole rounds whose last row is silent (or its first: the two look alike) ends a beat
    early, and the place never shows.
    """
    bout = np.cumsum(begins) - 1
    lacks = -np.bincount(bout, length).astype(np.int64)[rested[begins]] % n_places
    if lacks.size < _MIN_BOUTS_SHORT:
        return 0
    usual = _commonest(lacks, n_places)
    is_even = np.mean(lacks == usual) >= _MIN_KEEPING and usual <= max(1, n_places // 6)
    return usual if is_even else 0


def _fit_turns(grid: Grid, n_places: int) -> tuple[Floats, Floats]:
    """Log odds of the best turn of each piece against each turn, and the round's profile."""
    value = np.where(grid.observable, np.clip(grid.share, 0.0, _MAX_SHARE), 0.0)
    n_bouts = int(grid.bout[-1]) + 1
    cell, shape = grid.bout * n_places + grid.index % n_places, (n_bouts, n_places)
    total = np.bincount(cell, value, n_bouts * n_places).reshape(shape)
    count = np.bincount(cell, grid.observable, n_bouts * n_places).reshape(shape)
    profile = _most_contrast(total, count)
    place = np.arange(n_places)
    turned = (place[:, None] + place[None, :]) % n_places
    for _ in range(_ROUNDS):
        wave = profile[turned]
        loss = count @ wave**2 - 2 * total @ wave
        turn = np.argmin(loss, axis=1)
        at = ((place + turn[:, None]) % n_places).ravel()
        sums = np.bincount(at, total.ravel(), n_places)
        counts = np.bincount(at, count.ravel(), n_places)
        profile = np.where(counts > 0, sums / np.maximum(counts, 1), total.sum() / count.sum())
    best = loss.min(axis=1)
    rest = float((value**2).sum() + best.sum())
    variance = max(rest / max(float(count.sum()) - n_places - n_bouts, 1.0), _MIN_SPREAD**2)
    return (loss - best[:, None]) / (2 * variance), profile


def _has_mark(profile: Floats) -> bool:
    """Whether a place stands out: the ordinary spread of rows is too easily mimicked by noise."""
    return bool(np.any(np.abs(profile / np.median(profile) - 1) > _MIN_MARK))


def _most_contrast(total: Counts, count: Counts) -> Floats:
    """Profile of the one bout whose places differ most."""
    mean = total.sum() / max(float(count.sum()), 1.0)
    profiles = np.where(count > 0, total / np.maximum(count, 1), mean)
    contrast = (count * (profiles - mean) ** 2).sum(axis=1)
    best: Floats = profiles[int(np.argmax(contrast))]
    return best


def _rule(turn: Ints, is_sure: Bools, rested: Bools, length: Ints, gone: Bools) -> Start:
    """Tell what the controller does after a rest from the sure turns."""
    if not rested[1:].any():
        return Start.ENDLESS
    n_places = gone.size
    first = turn[is_sure & rested]
    if first.size < _MIN_BOUTS_TURNED:
        return Start.UNKNOWN
    same = float(np.mean(first == _commonest(first, n_places)))
    follows = is_sure[1:] & is_sure[:-1] & rested[1:]
    ahead = (turn[1:] - turn[:-1] - length[:-1]) % n_places
    carries = (ahead == 0) | (_skipped(turn, length, gone) > 0)
    next_share = float(np.mean(carries[follows])) if follows.sum() >= _MIN_BOUTS_TURNED else 0.0
    if same >= _MIN_KEEPING:
        return Start.WHOLE if next_share >= _MAX_CHANCE else Start.FIRST
    if next_share >= _MIN_KEEPING:
        return Start.NEXT if same < _MAX_CHANCE else Start.UNKNOWN
    return Start.ANY


def _commonest(turn: Ints, n_places: int) -> int:
    return int(np.argmax(np.bincount(turn % n_places, minlength=n_places)))


def _skipped(turn: Ints, length: Ints, gone: Bools) -> Ints:
    """Beats between each bout and the next, where carrying on would pass only silent places."""
    n_places = gone.size
    end = turn[:-1] + length[:-1]
    ahead = (turn[1:] - end) % n_places
    run = np.zeros(n_places, np.int64)
    for step in range(n_places):
        run += (run == step) & gone[(np.arange(n_places) + step) % n_places]
    return np.where(ahead <= run[end % n_places], ahead, 0)
