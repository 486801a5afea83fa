"""Row numbers for the places of a cadence, from the few solenoid bits that a scan caught.

A bit of 100 ms scanned once a second is caught about one time in ten. That does not show how
often a row was fired, but over a day each row is caught often enough to say which beat is its own.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np

from rowcall.events.firing.cadence.round_length import nearest
from rowcall.events.firing.inferred import InferredFires
from rowcall.events.firing.recorded import Fires
from rowcall.model import Inferred

_MIN_CAUGHT = 3  # bits of a place; chosen: two may be chance
_MIN_AGREED = 0.8  # chosen: share of a place's caught bits that must name one row
_TEXT = "rows are found from header pressure alone, and numbered by the bits that a scan caught"


def number_places(inferred_fires: InferredFires, caught: Fires) -> InferredFires:
    """Return the inferred fires of one compartment with row numbers, where the bits agree on them.

    Args:
        inferred_fires: fires whose rows are places in the round.
        caught: the fires of the same compartment whose bits a scan caught.
    """
    fires = inferred_fires.fires
    if not fires.is_numbered or caught.size == 0 or fires.size < 2:
        return inferred_fires
    row_of = _rows_of_places(fires, caught)
    n_places = max(how.n_places for how in inferred_fires.inferred.values())
    row_of |= _last_one(row_of, n_places)
    # All or none: a row without a place would look as if it were never called.
    if len(set(row_of.values())) < n_places:
        return inferred_fires
    numbered = np.array([row_of[place] for place in fires.row.tolist()], np.int64)
    inferred = {
        compartment: Inferred(how.n_places, True, _TEXT)
        for compartment, how in inferred_fires.inferred.items()
    }
    return replace(inferred_fires, fires=replace(fires, row=numbered), inferred=inferred)


def _last_one(row_of: Mapping[int, int], n_places: int) -> dict[int, int]:
    """The one place that no bit has named goes to the one row that is left."""
    places, rows = ({*range(1, n_places + 1)} - {*named} for named in (row_of, row_of.values()))
    return {places.pop(): rows.pop()} if len(places) == len(rows) == 1 else {}


def _rows_of_places(fires: Fires, caught: Fires) -> dict[int, int]:
    """Which row the bits name for each place."""
    middle = (fires.low_s + fires.high_s) / 2
    at = (caught.low_s + caught.high_s) / 2
    beat = nearest(middle, at)
    reach_s = float(np.median(np.diff(middle))) / 2
    near = np.abs(at - middle[beat]) < reach_s
    votes = np.zeros((int(fires.row.max()) + 1, int(caught.row.max()) + 1), np.int64)
    np.add.at(votes, (fires.row[beat[near]], caught.row[near]), 1)
    total = votes.sum(axis=1)
    return {
        place: int(votes[place].argmax())
        for place in range(1, len(votes))
        if total[place] >= _MIN_CAUGHT and votes[place].max() >= _MIN_AGREED * total[place]
    }
