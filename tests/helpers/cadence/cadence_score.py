"""How right a cadence is: its beats against the true calls of a train."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from helpers.cadence.trains import Train

from rowcall.events.firing.cadence.sequence import Cadence


@dataclass(frozen=True, slots=True)
class Score:
    """One day.

    Attributes:
        place_share: beats whose place is the true one, but for a turn common to all.
        row_share: beats whose row is the true one; nan without an anchor.
        silent: true places called silent, after that turn.
        n_more: beats less true calls.
        phase_s: median distance of a beat's middle from its call [s].
    """

    place_share: float
    row_share: float
    silent: tuple[int, ...]
    n_more: int
    phase_s: float


def score(train: Train, cadence: Cadence, n_rows: int, order: Sequence[int]) -> Score:
    """Score a cadence that was found."""
    middle = (cadence.low_s + cadence.high_s) / 2
    k = np.clip(np.searchsorted(train.fire_s, middle), 1, train.fire_s.size - 1)
    k = k - (middle - train.fire_s[k - 1] < train.fire_s[k] - middle)
    true = train.place[k]
    ahead = (cadence.place - true) % n_rows
    turn = int(np.bincount(ahead, minlength=n_rows).argmax())
    row_share = float(np.mean(cadence.row == np.array(order)[true - 1]))
    return Score(
        float(np.mean(ahead == turn)),
        row_share if cadence.anchor != "none" else float("nan"),
        tuple(sorted((place - 1 - turn) % n_rows + 1 for place in cadence.silent)),
        cadence.place.size - train.fire_s.size,
        float(np.median(np.abs(middle - train.fire_s[k]))),
    )
